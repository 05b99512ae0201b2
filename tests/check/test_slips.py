import pytest

from tsfit.check.consistency import consistency
from tsfit.driver.parameters import PARAMETERS
from tsfit.driver.units import display, parse_printed
from tsfit.formats.sheet import Sheet, empty_sheet, read_sheet

# The driver of test_consistency.py, worked there by hand.
TRUE = {
    "Re": "5.70 ohm", "Fs": "31.5 Hz", "Qms": "3.90", "Qes": "0.420", "Qts": "0.379", "Vas": "63.0 l", "Mms": "32.0 g",
    "Cms": "0.798 mm/N", "Rms": "1.62 N*s/m", "Bl": "9.27 T*m", "Sd": "236 cm^2", "diameter": "17.3 cm",
    "sensitivity_1W": "88.6 dB", "Xmax": "6.0 mm",
}  # fmt: skip


def sheet(**figures: str) -> Sheet:
    return Sheet("Wagtail 8", {name: parse_printed(text, PARAMETERS[name].unit, name) for name, text in figures.items()})


@pytest.mark.parametrize(
    ("figure", "printed", "meant", "words"),
    [
        ("Vas", "2.225 l", 63.0, "cubic feet were taken for litres"),
        ("Vas", "63.0 ft^3", 63.0, "litres were taken for cubic feet"),
        ("Vas", "630 l", 63.0, "factor of 10"),
        ("Cms", "0.798 m/N", 0.798, "factor of 1000"),
        ("Cms", "0.798 um/N", 0.798, "factor of 1000"),
        ("Mms", "3.20 g", 32.0, "factor of 10"),
        ("Mms", "29.9 g", 32.0, "without the air"),  # (8/3) 1.204 kg/m³ (8.67 cm)³ = 2.09 g
        ("Mms", "1.129 g", 32.0, "ounces were taken for grams"),
        ("Sd", "36.58 cm^2", 236.0, "square inches"),
        ("Sd", "944 cm^2", 236.0, "diameter in place of the radius"),
        ("Sd", "59.0 cm^2", 236.0, "radius in place of the diameter"),
        ("diameter", "8.67 cm", 17.34, "it is the radius"),
        ("diameter", "6.82 cm", 17.32, "inches"),
        ("diameter", "17.3 in", 17.3, "centimetres were taken for inches"),
        ("diameter", "173 in", 17.3, "millimetres were taken for inches"),
        ("Sd", "236 in^2", 236.0, "square centimetres were taken for square inches"),
        ("Bl", "92.7 T*m", 9.27, "factor of 10"),
        ("Rms", "162 N*s/m", 1.62, "factor of 100"),
        ("Xmax", "6 inch", 6.0, "inches were written for millimetres"),
        ("Fs", "315 Hz", 31.5, "factor of 10"),
        ("Xmax", "22.0 mm", 11.0, "from peak to peak"),
        ("Pe", "3000 W", 1500.0, "a power of peaks"),
        ("Pe", "0.15 W", 150.0, "factor of 1000"),
        ("Xmax", "6.0 m", 6.0, "factor of 1000"),
        ("Xmax", "6.0 cm", 6.0, "centimetres were given for millimetres"),
        ("Sd", "23600 cm^2", 236.0, "square millimetres"),
        ("Sd", "0.0236 cm^2", 236.0, "square metres"),
        ("Sd", "236 mm^2", 236.0, "factor of 100"),
    ],
)
def test_a_slip_is_suspected_and_named(figure, printed, meant, words):
    (found,) = consistency(sheet(**{**TRUE, figure: printed})).suspicions
    assert found.figure == figure
    assert display(figure, found.meant)[0] == pytest.approx(meant, rel=2e-3)
    assert words in found.reason


FEW = ("Re", "Fs", "Qms", "Qes", "Mms", "Sd", "Vas", "Xmax")


