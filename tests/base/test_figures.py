"""Numbers as people read them."""

import numpy as np
import pytest

from tsfit.base.figures import InFigures, in_figures, listed


@pytest.mark.parametrize(
    ("value", "told"),
    [
        (30000.0, "30000"),
        (39912.6, "39913"),
        (0.095, "0.095"),
        (135.4, "135.4"),
        (1e-5, "0.00001"),
        (0.0, "0"),
        (None, "-"),
    ],
)
def test_no_number_is_told_in_powers_of_ten(value, told):
    assert in_figures(value) == told


def test_it_writes_as_many_figures_as_are_asked_for():
    """What the general format of floats gives where that needs no power of ten, and the same number where it does."""
    for value in np.geomspace(1e-6, 1e6, 500):
        for figures in (1, 2, 3, 4):
            general, told = f"{value:.{figures}g}", in_figures(value, figures)
            assert "e" not in told
            if value < 10.0**figures or figures < 3:
                assert float(told) == float(general)
            if "e" not in general:
                assert told == general
            assert in_figures(-value, figures) == f"-{told}"
            assert in_figures(value, figures, sign="+") == f"+{told}"
    assert (in_figures(56.0, 3, zeros=True), in_figures(56.0, 3)) == ("56.0", "56")


def test_sentences_are_filled_in_the_same_way():
    told = InFigures().format("{low:.3g} to {high:.2g} Hz, {change:+.2g} %, {count} of {rate:g}", low=1234.0, high=20500.0,
                              change=120.4, count=3, rate=48000.0)  # fmt: skip
    assert told == "1234 to 20000 Hz, +120 %, 3 of 48000"


def test_words_stand_in_a_row():
    assert [listed(["a", "b", "c"][:n]) for n in (1, 2, 3)] == ["a", "a and b", "a, b and c"]
