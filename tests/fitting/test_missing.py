"""What a circuit lacks is told by place and smoothness; the circuits that are missed are written out here."""

import numpy as np
import pytest
from helpers.made_curves import make
from helpers.paths import SHARED

from tsfit.driver.curve import State
from tsfit.fitting.fit import fit
from tsfit.fitting.missing import missing
from tsfit.formats.curve import read_curve

F = np.geomspace(5.0, 2000.0, 300)
PEAK = 40.0


def bump(at_hz, quality=3.0):
    return 0.1 / (1.0 + 1j * quality * (F / at_hz - at_hz / F))


@pytest.mark.parametrize(
    ("at_hz", "told"),
    [(10.0, "creep"), (40.0, "friction or stiffness"), (170.0, "swings by itself"), (1200.0, "eddy currents")],
)
def test_place_tells_what_is_missing(at_hz, told):
    rng = np.random.default_rng(0)
    noise = 0.002 * (rng.standard_normal(len(F)) + 1j * rng.standard_normal(len(F)))
    message = missing(F, bump(at_hz) + noise, PEAK)
    assert told in message
    low, high = (float(word) for word in message.split("most from ")[1].split(" Hz")[0].split(" to "))
    assert low <= at_hz <= high


@pytest.mark.parametrize("size", [0.02, 0.05])
def test_scatter_from_point_to_point_lacks_no_part(size):
    rng = np.random.default_rng(1)
    message = missing(F, size * (rng.standard_normal(len(F)) + 1j * rng.standard_normal(len(F))), PEAK)
    assert "from point to point" in message
    assert "missing from it" not in message
    noise = rng.standard_normal(len(F)) + 1j * rng.standard_normal(len(F))
    assert missing(F, 0.01 * noise, PEAK, coarse=False) is None
    assert "eddy currents" in missing(F, bump(1200.0), PEAK, coarse=False)


def test_only_a_circuit_that_misses_is_spoken_of():
    """A coil with two lossy branches is missed by a coil of one inductor, and by no means by its own model."""
    curves, _, _ = make(("free air",), np.random.default_rng(3), frequency_hz=np.geomspace(8.0, 600.0, 200))
    right, wrong = (fit(curves, coil=coil, suspension="ideal") for coil in ("ladder-2", "simple"))
    assert "circuit_lacks" not in {note.code for note in right.quality}
    told = [note.message for note in wrong.quality if note.code == "circuit_lacks"]
    assert len(told) == 1
    assert "eddy currents" in told[0]


def test_about_a_smeared_peak_nothing_else_is_guessed_at():
    """Neither friction nor "louder", beside a warning that asks for a quieter sweep."""
    message = missing(F, bump(PEAK), PEAK, smeared=True)
    assert message.endswith("about the resonance, which looks smeared.")
    assert "eddy currents" in missing(F, bump(1200.0), PEAK, smeared=True)


@pytest.mark.skipif(not (SHARED / "more-curves").is_dir(), reason="shared data with more curves are absent")
@pytest.mark.parametrize("name", ["field-coil-12-inch-i", "field-coil-12-inch-j", "woofer-f-free"])
def test_a_smeared_instrument_is_no_missing_part(name):
    result = fit([(read_curve(SHARED / "more-curves" / f"{name}.txt"), State())])
    (message,) = [note.message for note in result.quality if note.code == "circuit_lacks"]
    assert "smeared" in message
    assert "smeared_peak" in {note.code for note in result.quality}
