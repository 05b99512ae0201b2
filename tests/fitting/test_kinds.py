"""What is no bare driver is told apart, and no bare driver is accused; the curves are drawn by formulas of their own."""

import os
from dataclasses import replace
from itertools import islice

import numpy as np
import pytest
from helpers import made_things
from helpers.made_things import bare_drivers, crossovers, others, radiators, vented
from helpers.paths import SHARED

from tsfit.base.errors import TsfitError
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.fitting.fit import fit
from tsfit.fitting.kinds import two_peaks, without_peak
from tsfit.formats.curve import read_curve

COUNT = int(os.environ.get("TSFIT_THINGS", "2"))
"""Curves of each kind; TSFIT_THINGS=100 takes a quarter of an hour on one core."""
BELOW = (61, 63, 65, 92)
"""Of a hundred vented boxes those both of whose peaks lie below the sweep, so that it begins as a driver's may."""
TOLD = {"vented": "vented_box", "radiator": "vented_box", "crossover": "loudspeaker", "capacitor": "capacitor"}


def _outcome(curve):
    """Code of the refusal of a curve, or "fitted"."""
    try:
        fit([(curve, State())])
    except TsfitError as refused:
        return refused.code
    return "fitted"


def _told(number, thing):
    return "no_resonance" if thing.kind == "vented" and number in BELOW else TOLD.get(thing.kind, "no_resonance")


@pytest.mark.parametrize("drawn", [vented, radiators, crossovers, others], ids=lambda each: each.__name__)
def test_what_is_no_bare_driver_is_named(drawn):
    for number, thing in enumerate(drawn(COUNT)):
        with pytest.raises(TsfitError) as refused:
            fit([(thing.curve, State())])
        assert refused.value.code == _told(number, thing), thing.drawn
        if thing.kind == "vented":
            assert "vented box" in refused.value.message


@pytest.mark.parametrize("seed", range(6))
def test_a_peak_of_few_points_is_one_of_a_box(seed):
    """At 9 points per octave the upper peak, at 66 Hz, passes for a stray reading beside that at 15 Hz."""
    driver = made_things.Woofer(5.895, 18.49, 6.81, 0.473, 2.93e-4, 7.06, 4.44e-4)
    f = np.geomspace(5.0, 20000.0, int(9 * np.log2(4000.0)))
    air = made_things.vented_air(f, 3.53, driver.fs, 55.4, 19.0, 60.0, 60.0)
    z = made_things.noisy(f, driver.impedance(f, air), np.random.default_rng(seed), 0.007)
    assert _outcome(ImpedanceCurve(f, z, source="vented.txt")) == "vented_box"


@pytest.mark.parametrize(("per_octave", "seeds"), [(9, (0, 53, 95, 126)), (12, (0, 26)), (16, (0,)), (24, (0,))])
def test_noise_and_few_points_hide_no_box(per_octave, seeds):
    """Tuned to half the sweep's beginning; with noise of these seeds among 160 it was once fitted as a driver."""
    driver = made_things.Woofer(4.79, 46.75, 7.47, 1.443, 5.8e-4, 9.43, 2.156e-3)
    f = np.geomspace(40.0, 20000.0, int(per_octave * np.log2(500.0)))
    air = made_things.vented_air(f, 3.38, driver.fs, 20.3, 12.0, 60.0, 60.0)
    for seed in seeds if COUNT < 10 else range(COUNT):
        z = made_things.noisy(f, driver.impedance(f, air), np.random.default_rng(seed), 0.0094)
        assert _outcome(ImpedanceCurve(f, z, source="vented.txt")) == "vented_box", seed


def test_noise_and_few_points_accuse_no_bare_driver():
    rng = np.random.default_rng(8)
    for thing in bare_drivers(2 * COUNT, seed=9):
        f = thing.curve.frequency_hz[:: rng.integers(2, 5)]
        z = made_things.noisy(
            f, thing.curve.impedance_ohm[np.isin(thing.curve.frequency_hz, f)], rng, rng.uniform(1e-3, 1e-2)
        )
        assert _outcome(ImpedanceCurve(f, z, source="bare.txt")) in ("fitted", "short_range"), thing.drawn


@pytest.mark.parametrize("number", [28, 42, 55, 71])
def test_a_crossover_that_no_circuit_fits_is_named_by_its_phase(number):
    """With an equaliser and without one, where the reactance remains negative up to the crossover, or positive beyond."""
    thing = next(islice(crossovers(number + 1), number, None))
    with pytest.raises(TsfitError) as refused:
        fit([(thing.curve, State())])
    assert refused.value.code == "loudspeaker", thing.drawn
    assert "the phase falls back by" in refused.value.message


@pytest.mark.parametrize("number", BELOW)
def test_a_box_with_both_peaks_below_the_sweep_is_a_driver_or_a_box(number):
    """A bare driver whose resonance lies below 40 Hz follows these four curves to 1 %."""
    thing = next(islice(vented(number + 1), number, None))
    low = thing.curve.frequency_hz < 60.0
    assert np.all(np.diff(np.abs(thing.curve.impedance_ohm[low])) < 0.0)
    with pytest.raises(TsfitError) as refused:
        fit([(thing.curve, State())])
    assert refused.value.code == "no_resonance"
    assert "of a driver, or above those of a vented box, that lies lower than the sweep" in refused.value.message


