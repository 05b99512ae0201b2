"""The tables of several fits of one type: who stands out, which belong together, how the type spreads."""

from dataclasses import replace

import pytest
from helpers.made_fit import made_driver, made_fit

from tsfit.check.lot import check_lot
from tsfit.cli.check.tables import MOST_PAIRS, print_lot
from tsfit.formats.sheet import read_sheet

SHEET = '[driver]\nname = "Wagtail 8"\n[published]\nFs = "45 Hz"\nQts = "0.40"\n'


@pytest.fixture(scope="module")
def fits():
    """Six samples alike but for the last, whose Fs is a third higher."""
    fs = (33.8, 33.9, 34.0, 34.1, 34.2, 45.0)
    return [made_fit(replace(made_driver(Fs=each), serial=f"no {k}")) for k, each in enumerate(fs)]


def printed(capsys, lot, *, judged, types=("Wagtail 8",)):
    print_lot(lot, types, judged=judged)
    return capsys.readouterr().out


def test_what_stands_out_is_named_and_no_more_pairs_than_anybody_reads(fits, capsys):
    out = printed(capsys, check_lot(fits), judged=False)
    assert out.startswith("6 samples spread most in Vas (")
    assert printed(capsys, check_lot(fits), judged=False, types=("Wagtail 8", "Heron 10")).startswith(
        "warn: The fits are of "
    )
    assert "no 5 stands out in Fs" in out
    assert "Verdict" not in out
    pairs = [line for line in out.splitlines() if " and " in line and "no " in line.split(" and ")[0]]
    assert 3 <= len(pairs) <= MOST_PAIRS + 3
    assert sum(line.rstrip().endswith("yes") for line in pairs) == 3


def test_against_a_sheet_the_mean_is_judged(fits, capsys, tmp_path, monkeypatch):
    monkeypatch.setenv("COLUMNS", "200")
    path = tmp_path / "sheet.toml"
    path.write_text(SHEET)
    lot = check_lot(fits[:5], read_sheet(path))
    out = printed(capsys, lot, judged=True)
    assert "Verdict: outside; the mean of Fs." in out
    row = next(line.split() for line in out.splitlines() if line.split()[:2] == ["Fs,", "Hz"])
    assert row[2].startswith("34.0")
    assert row[-2:] == ["45", "outside"]