@pytest.mark.parametrize(
    ("figure", "printed", "meant", "words"),
    [
        ("Mms", "32.0 kg", 32.0, "factor of 1000"), ("Mms", "0.0320 g", 32.0, "factor of 1000"),
        ("Mms", "1.129 g", 32.0, "ounces"), ("Mms", "32.0 oz", 32.0, "grams were taken for ounces"),
        ("Sd", "23600 cm^2", 236.0, "square millimetres"), ("Sd", "236 mm^2", 236.0, "factor of 100"),
        ("Sd", "0.0236 cm^2", 236.0, "square metres"), ("Vas", "0.0630 l", 63.0, "factor of 1000"),
        ("Vas", "63.0 m^3", 63.0, "factor of 1000"), ("Vas", "2.225 l", 63.0, "cubic feet"),
        ("Fs", "315 Hz", 31.5, "factor of 10"),
    ],
)  # fmt: skip
def test_a_slip_that_several_figures_could_explain_is_named_by_what_drivers_are_like(figure, printed, meant, words):
    """With one relation between all that is printed any of four may be wrong; only one of them leaves a driver."""
    told = sheet(**{name: TRUE[name] for name in FEW} | {figure: printed})
    result = consistency(told)
    assert result.contradictions
    (found,) = result.suspicions
    assert (found.figure, display(figure, found.meant)[0]) == (figure, pytest.approx(meant, rel=2e-3))
    assert words in found.reason


@pytest.mark.parametrize(("one", "other"), [("Qms", "Qes"), ("Qms", "Qts"), ("Qes", "Qts")])
def test_two_that_were_swapped_are_both_named(one, other):
    found = consistency(sheet(**{**TRUE, one: TRUE[other], other: TRUE[one]})).suspicions
    assert [(item.figure, item.reason) for item in found] == [
        (one, f"swapped with {other}"), (other, f"swapped with {one}"),
    ]  # fmt: skip
    assert [item.meant for item in found] == [float(TRUE[one]), float(TRUE[other])]


def test_a_fair_sheet_is_not_suspected():
    assert not consistency(sheet(**TRUE)).suspicions


def test_an_error_that_is_no_slip_is_not_called_one():
    result = consistency(sheet(**{**TRUE, "Bl": "12.0 T*m"}))
    assert result.contradictions
    assert not result.suspicions


def test_a_figure_that_nothing_else_checks_is_held_against_all_drivers():
    (found,) = consistency(sheet(Re="5.7 ohm", Fs="31.5 Hz", Cms="0.8 m/N")).suspicions
    assert (found.figure, found.meant) == ("Cms", pytest.approx(0.8e-3))


@pytest.mark.parametrize("text", ["12.0 mm p-p", "12.0 mm pp", "12.0 mm peak-to-peak", "12.0 mm (peak to peak)"])
def test_travel_from_peak_to_peak_is_halved(tmp_path, text):
    path = tmp_path / "sheet.toml"
    path.write_text(f'[driver]\nname = "x"\n[published]\nXmax = "{text}"\n')
    printed = read_sheet(path).figures["Xmax"]
    assert (printed.value, printed.half_digit) == (pytest.approx(6e-3), pytest.approx(0.025e-3))
    path.write_text('[driver]\nname = "x"\n[published]\nXmax = "±6.0 mm"\n')
    assert read_sheet(path).figures["Xmax"].value == pytest.approx(6e-3)


def test_what_is_not_printed_is_derived_with_the_interval_of_the_rounding():
    found = {item.name: item for item in consistency(sheet(Qms="4.0", Qes="0.50", Fs="40 Hz")).derived}
    # By hand: 3.95·0.495/4.445 = 0.43988 and 4.05·0.505/4.555 = 0.44901; 39.5/0.505 = 78.2, 40.5/0.495 = 81.8.
    assert found["Qts"].interval == pytest.approx((0.43988, 0.44901), abs=1e-5)
    assert found["Qts"].value == pytest.approx(4.0 * 0.5 / 4.5)
    assert found["EBP"].interval == pytest.approx((78.22, 81.82), abs=0.01)
    assert found["Qts"].derived_from == ("Qms", "Qes")
    assert set(found) == {"Qts", "EBP"}


def test_the_template_is_a_sheet_that_agrees_with_itself(tmp_path):
    path = tmp_path / "sheet.toml"
    lines = [line[2:] if line.startswith("# ") and " = " in line else line for line in empty_sheet().splitlines()]
    path.write_text("\n".join(lines))
    filled = read_sheet(path)
    assert len(filled.figures) == 20
    assert not consistency(filled).contradictions


def test_a_short_term_power_below_the_continuous_one_is_told_as_swapped():
    (found,) = consistency(sheet(**TRUE, Pe="300 W", Ppeak="150 W")).suspicions
    assert (found.figure, found.meant) == ("Pe", 150.0)
    assert "swapped with the short-term power" in found.reason
