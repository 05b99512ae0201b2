"""The tables of a fit: every parameter with its uncertainty in the unit of the trade, and remarks with their sweep."""

from dataclasses import replace

import pytest
from helpers.made_fit import made_fit

from tsfit.base.notes import QualityNote
from tsfit.cli.fit.tables import print_fit


@pytest.fixture(autouse=True)
def wide(monkeypatch):
    monkeypatch.setenv("COLUMNS", "160")


def test_parameters_and_remarks(capsys):
    fit = made_fit()
    traced = {**fit.parameters, "Qms": replace(fit.parameters["Qms"], interval_from="profile")}
    notes = (QualityNote("odd_sweep", "warn", "Odd.", 2), QualityNote("budget", "note", "Improve it."))
    print_fit(replace(fit, parameters=traced, quality=notes))
    lines = capsys.readouterr().out.splitlines()
    rows = {line.split()[0]: line.split() for line in lines if line.split()}
    assert rows["Mms"][-1] == "g"
    assert float(rows["Mms"][1]) == round(1e3 * fit.parameters["Mms"].value, 2)
    assert rows["Vas"][-1] == "l"
    assert "*" in rows["Qms"]
    assert "*" not in rows["Qes"]
    assert lines[-1] == "warn: sweep 3: Odd."
    # The answer comes first: which driver, how surely, what would make it surer, and that something is to be read.
    assert lines[0].startswith(f"{fit.driver.name}: Fs 33.90 ± 0.07 Hz, Qts ")
    assert lines[1:3] == ["Improve it.", "1 warning below: read first."]


def test_as_many_warnings_are_shown_as_are_said_and_the_contradicted_figure_stands_first(capsys):
    codes = ("kramers_kronig", "scatter", "odd_sweep", "other_coil", "dc_resistance")
    notes = tuple(QualityNote(code, "warn", f"Of {code}.") for code in codes)
    print_fit(replace(made_fit(), quality=(*notes, notes[0])))
    lines = capsys.readouterr().out.splitlines()
    assert "5 warnings below: read first." in lines
    assert [line for line in lines if line.startswith("warn:")] == [
        f"warn: Of {code}." for code in (codes[-1], *codes[:-1])
    ]
