"""The simulated power rig with an invented driver that bends and warms, in a folder of one's own."""

import shutil

from helpers.paths import RIGS

RIG_FILE = """name = "power"
topology = "shunt"
reference_ohm = 0.1
[channels]
total = 1
reference = 2
total_v_full_scale = 62.5
reference_v_full_scale = 2.5
full_scale_uncertainty_percent = 0.1
[leads]
resistance_ohm = 0.045
[playback]
device = "simulated"
sample_rate_hz = 16000
level_dbfs = -36
volts_per_full_scale = 60
driver = "drivers/godwit-15.toml"
"""
DRIVER = "drivers/godwit-15.toml"


def power_rig(folder):
    """Write the rig file; its driver has a ring beside its inductance, with which steps need be less fine."""
    shutil.copytree(RIGS / "drivers", folder / "drivers")
    driver = (folder / DRIVER).read_text().replace('Le = "1.60 mH"', 'Le = "0.9 mH"\nL2 = "1.0 mH"\nR2 = "5 ohm"')
    (folder / DRIVER).write_text(driver)
    (folder / "power.toml").write_text(RIG_FILE)
    return folder / "power.toml"
