"""A driver as a record: what follows from its parameters by hand, and what it takes to make one."""

import math

import pytest

from tsfit.base.errors import TsfitError
from tsfit.driver.record import Driver, driver_from_parameters

HERON = Driver("Heron 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346)
W = 2.0 * math.pi * 31.0


def test_what_follows_is_that_of_newton_and_ohm():
    assert pytest.approx(1.0 / (1.0 / 4.6 + 1.0 / 0.42)) == HERON.Qts
    assert pytest.approx(1.0 / (W**2 * 0.052)) == HERON.Cms
    assert pytest.approx(W * 0.052 / 4.6) == HERON.Rms
    assert pytest.approx(math.sqrt(W * 0.052 * 5.6 / 0.42)) == HERON.Bl
    # ρc² of the reference air is about 1.4 times 101 325 Pa.
    assert pytest.approx(1.4 * 101325.0 * 0.0346**2 * HERON.Cms, rel=0.005) == HERON.Vas


def test_the_circuit_gets_the_terms_of_coil_and_suspension_too():
    driver = Driver("x", 5.0, 30.0, 5.0, 0.5, 0.05, 0.03, "power-law", {"K": 0.01, "n": 0.7}, "log-creep", {"creep": 0.1})
    assert set(driver.values()) == {"Re", "Bl", "Mms", "Cms", "Rms", "Sd", "K", "n", "creep"}


@pytest.mark.parametrize(("lacks", "word"), [("Mms", "added mass"), ("Sd", "effective_diameter_cm")])
def test_what_is_not_known_is_asked_for(lacks, word):
    with pytest.raises(TsfitError, match=word) as refused:
        _ = Driver("x", 5.0, 30.0, 5.0, 0.5, **{"Mms": 0.05, "Sd": 0.03, lacks: None}).Vas
    assert refused.value.code == "incomplete_driver"


def test_a_driver_from_the_parameters_of_a_sheet():
    printed = {"Re": 5.6, "Fs": 31.0, "Qms": 4.6, "Qts": HERON.Qts, "Vas": HERON.Vas, "Sd": 0.0346, "Xmax": 0.006}
    made = driver_from_parameters("Heron 10", printed, where="sheet.toml")
    assert made.Qes == pytest.approx(0.42)
    assert made.Mms == pytest.approx(0.052)
    assert made.Xmax == 0.006


@pytest.mark.parametrize(
    ("figures", "code", "word"),
    [
        (
            {"Re": 5.6, "Fs": 31.0, "Qms": 4.6, "Qes": 0.42},
            "incomplete_driver",
            "Mms, Sd cannot be had from the parameters given; add what is missing of Re, Fs, Qms, Qes, Vas and Sd",
        ),
        ({"Re": 5.6, "Fs": 31.0, "Qms": 4.6, "Qts": 4.6}, "wrong_value", "Qts must be smaller"),
    ],
)
def test_what_makes_no_driver_is_said_with_its_place(figures, code, word):
    with pytest.raises(TsfitError, match=word) as refused:
        driver_from_parameters("x", figures, where="sheet.toml")
    assert refused.value.code == code
    assert refused.value.message.startswith("sheet.toml: ")
