"""The tables of a check: names, digits and units of the figures; what a sheet says against itself."""

from dataclasses import replace

import pytest
from helpers.made_fit import made_fit

from tsfit.check.boxes import check_sheet
from tsfit.check.consistency import consistency
from tsfit.cli.check.tables import print_alone, print_result
from tsfit.formats.sheet import read_sheet

HEAD = '[driver]\nname = "Wagtail 8"\n[published]\n'


@pytest.fixture
def sheet(tmp_path):
    def write(figures):
        path = tmp_path / "sheet.toml"
        path.write_text(HEAD + "".join(f'{name} = "{value}"\n' for name, value in figures.items()))
        return read_sheet(path)

    return write


def test_figures_stand_in_the_units_of_the_trade_with_the_digits_of_the_print(sheet, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "200")
    fit, read = made_fit(), sheet({"Re": "5.7 ohm", "Vas": "0.055 m^3", "Mms": "32.2 g", "sensitivity_1W": "89.1 dB"})
    print_result(fit, read, check_sheet(fit, read))
    rows = {line.split()[0].rstrip(","): line.split() for line in capsys.readouterr().out.splitlines() if line.split()}
    assert rows["Re"][1:3] == ["Ω", "5.7"]
    assert rows["Vas"][1:3] == ["l", "55"]
    assert rows["Mms"][1:3] == ["g", "32.2"]
    assert rows["SPL"][:4] == ["SPL", "1", "W", "89.1"]
    assert float(rows["Vas"][3]) == pytest.approx(1e3 * fit.parameters["Vas"].value, rel=5e-3)


def test_the_sheet_of_another_driver_is_doubted_before_anything_is_sent_back(sheet, capsys):
    """A wrong file is the likeliest cause where the names differ; a driver of one's own name may be inside all the same."""
    fit = made_fit()
    doubted = f"The names differ; make sure that this is the sheet of {fit.driver.name} before anything is sent back."
    cases = (("Other 15", "9.9 ohm", True), (fit.driver.name, "9.9 ohm", False), ("Other 15", "5.7 ohm", False))
    for name, re_ohm, said in cases:
        read = replace(sheet({"Re": re_ohm}), name=name)
        print_result(fit, read, check_sheet(fit, read))
        assert (doubted in " ".join(capsys.readouterr().out.split())) == said


@pytest.mark.parametrize(
    ("qts", "said"), [("0.40", "agree with each other"), ("0.46", "contradicts itself"), (None, "undecided")]
)
def test_a_sheet_alone(sheet, qts, said, capsys):
    read = sheet({"Qms": "3.9", "Qes": "0.44", **({} if qts is None else {"Qts": qts})})
    print_alone(read, consistency(read))
    out = " ".join(capsys.readouterr().out.split())
    assert said in out
    assert ("Qts 0.395" in out) == (qts is None)
