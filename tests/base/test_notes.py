"""Remarks: as JSON holds them for people and programs, which sweep first, and alike where they say the same."""

from tsfit.base.forms import plain
from tsfit.base.notes import QualityNote


def test_a_remark_says_first_which_sweep_it_is_on():
    told = plain(QualityNote("assumed_uncertainty", "note", "No uncertainty of the mass is stated.", 1))
    assert list(told.items()) == [
        ("sweep", 1),
        ("code", "assumed_uncertainty"),
        ("severity", "note"),
        ("message", "No uncertainty of the mass is stated."),
    ]
    assert plain(QualityNote("weak", "warn", "Weak."))["sweep"] is None


def test_the_same_remark_twice_is_one():
    notes = [
        QualityNote("weak", "warn", "Weak."),
        QualityNote("weak", "warn", "Weak."),
        QualityNote("weak", "warn", "Weak.", 2),
    ]
    assert len(dict.fromkeys(notes)) == 2
