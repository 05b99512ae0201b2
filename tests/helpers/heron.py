"""A made driver file for the commands of boxes."""

BARE = """
[driver]
name = "Heron 10"
[parameters]
Re = "5.6 ohm"
Fs = "31 Hz"
Qms = "4.6"
Qes = "0.42"
Mms = "52 g"
Sd = "346 cm^2"
"""
DRIVER = f"""{BARE}Le = "1.2 mH"
Xmax = "6 mm"
"""
"""The same with its coil's inductance and a rated travel."""
