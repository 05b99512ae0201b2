"""Remarks: as JSON holds them for people and programs, which sweep first, and alike where they say the same."""

from tsfit.base.forms import plain
from tsfit.base.notes import QualityNote, gathered


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


def test_sweeps_are_named_by_the_ends_of_a_run():
    def place(*numbers):
        return gathered(QualityNote("held", "note", "Held.", k - 1) for k in numbers)[0].sentence

    assert place(2) == "sweep 2: Held."
    assert place(1, 2) == "sweeps 1, 2: Held."
    assert place(9, 1, 2, 3, 5) == "sweeps 1 to 3, 5, 9: Held."
