"""Files, read and written: TOML, curves, fits, drivers, sheets, SPICE."""
