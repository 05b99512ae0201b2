"""Which samples belong together: by what is heard of them in one box."""

import math
from dataclasses import replace

import pytest
from helpers.made_fit import FREE_AIR_ONLY, made_driver, made_fit

from tsfit.check.lot import check_lot


def fits(*fs: float):
    return [made_fit(replace(made_driver(Fs=f), serial=f"no {k}")) for k, f in enumerate(fs)]


def test_pairs_follow_the_box_and_not_qts():
    first = made_driver()
    soft = 1.0 / math.sqrt(1.25)
    softer = made_driver(Fs=first.Fs * soft, Qms=first.Qms * soft, Qes=first.Qes * soft)
    # The third has the Qts of the first, and a cone of another mass: another efficiency and box.
    heavier = made_driver(Mms=1.25 * first.Mms)
    names = ("first", "softer", "heavier")
    lot = [made_fit(replace(driver, serial=name)) for driver, name in zip((first, softer, heavier), names, strict=True)]
    result = check_lot(lot)
    assert heavier.Qts == pytest.approx(first.Qts)
    assert abs(softer.Qts / first.Qts - 1.0) > 0.1
    assert [pair.samples for pair in result.best_pairs] == [(0, 1)]
    assert result.verdict == "undecided"


def test_the_chosen_pairs_use_every_sample_and_are_the_best_together():
    result = check_lot(fits(30.0, 30.3, 33.0, 33.3))
    assert {frozenset(pair.samples) for pair in result.best_pairs} == {frozenset((0, 1)), frozenset((2, 3))}
    assert len(result.pairs) == 6
    assert [pair.difference_db for pair in result.pairs] == sorted(pair.difference_db for pair in result.pairs)


def test_without_a_moving_mass_there_are_no_pairs():
    lot = [made_fit(made_driver(Mms=None, Sd=None, serial=f"no {k}"), only=FREE_AIR_ONLY) for k in range(2)]
    result = check_lot(lot)
    assert (result.box, result.pairs, result.best_pairs) == ("", (), ())