@pytest.mark.parametrize(("number", "tuned"), [(3, 16.1), (32, 25.4), (53, 16.5)])
def test_a_box_that_is_tuned_below_the_sweep_is_named(number, tuned):
    """By the slope at the sweep's beginning alone: from 20, 30 and 40 Hz."""
    thing = next(islice(vented(number + 1), number, None))
    assert tuned < thing.curve.frequency_hz[0]
    assert f"fb {tuned}" in thing.drawn
    with pytest.raises(TsfitError) as refused:
        fit([(thing.curve, State())])
    assert refused.value.code == "vented_box"


def test_no_bare_driver_is_accused():
    for thing in bare_drivers(2 * COUNT):
        assert fit([(thing.curve, State())]).parameters["Fs"].value > 0.0, thing.drawn


def test_a_part_of_the_cone_is_no_box():
    """It rings at four times the resonance in a closed box; the only one of a thousand bare drivers that was accused."""
    thing = next(islice(bare_drivers(805), 804, None))
    assert fit([(thing.curve, State())]).parameters["Fp1"].value == pytest.approx(327.5, rel=0.05)


@pytest.mark.parametrize(
    ("share", "number", "outcome"), [(0.05, 4, "fitted"), (0.05, 6, "fitted"), (0.1, 5, "no_fit"), (0.2, 11, "no_fit")]
)
def test_stray_readings_accuse_no_bare_driver(share, number, outcome):
    """A contact that adds 0.1 to 0.6 of the least impedance to a `share` of the points."""
    thing = next(islice(bare_drivers(number + 1), number, None))
    rng = np.random.default_rng(number)
    z = thing.curve.impedance_ohm.copy()
    hit = rng.random(len(z)) < share
    z[hit] += rng.uniform(0.1, 0.6, np.count_nonzero(hit)) * np.min(np.abs(z))
    assert _outcome(replace(thing.curve, impedance_ohm=z)) == outcome, thing.drawn


def test_no_peak_at_all_says_the_range():
    f = np.geomspace(41.0, 4000.0, 400)
    curve = ImpedanceCurve(f, 6.0 * (1.0 + 10.0 / (1.0 + 4j * (f / 40.0 - 40.0 / f))), source="x.txt")
    assert without_peak(curve).message.startswith(
        "x.txt: no resonance peak between 41 and 4000 Hz, but a fall from the first"
    )
    below = ImpedanceCurve(f[:100], curve.impedance_ohm[:100].conj() / f[:100] ** 0.1, source="x.txt")
    assert without_peak(below).message.startswith("x.txt: no resonance peak between 41 and 127.8 Hz; connect the driver")


def test_a_mass_that_is_loose_is_named():
    """Two masses on two springs: as a vented box is, but in a sweep with a mass on the cone."""
    thing = next(iter(vented(1)))
    refused = two_peaks(thing.curve, State("added mass", mass=0.02, mass_uncertainty=1e-4), 20.0, 60.0)
    assert refused.code == "loose_mass"
    assert "press it on" in str(refused)


def test_the_same_impedance_with_a_port_and_with_a_radiator():
    """Without losses a radiator is a port on another driver, so that one curve cannot tell them apart."""
    f = np.geomspace(10.0, 200.0, 50)
    alpha, fb, fp, fs = 1.2, 30.0, 12.0, 25.0
    # Kappa and the rest of the springs as follow from two masses on three springs, all over that of the driver.
    radiator = made_things.radiator_air(f, alpha, fb, fp, 1e12, 1e12)
    port = made_things.vented_air(f, alpha * (1.0 - (fp / fb) ** 2), fs, fb, 1e12, 1e12, 1e12)
    rest = radiator - port
    assert np.ptp(rest.real) == pytest.approx(0.0, abs=1e-9)
    assert rest.real[0] == pytest.approx(alpha * (fp / fb) ** 2)


@pytest.mark.skipif(not SHARED.is_dir(), reason="shared data with the curves are absent")
@pytest.mark.parametrize(
    ("name", "code"),
    [
        ("curves/vented-box-woofer-c", "vented_box"),
        ("curves/vented-box-woofer-d", "vented_box"),
        ("curves/vented-box-pair-e", "vented_box"),
        ("more-curves/vented-c", "vented_box"),
        ("more-curves/cone-driver-e-mass", "vented_box"),
        ("more-curves/vented-damped-second-peak-b", "vented_box"),
        ("more-curves/two-way-with-crossover-a", "loudspeaker"),
        ("more-curves/resistor-k", "no_resonance"),
        ("more-curves/tweeter-behind-capacitor-d", "capacitor"),
    ],
)
def test_measured_by_others(name, code):
    with pytest.raises(TsfitError) as refused:
        fit([(read_curve(SHARED / f"{name}.txt"), State())])
    assert refused.value.code == code


@pytest.mark.skipif(not SHARED.is_dir(), reason="shared data with the curves are absent")
def test_peaks_far_apart_are_told_as_of_something_loose():
    """A driver with a mass that its source took for loose, given as if it were in plain free air: at 45 and 264 Hz."""
    with pytest.raises(TsfitError) as refused:
        fit([(read_curve(SHARED / "more-curves/cone-driver-e-mass.txt"), State())])
    assert "near 45.3 and 264 Hz" in refused.value.message
    assert "other part of the cone that is loosely stuck" in refused.value.message
