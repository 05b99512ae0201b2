"""The bench of the quick rig, quicker."""

import shutil
from pathlib import Path

import pytest
import soundfile
from helpers.paths import SAMPLES
from scipy import signal


@pytest.fixture(scope="session")
def quick_bench(made_once) -> Path:
    """Folder of a bench of the quick rig with its recordings at a third of their rate, which cost a third; to be copied."""

    def make(folder):
        for name in ("rig-shunt.toml", "saltwit-12-shunt-bench.toml"):
            shutil.copy(SAMPLES / name, folder)
        (folder / "recordings").mkdir()
        for path in (SAMPLES / "recordings").glob("shunt-*"):
            samples, rate = soundfile.read(path)
            fewer = signal.resample(samples, len(samples) // 3)
            soundfile.write(folder / "recordings" / path.name, fewer, rate // 3, subtype="PCM_24")

    return made_once("quick-bench", make)
