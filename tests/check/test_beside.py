"""Two sheets side by side: differences and effects worked by hand."""

import pytest

from tsfit.base.errors import TsfitError
from tsfit.check.beside import EFFECTS, beside
from tsfit.driver.parameters import PARAMETERS, PUBLISHED
from tsfit.driver.units import parse_printed
from tsfit.formats.sheet import Sheet

OLD = {
    "Re": "5.70 ohm", "Fs": "31.5 Hz", "Qms": "3.90", "Qes": "0.420", "Vas": "63.0 l", "Sd": "236 cm^2", "Xmax": "6.0 mm",
    "Pe": "150 W", "Le": "0.90 mH", "Bl": "9.27 T*m", "sensitivity_1W": "88.6 dB",
}  # fmt: skip


def sheet(name, figures):
    printed = {key: parse_printed(text, PARAMETERS[key].unit, key) for key, text in figures.items()}
    return Sheet(name, printed, file=f"{name}.toml")


def effects(**changes):
    return {one.name: one for one in beside(sheet("Old 8", OLD), sheet("New 8", {**OLD, **changes})).figures}


@pytest.mark.parametrize(
    ("name", "printed", "percent", "words"),
    [
        ("Re", "2.85 ohm", -50.0, "+3.0 dB at equal volts"),
        ("Fs", "28.35 Hz", -10.0, "10 % lower"),
        ("Vas", "31.5 l", -50.0, "50 % smaller"),
        ("Qes", "0.210", -50.0, "stronger motor: +3.0 dB"),
        ("Xmax", "12.0 mm", 100.0, "+6.0 dB by travel"),
        ("Pe", "300 W", 100.0, "+3.0 dB by power"),
        ("Sd", "472 cm^2", 100.0, "+6.0 dB at equal travel"),
        ("Le", "0.45 mH", -50.0, "from 2016 Hz up, not 1008"),  # Re/(2π Le), 5.7 ohm
        ("Bl", "4.635 T*m", -50.0, "-6.0 dB, Qes +300 %"),
        ("Xmax", "6.0 mm", 0.0, "the same"),
        ("Pe", "151 W", 100.0 / 150.0, "the same"),  # a printed 150 may be 145 to 155
    ],
)
def test_each_difference_is_told_with_what_it_does_alone(name, printed, percent, words):
    found = effects(**{name: printed})[name]
    assert found.difference_percent == pytest.approx(percent, abs=1e-9)
    assert words in found.effect


def test_another_qts_is_told_in_litres():
    """63.0 l/((0.707/0.379)² − 1) = 25.4 l; with 0.300 it is 63/((0.707/0.3)² − 1) = 13.8 l."""
    found = {
        one.name: one for one in beside(sheet("a", {**OLD, "Qts": "0.379"}), sheet("b", {**OLD, "Qts": "0.300"})).figures
    }
    assert found["Qts"].effect == "closed 14 l, not 25 l"


def test_levels_differ_by_db_and_what_one_sheet_lacks_comes_last():
    found = beside(sheet("Old 8", OLD), sheet("New 8", {**OLD, "sensitivity_1W": "90.1 dB", "Ppeak": "300 W"}))
    assert found.figures[-1].effect == "printed by New 8 only"
    level = next(one for one in found.figures if one.name == "sensitivity_1W")
    assert (level.difference_percent, level.difference_db) == (None, pytest.approx(1.5))


def test_together_they_are_told_by_level_litres_and_tuning():
    """Half of the Re at one Qes: 3.0 dB at the same volts, none at the same watts, and the same boxes."""
    same = beside(sheet("Old 8", {**OLD}), sheet("New 8", {**OLD, "Re": "2.85 ohm", "Bl": "6.55 T*m"}))
    assert same.together[0].startswith(
        "As printed, New 8 gives 3.0 dB more level in the mid-band than Old 8 at the same volts"
    )
    closed, vented = same.together[1:]
    assert closed.startswith("In closed boxes of Qtc 0.707: Old 8 25.5 l, f3 ")
    assert "; New 8 25.5 l, f3 " in closed
    assert "tuned to" in vented


def test_a_contradiction_and_too_little_for_a_box_are_said():
    wrong = beside(sheet("Old 8", OLD), sheet("New 8", {**OLD, "Qts": "0.25"}))
    assert wrong.together[0].startswith("The sheet of New 8 contradicts itself (Qts")
    little = beside(sheet("Old 8", {"Fs": "30 Hz"}), sheet("Old 8", {"Fs": "33 Hz"}))
    assert little.together[0].startswith("No box can be told for both: ")
    with pytest.raises(TsfitError, match="prints nothing that a prints too"):
        beside(sheet("a", {"Fs": "30 Hz"}), sheet("b", {"Re": "5 ohm"}))


def test_every_published_parameter_has_its_effect():
    assert set(EFFECTS) == set(PUBLISHED)
