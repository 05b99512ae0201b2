"""How long to sweep: held against what sweeps of that length scatter, on the simulated rig."""

from dataclasses import replace

import numpy as np
import pytest
from helpers.paths import RIGS
from helpers.simulated_rig import QUICK_HZ

from tsfit.base.errors import TsfitError
from tsfit.bench.how_long import Aim, aim_of, needs
from tsfit.bench.sweep import plan
from tsfit.capture.excitation import Wanted
from tsfit.capture.impedance import hear, impedance_of
from tsfit.capture.player import open_player
from tsfit.capture.recording import Recording
from tsfit.capture.rig import read_rig
from tsfit.driver.curve import State
from tsfit.fitting.fit import fit

RIG = replace(read_rig(RIGS / "simulated.toml"), sample_rate_hz=QUICK_HZ)
NOISE_DBFS = -71.0
DRAWS = 5


def recorded(seconds, seed, points_per_octave=48.0):
    player, blocks = replace(open_player(RIG), noise_dbfs=NOISE_DBFS, rng=np.random.default_rng(seed)), []
    player.play(plan(RIG, Wanted(seconds=seconds, high_hz=4000.0)), lambda block: blocks.append(block.copy()))
    samples = np.concatenate(blocks).astype(float)
    return impedance_of(hear(Recording(RIG.path, samples, float(QUICK_HZ), ""), RIG, points_per_octave))


@pytest.fixture(scope="module")
def short():
    return recorded(2.0, 0)


def fitted(curve):
    return fit([(curve, State())], coil="simple", suspension="ideal").parameters


def test_sweeps_as_long_as_was_said_scatter_as_was_wanted(short):
    aim = Aim("Fs", 1.5e-4)
    [need] = needs(short, 2.0, RIG, [aim])
    assert need.reached > aim.wanted
    assert 2.5 < need.seconds < 30.0
    found = np.array([fitted(recorded(need.seconds, seed))["Fs"].value for seed in range(1, DRAWS + 1)])
    # The driver file's Fs; so few draws tell a standard deviation to within a factor of two (chi-square, 0.5 to 99.5 %).
    square = np.sum((found / 29.0 - 1.0) ** 2) / aim.wanted**2
    assert 0.41 < square < 16.75


def test_where_time_does_not_help_what_does_is_said(short):
    fs, vas, mms = needs(short, 2.0, RIG, [Aim("Fs", 1e-5), Aim("Vas", 0.01), Aim("Mms", 0.05)])
    assert (fs.seconds, vas.seconds) == (None, None)
    assert "clock" in fs.sentence
    # An area to 1 % leaves 2 % of its square.
    assert vas.limit == pytest.approx(0.02, rel=0.1)
    assert "with a mass and an area as usually known: 2" in vas.sentence
    assert "or take a test box for Vas" in vas.sentence
    assert "as usually known" not in fs.sentence
    assert mms.seconds >= 1.6


@pytest.mark.parametrize("density", [12.0, 150.0])
def test_points_of_any_density_tell_the_same_to_the_same_uncertainty(density):
    curve = recorded(4.0, 7, density)
    usual, other = fitted(recorded(4.0, 7)), fitted(curve)
    assert len(curve.frequency_hz) == pytest.approx(density * np.log2(4000.0 / 5.0), rel=0.35)
    for name in ("Fs", "Qts"):
        assert other[name].stdev == pytest.approx(usual[name].stdev, rel=0.2)
        assert other[name].value == pytest.approx(usual[name].value, abs=usual[name].stdev)


@pytest.mark.parametrize(
    ("text", "aim"),
    [
        ("Fs 0.1 %", Aim("Fs", 0.001)),
        ("Fs 0,1 %", Aim("Fs", 0.001)),
        ("qts 2%", Aim("Qts", 0.02)),
        ("sensitivity_1W 0.1 dB", Aim("sensitivity_1W", 0.1)),
    ],
)
def test_an_aim_is_read(text, aim):
    assert aim_of(text) == aim


@pytest.mark.parametrize("text", ["Fs", "Fs 0.1", "Fs 0 %", "Fs 0.1 dB", "Xmax 1 %", "Fs 1.2.3 %", "", "Fs -1 %"])
def test_an_aim_that_is_none_is_refused(text):
    with pytest.raises(TsfitError) as error:
        aim_of(text)
    assert error.value.code == "usage"
