from dataclasses import replace

import numpy as np
import pytest
from helpers.made_fit import made_driver, made_fit

from tsfit.base.errors import TsfitError
from tsfit.check.lot import CONFIDENCE, FRACTION, check_lot, judge_lot
from tsfit.driver.parameters import PARAMETERS
from tsfit.driver.units import parse_printed
from tsfit.formats.sheet import Sheet


def fits(*fs: float, **changes):
    return [made_fit(replace(made_driver(Fs=f, **changes), serial=f"no {k}")) for k, f in enumerate(fs)]


def figure(lot, name):
    return next(item for item in lot if item.name == name)


def test_spread_is_that_of_the_samples():
    item = figure(judge_lot(fits(30.0, 33.0, 36.3)), "Fs")
    # Steps of ln 1.1 = 0.09531 around 33.
    assert item.mean == pytest.approx(33.0)
    assert item.spread_percent == pytest.approx(9.531, abs=1e-3)
    assert item.measurement_percent == pytest.approx(0.2)
    assert item.tolerance_interval[0] * item.tolerance_interval[1] == pytest.approx(33.0**2)
    assert item.outlier is None


def test_the_sample_that_stands_out_is_named():
    item = figure(judge_lot(fits(33.0, 33.1, 32.9, 33.05, 32.95, 38.0)), "Fs")
    assert item.outlier == 5


def test_a_lot_is_held_against_its_sheet():
    def verdict(text, *fs):
        printed = Sheet("x", {"Fs": parse_printed(text, PARAMETERS["Fs"].unit, "Fs")})
        return figure(judge_lot(fits(*fs), printed, {"Fs": 0.10}), "Fs").verdict

    even = (32.9, 33.0, 33.1, 33.0, 32.95, 33.05)
    assert verdict("33.0 Hz", *even) == "inside"
    assert verdict("37.5 Hz", *even) == "outside"
    assert verdict("33.0 Hz", 30.5, 33.0, 35.5) == "undecided"


def test_the_interval_holds_what_it_says_as_often_as_it_says():
    rng = np.random.default_rng(3)
    from scipy.stats import norm

    from tsfit.check.lot import howe_factor

    for count in (3, 5, 10):
        x = rng.normal(size=(4000, count))
        reach = howe_factor(count) * x.std(axis=1, ddof=1)
        held = norm.cdf(x.mean(axis=1) + reach) - norm.cdf(x.mean(axis=1) - reach)
        # 4,000 draws: a standard deviation of 0.35 %; Howe's own error is within another percent.
        assert np.mean(held >= FRACTION) == pytest.approx(CONFIDENCE, abs=0.02)


def test_a_lone_sample_is_no_lot():
    with pytest.raises(TsfitError, match="two samples or more"):
        judge_lot(fits(33.0))


def test_copies_of_a_fit_count_once():
    two = fits(30.0, 33.0)
    lot = check_lot([two[0], *[two[1]] * 200])
    assert (lot.samples, lot.copies) == (("no 0", "no 1"), 200 - 1)
    assert check_lot(two).copies is None
    with pytest.raises(TsfitError):
        check_lot([two[0]] * 200)
