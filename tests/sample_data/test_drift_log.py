"""The demonstration's log: what was simulated is what it tells."""

import pytest
from helpers.paths import SAMPLES

from tsfit.drift.history import history
from tsfit.drift.log import read_log

FOLDER = SAMPLES


@pytest.fixture(scope="module")
def judged():
    return history(read_log(FOLDER / "saltwit-12b.drift"))


def test_the_log_tells_what_was_simulated(judged):
    # make_drift_log.py: compliance gains 15 % with 6 h, all else only scatters.
    assert [one.cause for one in judged.drifted] == ["compliance"]
    one = judged.causes["compliance"]
    assert one.settling.course == "exponential"
    assert one.relative == pytest.approx(0.15, abs=0.01)
    assert one.settling.time_constant_h == pytest.approx(6.0, rel=0.25)
    assert not judged.notes


def test_the_log_holds_nothing_of_the_machine_that_made_it():
    text = (FOLDER / "saltwit-12b.drift").read_text(encoding="utf-8")
    assert "/tmp" not in text
    assert text.count("\n") == 9
