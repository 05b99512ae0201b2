"""The sound systems that the tests of this folder share or may kill."""

import ctypes.util
import importlib.util
import shutil

import pytest
from helpers.sound_system import running


@pytest.fixture(scope="session")
def need_audio():
    missing = [tool for tool in ("jackd", "jack_wait") if shutil.which(tool) is None]
    missing += ["libportaudio2"] if ctypes.util.find_library("portaudio") is None else []
    missing += ["JACK-Client"] if importlib.util.find_spec("jack") is None else []
    if missing:
        pytest.skip(f"no sound system to test with: {', '.join(missing)} missing")


@pytest.fixture(scope="session")
def sound_system(need_audio, tmp_path_factory):
    with running(tmp_path_factory.mktemp("sound-system")) as system:
        yield system


@pytest.fixture
def own_sound_system(need_audio, tmp_path):
    """Start a sound system that the test may kill; one whose server does not wait for its clients."""
    with running(tmp_path, synchronous=False) as system:
        yield system
