"""The sentences of a comparison say what its levels and limits say."""

from dataclasses import replace

import numpy as np
import pytest

from tsfit.box.compare.conditions import Candidate, same_volume
from tsfit.box.compare.drivers import compare
from tsfit.box.compare.result import Difference, Lead
from tsfit.box.compare.sentences import lead_sentence
from tsfit.driver.record import Driver

OLD = Driver("Dunlin 12", 5.4, 25.0, 5.0, 0.42, Mms=0.11, Sd=0.052, Xmax=0.022, Pe=300.0)
STRONGER = replace(OLD, name="Dunlin 12 S", Qes=0.30)


def _only(candidates, case):
    return compare(candidates, [case]).cases[0]


def test_a_rating_that_is_not_known_is_said():
    case = _only([Candidate(OLD), Candidate(replace(STRONGER, Xmax=None))], same_volume(0.08))
    assert "Dunlin 12 S has no known Xmax: travel is not counted." in case.words
    whole = _only([Candidate(OLD), Candidate(STRONGER)], same_volume(0.08))
    assert "no known" not in " ".join(whole.words)


def test_a_stretch_in_which_the_lead_changes_is_told_in_two():
    case = _only([Candidate(OLD), Candidate(replace(STRONGER, Xmax=0.022, Pe=200.0))], same_volume(0.06))
    told = next(sentence for sentence in case.words if sentence.startswith("Loudest, up to 250 Hz: "))
    assert "quieter and" not in told
    db, inside = case.differences["limits"][0].db, (case.frequency_hz > 15.0) & (case.frequency_hz < 250.0)
    assert ("Dunlin 12 S is louder" in told, "Dunlin 12 is louder" in told) == (
        bool((db[inside] > 0.1).any()), bool((db[inside] < -0.1).any())
    )  # fmt: skip


@pytest.mark.parametrize(
    ("leads", "said"),
    [
        ([(15.0, 70.0, -0.4), (75.0, 250.0, 1.6)],
         "both are as loud below 72 Hz, within 0.4 dB; New leads above 72 Hz, by 1.6 dB"),
        ([(15.0, 22.0, 0.1), (26.0, 70.0, -0.4)], "both are as loud below 70 Hz, within 0.4 dB"),
        ([(15.0, 40.0, -2.0), (50.0, 250.0, 3.0)], "Old leads below 40 Hz, by 2.0 dB; New above 50 Hz, by 3.0 dB"),
        ([(15.0, 40.0, -0.6), (50.0, 60.0, 0.2), (70.0, 250.0, -0.7)],
         "Old leads below 40 Hz, by 0.6 dB; both are as loud from 50 to 60 Hz, within 0.2 dB; "
         "Old leads above 70 Hz, by 0.7 dB"),
    ],
)  # fmt: skip
def test_who_leads_by_less_than_a_choice_is_as_loud(leads, said):
    each = tuple(Lead(low, high, most, 100.0, most, True) for low, high, most in leads)
    difference = Difference(np.zeros(1), None, None, (), each)
    assert lead_sentence("Old", "New", "equal power", difference) == f"At equal power, {said}."


def test_a_lead_at_the_limits_that_is_not_worth_a_choice_is_none():
    """Travel alone stops both: 20 lg(22.2/22) = 0.08 dB at every frequency, and 20 lg(28/22) = 2.1 dB."""
    for longer, said in ((0.0222, "they are as loud, within 0.1 dB"), (0.028, "Dunlin 12 S is louder by 2.1 dB")):
        pair = [Candidate(replace(OLD, Pe=1e6)), Candidate(replace(STRONGER, Xmax=longer, Pe=1e6))]
        assert f"at every frequency of the bass travel stops both and {said}." in " ".join(
            _only(pair, same_volume(0.06)).words
        )
