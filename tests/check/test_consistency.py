import math
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tsfit.base.forms import plain
from tsfit.check.consistency import consistency, contradictions, relations_of
from tsfit.driver.formulas import complete
from tsfit.driver.parameters import PARAMETERS
from tsfit.driver.units import parse_printed
from tsfit.formats.sheet import Sheet


def sheet(**figures: str) -> Sheet:
    return Sheet("Wagtail 8", {name: parse_printed(text, PARAMETERS[name].unit, name) for name, text in figures.items()})


# One driver, worked by hand from Re 5.70 ohm, Fs 31.5 Hz, Qms 3.90, Qes 0.420, Mms 32.0 g, Sd 236 cm² and ρc² = 141.9 kPa:
# Qts = 0.3792, Cms = 0.7977 mm/N, Rms = 1.6240 N·s/m, Bl = 9.2708 T·m, Vas = 63.0 l, η0 = 0.45 %, 88.6 dB, 90.1 dB.
TRUE = {
    "Re": "5.70 ohm", "Fs": "31.5 Hz", "Qms": "3.90", "Qes": "0.420", "Qts": "0.379", "Vas": "63.0 l", "Mms": "32.0 g",
    "Cms": "0.798 mm/N", "Rms": "1.62 N*s/m", "Bl": "9.27 T*m", "Sd": "236 cm^2", "diameter": "17.3 cm", "EBP": "75.0 Hz",
    "sensitivity_1W": "88.6 dB", "sensitivity_2V83": "90.1 dB",
}  # fmt: skip


def test_a_rounded_sheet_of_one_driver_does_not_contradict_itself():
    result = consistency(sheet(**TRUE))
    assert result.verdict == "inside"
    assert len(result.relations) == 9
    assert {figure for figure, *_ in result.relations} == {
        "Qts", "Qes", "Qms", "Fs", "Vas", "Sd", "EBP", "sensitivity_1W", "sensitivity_2V83",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("figure", "wrong"),
    [
        ("Qts", "0.42"), ("Bl", "10.3 T*m"), ("Rms", "2.1 N*s/m"), ("Sd", "255 cm^2"), ("EBP", "90 Hz"), ("Re", "6.9 ohm"),
        ("Mms", "40.0 g"), ("Fs", "36 Hz"), ("Cms", "0.95 mm/N"), ("Vas", "80 l"), ("Qms", "6.0"), ("Qes", "0.55"),
        ("sensitivity_1W", "91 dB"), ("sensitivity_2V83", "93 dB"), ("diameter", "18.5 cm"),
    ],
)  # fmt: skip
def test_one_wrong_figure_is_found_and_named(figure, wrong):
    found = contradictions(sheet(**{**TRUE, figure: wrong}))
    assert found
    assert all(figure in item.figures for item in found)
    assert {item.suspect for item in found} == {figure}


def test_the_machine_form_gives_printed_and_implied():
    (found,) = contradictions(sheet(Qms="4.0", Qes="0.50", Qts="0.60"))
    data = plain(found)
    # By hand: 3.95·0.495/4.445 = 0.43988 and 4.05·0.505/4.555 = 0.44901.
    assert data == {
        "sentence": "Qts is printed as 0.60, but Qms and Qes make it 0.4399 to 0.449.",
        "relation": "Qts(Qms, Qes)",
        "printed": 0.6,
        "implied": pytest.approx(0.444445, abs=1e-5),
        "implied_range": pytest.approx([0.43988, 0.44901], abs=1e-5),
        "figures": ["Qts", "Qms", "Qes"],
        "suspect": None,
        "possible": ["Qes", "Qts"],
    }


def test_other_units_are_said_in_those_of_the_trade_too():
    found = contradictions(sheet(Fs="31.5 Hz", Mms="32.0 g", Sd="236 cm^2", Vas="4.6 ft^3"))
    assert found[0].sentence.startswith("Vas is printed as 4.6 ft^3 (130.3 l), but Fs and Mms and Sd make it ")
    assert found[0].sentence.endswith(" l.")


# By hand: 3.95·0.495/4.445 = 0.43988 to 4.05·0.505/4.555 = 0.44901; a printed 0.439 reaches up to 0.4395 and 0.450 down
# to 0.4495.
@pytest.mark.parametrize(("printed", "broken"), [("0.440", False), ("0.439", True), ("0.448", False), ("0.450", True)])
def test_intervals_that_only_touch_by_their_rounding_do_not_contradict(printed, broken):
    assert bool(contradictions(sheet(Qms="4.0", Qes="0.50", Qts=printed))) is broken


def test_what_is_not_printed_is_bridged():
    relations = relations_of(sheet(Fs="31.5 Hz", Mms="32.0 g", Sd="236 cm^2", Vas="63.0 l").figures)
    assert relations == [("Vas", "Fs", "Mms", "Sd")]
    assert not contradictions(sheet(Fs="31.5 Hz", Mms="32.0 g", Sd="236 cm^2", Vas="63.0 l"))
    assert contradictions(sheet(Fs="31.5 Hz", Mms="32.0 g", Sd="236 cm^2", Vas="70.0 l"))


