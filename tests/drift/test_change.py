"""What changed between two fits: shared inputs cancel, common conditions, E_n, and what cannot be compared."""

from dataclasses import replace

import numpy as np
import pytest
from helpers.made_histories import FRESH, MASS, RANDOM, REPEAT, RIG, made_fit

from tsfit.base.errors import TsfitError
from tsfit.drift.change import USUAL, Repeatability, causes_of, compare
from tsfit.drift.entry import entry_of
from tsfit.driver.air import Air

STEADY = Repeatability(np.zeros(5), 0)
USUALLY = Repeatability(np.array(USUAL), 0)


def _entry(rng, errors=(0.0, 0.0), hours=0.0, **options):
    truth = {**FRESH, **options.pop("truth", {})}
    return entry_of(made_fit(truth, rng, errors, **options), hours)


def test_stated_uncertainty_of_a_difference_is_what_differences_scatter():
    rng = np.random.default_rng(3)
    deltas, stated = [], []
    for _ in range(400):
        errors = rng.standard_normal(2)
        change = compare(_entry(rng, errors), _entry(rng, errors), STEADY)
        deltas.append([one.change for one in change.causes.values()])
        stated.append([one.stdev for one in change.causes.values()])
    # 400 draws know a standard deviation to 3.5 % (1/√(2·400)); the coil's has a reading of 0.5 K beside the fits'.
    assert np.std(deltas, axis=0)[:4] == pytest.approx(np.mean(stated, axis=0)[:4], rel=0.12)


def test_a_mass_of_its_own_does_not_cancel():
    rng = np.random.default_rng(4)
    one, other = _entry(rng), _entry(rng)
    heavier = {key if "mass" not in key else "mass:0.06": shifts for key, shifts in other.systematic.items()}

    unlike = replace(other, systematic=heavier)
    same, different = (compare(one, two, STEADY).causes for two in (other, unlike))
    expected = np.hypot(same["moving mass"].stdev, np.sqrt(2.0) * MASS)
    assert different["moving mass"].stdev == pytest.approx(expected, rel=0.01)
    assert same["moving mass"].stdev == pytest.approx(np.sqrt(2.0) * RANDOM["Mms"], rel=0.01)


def test_another_rig_does_not_cancel_and_is_said():
    rng = np.random.default_rng(5)
    one, same, other = _entry(rng), _entry(rng), _entry(rng, rig="another")
    here, there = compare(one, same, STEADY), compare(one, other, STEADY)
    assert "other_rig" in [note.code for note in there.notes]
    assert not here.notes
    within = here.causes["coil temperature"].stdev
    assert there.causes["coil temperature"].stdev == pytest.approx(np.hypot(within, np.sqrt(2.0) * RIG), rel=0.01)


@pytest.mark.parametrize(
    ("parameter", "used", "beyond"),
    [
        ("Cms", (0.7, 1.1, 1.6), (0.3, 2.5, 40.0)), ("Mms", (0.95, 1.1), (0.5, 1.5)), ("Bl", (0.9, 1.02), (0.5, 1.5)),
        ("Rms", (0.6, 1.8), (0.1, 5.0)), ("Re", (0.9, 1.2), (0.5, 2.0)),
    ],
)  # fmt: skip
def test_what_no_use_changes_is_no_drift(parameter, used, beyond):
    def notes(factor):
        rng = np.random.default_rng(8)
        other = _entry(rng, truth={parameter: factor * FRESH[parameter]}, hours=10.0)
        return [note for note in compare(_entry(rng), other, USUALLY).notes if note.code == "beyond_use"]

    assert not any(notes(factor) for factor in (*used, 1.0))
    for factor in beyond:
        (note,) = notes(factor)
        assert f"{parameter} by " in note.message
        assert "another one" in note.message


