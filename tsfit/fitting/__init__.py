"""From impedance curves to parameters with uncertainty."""
