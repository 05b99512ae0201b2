"""Which player plays, and the levels on the way."""

import subprocess
import sys

import numpy as np
import pytest

from tsfit.base.errors import TsfitError
from tsfit.capture import device, simulated
from tsfit.capture.excitation import Excitation
from tsfit.capture.stream import Playback, Stopped, levels_of, play_and_record

EXCITATION = Excitation("multisine", np.zeros(48000), 48000.0, 0, 48000, -30.0, 5.0, 20000.0)


@pytest.mark.parametrize(("name", "module"), [("simulated", simulated), ("Simulated", device), ("some card", device)])
def test_who_plays(monkeypatch, name, module):
    called = []
    for other in (device, simulated):
        monkeypatch.setattr(other, "play_and_record", lambda *args, other=other, **more: called.append((other, args, more)))
    playback = Playback(name, 48000.0, -30.0)
    play_and_record(EXCITATION, playback, print, on_level=repr)
    assert called == [(module, (EXCITATION, playback, print), {"on_level": repr})]


def test_the_simulated_rig_needs_no_sound_system():
    code = (
        "import sys\nsys.modules['sounddevice'] = None\n"
        "from tsfit.capture.stream import Playback, play_and_record\n"
        "from tsfit.base.errors import TsfitError\n"
        "try:\n    play_and_record(None, Playback('simulated', 48000.0, -30.0), print)\n"
        "except TsfitError as error:\n    print(error.code)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.stdout, done.stderr) == ("usage\n", "")


def test_levels():
    block = np.zeros((1000, 2), dtype=np.float32)
    block[:, 0] = 0.1 * np.sqrt(2.0) * np.sin(0.02 * np.pi * np.arange(1000))
    block[7, 1] = -0.5
    levels = levels_of(block, 3000, 9000)
    np.testing.assert_allclose(levels.rms_dbfs, (-20.0, 20.0 * np.log10(0.5 / np.sqrt(1000.0))), atol=1e-4)
    np.testing.assert_allclose(levels.peak_dbfs, (-16.9897, -6.0206), atol=1e-4)
    assert (levels.frame, levels.expected) == (3000, 9000)
    silence = levels_of(np.zeros((4, 2), dtype=np.float32), 4, 4)
    assert silence.rms_dbfs == silence.peak_dbfs == (-300.0, -300.0)


def test_a_stop_is_an_error_that_users_may_meet():
    assert issubclass(Stopped, TsfitError)