def test_nothing_to_compare_is_undecided():
    result = consistency(sheet(Re="5.7 ohm", Fs="31.5 Hz"))
    assert (result.verdict, result.relations, result.contradictions) == ("undecided", (), ())


@pytest.mark.parametrize("q", ["Qms", "Qes"])
def test_a_total_q_above_its_part_is_a_contradiction(q):
    (found,) = contradictions(sheet(Qts="0.55", **{q: "0.50"}))
    assert (found.figures, found.implied_range) == (("Qts", q), (0.0, 0.505))


def test_a_level_beyond_any_qes_is_a_contradiction():
    # Qes is above Qts: with Qts in its place the level of the driver above is 10·lg(0.420/0.379) = 0.45 dB too high, and
    # rounding and slack of 0.5 dB and 1.5 % come on top.
    figures = {name: TRUE[name] for name in ("Fs", "Vas", "Qts")}
    assert not contradictions(sheet(**figures, sensitivity_1W="89.5 dB"))
    (found,) = contradictions(sheet(**figures, sensitivity_1W="91.0 dB"))
    assert found.figures[1:] == ("Fs", "Vas", "Qts")
    assert found.sentence.startswith("sensitivity_1W is printed as 91.0 dB, but Fs and Vas and Qts make it at most 89.")
    assert contradictions(sheet(**figures, Re="5.70 ohm", sensitivity_2V83="92.5 dB"))


def test_a_watt_may_be_one_into_the_rated_impedance():
    figures = {name: TRUE[name] for name in ("Re", "Fs", "Qes", "Vas")}
    assert contradictions(sheet(**figures, sensitivity_1W="90.1 dB"))
    # 8 ohm rated: 10·lg(8/5.7) = 1.47 dB more than 1 W into Re.
    assert not contradictions(sheet(**figures, sensitivity_1W="90.1 dB", Znom="8 ohm"))
    assert contradictions(sheet(**figures, sensitivity_1W="92.5 dB", Znom="8 ohm"))
    # A name, not 3.5 to 4.5 ohm: 10·lg(4/3.4) = 0.71 dB above the 88.6 dB, and 0.9 dB more is too much.
    (found,) = contradictions(sheet(**{**figures, "Re": "3.40 ohm"}, sensitivity_1W="90.2 dB", Znom="4 ohm"))
    told = r"make it (\S+) to (\S+) dB for 1 W into Re, (\S+) to (\S+) dB for 1 W into Znom"
    ends = re.search(told, found.sentence).groups()
    # η0 = 4.579e-3 in air of 20 °C: 88.77 dB, ±0.03 of rounding and ±0.5 of slack.
    assert [float(end) for end in ends] == pytest.approx([88.24, 89.30, 88.94, 90.01], abs=0.06)


def test_usual_reference_airs_do_not_make_a_contradiction():
    # 1.18 kg/m³ · (345 m/s)² = 140.4 kPa and 1.21 · 340² = 139.9 kPa are both in use (common practice, no source).
    for stiffness in (1.18 * 345.0**2, 1.21 * 340.0**2, 1.204 * 343.2**2):
        vas = 1e3 * stiffness * 0.0236**2 * 0.798e-3
        assert not contradictions(sheet(Sd="236.0 cm^2", Cms="0.7980 mm/N", Vas=f"{vas:.2f} l"))


def test_two_wrong_figures_leave_no_single_suspect():
    found = contradictions(sheet(**{**TRUE, "Qts": "0.42", "Cms": "0.95 mm/N"}))
    assert len(found) >= 3
    assert {item.suspect for item in found} == {None}


PRINT = {"Re": ("ohm", 1), "Fs": ("Hz", 1), "Qms": ("", 1), "Qes": ("", 1), "Qts": ("", 1), "Vas": ("l", 1e3),
         "Mms": ("g", 1e3), "Cms": ("mm/N", 1e3), "Rms": ("N*s/m", 1), "Bl": ("T*m", 1), "Sd": ("cm^2", 1e4),
         "EBP": ("Hz", 1), "sensitivity_1W": ("dB", 1), "sensitivity_2V83": ("dB", 1)}  # fmt: skip


@settings(derandomize=True, max_examples=40, deadline=None, database=None)
@given(
    st.floats(2.0, 15.0), st.floats(15.0, 900.0), st.floats(1.0, 15.0), st.floats(0.15, 2.0), st.floats(1e-3, 0.3),
    st.floats(2e-3, 0.15), st.integers(2, 4),
)  # fmt: skip
def test_rounding_alone_never_contradicts(re, fs, qms, qes, mms, sd, digits):
    figures = complete({"Re": re, "Fs": fs, "Qms": qms, "Qes": qes, "Mms": mms, "Sd": sd})
    texts = {}
    for name, (unit, factor) in PRINT.items():
        shown = float(figures[name]) * factor
        decimals = digits - 1 - math.floor(math.log10(abs(shown)))
        texts[name] = f"{round(shown, decimals):.{max(decimals, 0)}f} {unit}"
        if decimals < 0:
            texts[name] = f"{shown:.{digits - 1}e} {unit}"
    assert not contradictions(sheet(**texts))
