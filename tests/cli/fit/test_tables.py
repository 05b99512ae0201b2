"""The tables of a fit: every parameter with its uncertainty in the unit of the trade, and remarks with their sweep."""

from dataclasses import replace

from helpers.made_fit import made_fit

from tsfit.base.notes import QualityNote
from tsfit.cli.fit.tables import print_fit


def test_parameters_and_remarks(capsys):
    fit = made_fit()
    traced = {**fit.parameters, "Qms": replace(fit.parameters["Qms"], interval_from="profile")}
    notes = (QualityNote("odd_sweep", "warn", "Odd.", 2), QualityNote("budget", "note", "Improve it."))
    print_fit(replace(fit, parameters=traced, quality=notes))
    out = capsys.readouterr().out
    rows = {line.split()[0]: line.split() for line in out.splitlines() if line.split()}
    assert rows["Mms"][-1] == "g"
    assert float(rows["Mms"][1]) == round(1e3 * fit.parameters["Mms"].value, 2)
    assert rows["Vas"][-1] == "l"
    assert "*" in rows["Qms"]
    assert "*" not in rows["Qes"]
    assert "\nwarn: sweep 3: Odd.\nnote: Improve it.\n" in out
