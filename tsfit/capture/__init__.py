"""From recordings of a rig to impedance curves with variance."""
