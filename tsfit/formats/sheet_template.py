"""An empty published sheet to fill in, with every key explained."""

TEMPLATE = """\
# A published datasheet. Copy each figure as printed, with all its digits and its unit: a trailing zero says how
# exact it is. Take the # from the lines that the sheet prints; leave the others as they are.

[driver]
name = "name of the driver"

[published]
# Znom = "8 ohm"              # rated impedance
# Re = "5.70 ohm"             # DC resistance of the coil
# Fs = "31.5 Hz"              # resonance in free air
# Qms = 3.90                  # mechanical, electrical and total Q; these have no unit
# Qes = 0.420
# Qts = 0.379
# Vas = "63.0 l"              # l, dm^3, m^3, ft^3, in^3
# Mms = "32.0 g"              # moving mass with its air load; g, kg, oz
# Cms = "0.798 mm/N"          # compliance; mm/N, um/N, m/N
# Rms = "1.62 N*s/m"          # mechanical resistance; N*s/m or kg/s
# Bl = "9.27 T*m"             # force factor; T*m or N/A
# Le = "0.90 mH"              # inductance at 1 kHz
# Sd = "236 cm^2"             # effective area; cm^2, m^2, in^2
# diameter = "17.3 cm"        # effective diameter, half of the surround included; mm, cm, in
# Xmax = "6.0 mm"             # one way; add p-p if it is told from peak to peak: "12 mm p-p"
# Pe = "150 W"                # rated power, and the short-term one
# Ppeak = "300 W"
# sensitivity_1W = "88.6 dB"  # level at 1 m for 1 W
# sensitivity_2V83 = "90.1 dB"  # level at 1 m for 2.83 V
# EBP = "75.0 Hz"             # Fs/Qes

[conditions]
# For what the figures hold, where the maker says so.
# pressure_hpa = 1013.25
# coil_temperature_c = 20.0
# wiring = "parallel"         # of two coils: "series", "parallel" or "one coil"
# air_load = "baffle"         # counted in the moving mass: "baffle" or "free air"

[tolerance]
# How far a sample may be off, where the maker says so: percent, or dB for a level.
# Fs = "15 %"
# sensitivity_1W = "1 dB"
"""
