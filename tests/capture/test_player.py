"""Who plays on a rig, and what hangs on a simulated one."""

import subprocess
import sys

import numpy as np
import pytest
from helpers.paths import RIGS

from tsfit.base.errors import TsfitError
from tsfit.capture.player import Hung, open_player
from tsfit.capture.rig import read_rig
from tsfit.driver.curve import State
from tsfit.formats.driver import read_driver

F = np.geomspace(5.0, 200.0, 800)


@pytest.fixture
def rig_of(tmp_path):
    def make(playback):
        path = tmp_path / "rig.toml"
        path.write_text(
            'name = "d"\ntopology = "divider"\nreference_ohm = 100.0\n[channels]\ntotal = 1\ndriver = 2\n' + playback
        )
        return read_rig(path)

    return make


def test_a_card_of_the_name_plays_in_real_time(rig_of):
    player = open_player(rig_of('[playback]\ndevice = "Simulated"\n'))
    assert (player.fragment, player.outputs, player.in_real_time) == ("Simulated", 1, True)


def test_no_device_is_told_with_the_key_to_add(rig_of):
    with pytest.raises(TsfitError) as error:
        open_player(rig_of(""))
    assert error.value.code == "usage"
    assert "[playback]" in error.value.message


def peak(z):
    return F[np.argmax(np.abs(z))]


def test_what_hangs_on_the_simulated_rig():
    rig = read_rig(RIGS / "simulated.toml")
    driver = read_driver(rig.simulated_driver)
    free = open_player(rig)
    assert not free.in_real_time
    assert peak(free.impedance(F)) == pytest.approx(driver.Fs, rel=0.02)
    loaded = open_player(rig, Hung(State("added mass", mass=driver.Mms)))
    # Twice the mass: the resonance falls by the root of two.
    assert peak(loaded.impedance(F)) == pytest.approx(driver.Fs / np.sqrt(2.0), rel=0.02)
    # Its file says that the compliance ends 12 % higher.
    used = open_player(rig, Hung(hours=1e4))
    assert peak(used.impedance(F)) == pytest.approx(driver.Fs / np.sqrt(1.12), rel=0.02)
    np.testing.assert_array_equal(open_player(rig, Hung(known_ohm=10.0)).impedance(F), 10.0)


def test_a_driver_file_that_is_missing_is_told_before_anything_plays(rig_of):
    with pytest.raises(TsfitError) as error:
        open_player(rig_of('[playback]\ndevice = "simulated"\ndriver = "none.toml"\n'))
    assert error.value.code == "missing_file"


def test_the_simulated_rig_needs_no_sound_system():
    code = (
        "import sys\nsys.modules['sounddevice'] = None\nfrom pathlib import Path\n"
        "from tsfit.capture.player import open_player\nfrom tsfit.capture.rig import read_rig\n"
        f"print(open_player(read_rig(Path({str(RIGS / 'simulated.toml')!r}))).name)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.stdout, done.stderr) == ("simulated (Dunlin 10)\n", "")
