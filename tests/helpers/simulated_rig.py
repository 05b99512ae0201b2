"""The rig that needs no hardware, in a folder of one's own."""

import shutil
from pathlib import Path

from helpers.paths import RIGS

QUICK_HZ = 16000
"""A rate at which a sweep costs a third; what is swept then ends at 7 kHz."""


def simulated_rig(folder: Path, name: str = "simulated.toml", rate_hz: int = QUICK_HZ) -> Path:
    """Copy the simulated rig with its drivers into `folder`, which is made; its sound card runs at `rate_hz`."""
    shutil.copytree(RIGS / "drivers", folder / "drivers")
    path = folder / name
    shutil.copy(RIGS / "simulated.toml", path)
    quicker(path, rate_hz)
    return path


def quicker(rig: Path, rate_hz: int = QUICK_HZ) -> None:
    """Let the sound card of the simulated rig in a file run at `rate_hz`."""
    text = rig.read_text()
    assert "sample_rate_hz = 48000" in text
    rig.write_text(text.replace("sample_rate_hz = 48000", f"sample_rate_hz = {rate_hz}"))
