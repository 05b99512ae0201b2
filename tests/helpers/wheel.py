"""The built wheel in an environment that has never seen the checkout, and without PortAudio."""

import importlib.util
import os
import subprocess
import sys
import sysconfig
import venv
from pathlib import Path

import pytest

from helpers.paths import ROOT

DRIVER = """
import importlib.abc, sys

class NoPortAudio(importlib.abc.MetaPathFinder):
    def find_spec(self, name, path=None, target=None):
        if name == "sounddevice":
            raise OSError("PortAudio library not found")

sys.meta_path.insert(0, NoPortAudio())
import tsfit
from tsfit.cli import run
assert sys.prefix in tsfit.__file__, tsfit.__file__
sys.exit(run(sys.argv[1:]))
"""


def python_of(folder: Path) -> Path:
    return folder / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def install(folder: Path) -> None:
    """Make an empty environment in `folder` with the wheel in it; its dependencies are those of the tests' own."""
    if importlib.util.find_spec("hatchling") is None:
        pytest.skip("hatchling, which builds the wheel, is not installed")
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", folder]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True)
    (wheel,) = folder.glob("*.whl")
    venv.create(folder / "env", with_pip=False)
    python = python_of(folder / "env")
    purelib = Path(
        subprocess.run(
            [python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"],
            check=True,
            capture_output=True,
            text=True,
        ).stdout.strip()
    )
    install = [sys.executable, "-m", "pip", "install", "--no-deps", "--no-index", "--target", purelib, wheel]
    subprocess.run(install, check=True, capture_output=True)
    # Own packages come first on the path: an editable install beside the dependencies cannot stand in for the wheel.
    (purelib / "dependencies.pth").write_text(sysconfig.get_path("purelib") + "\n")


def tsfit_of(folder: Path, words: list[str], where: Path) -> str:
    """Run ``tsfit`` with `words` in the environment of `folder` and the folder `where`; return what it prints."""
    env = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    command = [python_of(folder / "env"), "-c", DRIVER, *words]
    done = subprocess.run(command, cwd=where, env=env, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout
