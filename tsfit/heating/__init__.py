"""From a recording at power to the coil's thermal network."""