def test_a_softer_suspension_is_nothing_but_compliance():
    rng = np.random.default_rng(6)
    change = compare(_entry(rng), _entry(rng, truth={"Cms": 1.15 * FRESH["Cms"]}, hours=10.0), USUALLY)
    found = change.causes
    assert [name for name, one in change.causes.items() if one.beyond_repeatability] == ["compliance"]
    assert found["compliance"].change == pytest.approx(0.15, abs=0.01)
    assert found["compliance"].e_n == pytest.approx(np.log(1.15) / (2.0 * found["compliance"].stdev / 1.15), rel=0.05)
    assert change.figures["Fs"].change == pytest.approx(1.15**-0.5 - 1.0, abs=0.004)
    assert change.figures["Vas"].change == pytest.approx(0.15, abs=0.01)
    assert change.figures["Qes"].change == pytest.approx(1.15**-0.5 - 1.0, abs=0.012)


def test_a_warm_coil_is_no_change_of_the_motor():
    rng = np.random.default_rng(7)
    warm = {"Re": FRESH["Re"] * (1.0 + 0.00393 * 8.0)}
    found = compare(_entry(rng), _entry(rng, truth=warm), USUALLY).causes
    assert found["coil temperature"].beyond_repeatability
    assert found["coil temperature"].kelvin == pytest.approx(8.0, abs=0.7)
    assert not found["motor"].beyond_repeatability
    # With the air as warm as the coil it is no change at all, only the suspension is warned about.
    change = compare(_entry(rng), _entry(rng, truth=warm, air=Air(temperature_c=28.0)), USUALLY)
    assert not change.causes["coil temperature"].beyond_repeatability
    assert [note.code for note in change.notes] == ["suspension_temperature"]


def test_thin_air_moves_less_mass():
    rng = np.random.default_rng(8)
    valley, mountain = (causes_of(_entry(rng, air=Air(pressure_hpa=p))).values for p in (1013.25, 750.0))
    # Free air of 1.2 kg/m³ on a cone of 515 cm²: (8/3)·1.2·0.128³ = 6.7 g; a quarter of it of 97 g is 1.8 %.
    assert mountain[1] - valley[1] == pytest.approx(0.018, abs=0.006)


def test_without_a_mass_it_is_taken_as_unchanged_and_said():
    rng = np.random.default_rng(9)
    softer = {"Cms": 1.15 * FRESH["Cms"]}
    change = compare(_entry(rng), _entry(rng, truth=softer, with_mass=False), USUALLY)
    assert "moving mass" not in change.causes
    assert "mass_assumed" in [note.code for note in change.notes]
    assert change.causes["compliance"].change == pytest.approx(0.15, abs=0.01)
    assert [name for name, one in change.causes.items() if one.beyond_repeatability] == ["compliance"]


def test_repeats_that_scatter_widen_the_difference():
    rng = np.random.default_rng(10)
    one, other = _entry(rng), _entry(rng, truth={"Cms": 1.03 * FRESH["Cms"]})
    assert compare(one, other, USUALLY).causes["compliance"].beyond_repeatability
    rough = Repeatability(np.full(5, 0.03), 5)
    found = compare(one, other, rough).causes["compliance"]
    assert not found.beyond_repeatability
    assert found.stdev == pytest.approx(1.03 * np.sqrt(2.0) * 0.03, rel=0.01)
    assert REPEAT["Cms"] < 0.03


def test_another_coil_model_is_said():
    rng = np.random.default_rng(11)
    change = compare(_entry(rng), _entry(rng, coil="simple"), USUALLY)
    assert "other_model" in [note.code for note in change.notes]


def test_fits_that_do_not_tell_what_they_share():
    rng = np.random.default_rng(12)
    old = entry_of(replace(made_fit(FRESH, rng, (0.0, 0.0)), systematic={}), 0.0)
    change = compare(old, _entry(rng), STEADY)
    assert "shared_unknown" in [note.code for note in change.notes]
    assert change.causes["moving mass"].stdev > MASS


def test_another_driver_is_refused():
    rng = np.random.default_rng(13)
    with pytest.raises(TsfitError) as caught:
        compare(_entry(rng), _entry(rng, name="Saltwit 12 B"), USUALLY)
    assert caught.value.code == "other_driver"
