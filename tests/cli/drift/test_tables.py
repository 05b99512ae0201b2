"""The tables of a log: both ends of a long one, and what it is known by."""

import numpy as np
import pytest
from helpers.made_histories import HOURS, made_history

from tsfit.cli.drift.tables import SHOWN, print_history
from tsfit.drift.history import history


def entries(out):
    """Rows of the first table."""
    return [
        line.split() for line in out.splitlines() if line.split() and (line.split()[0].isdigit() or line.strip() == "…")
    ]


def test_a_long_log_is_printed_at_both_ends(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "200")
    hours = tuple(float(hour) for hour in range(2 * SHOWN + 3))
    log = made_history(np.random.default_rng(3), hours=hours)
    print_history(history(log), None)
    rows = entries(capsys.readouterr().out)
    numbers = [row[0] for row in rows]
    assert numbers == [*map(str, range(1, SHOWN + 1)), "…", *map(str, range(SHOWN + 4, 2 * SHOWN + 4))]
    assert float(rows[0][2]) == float(f"{log.entries[0].parameters['Re'][0]:.4g}")


def test_a_short_one_is_printed_whole_in_the_units_of_the_trade(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "200")
    log = made_history(np.random.default_rng(4))
    print_history(history(log), None)
    out = capsys.readouterr().out
    assert "…" not in [row[0] for row in entries(out)]
    assert len(entries(out)) == len(log.entries)
    assert all(head in out for head in ("Re, Ω", "Fs, Hz", "Mms, g", "Bl, T·m", "air, °C"))
    for column, name in ((5, "Cms"), (6, "Mms")):
        assert float(entries(out)[0][column]) == float(f"{1e3 * log.entries[0].parameters[name][0]:.4g}")


def test_one_entry_has_changed_nothing_that_could_be_told(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    print_history(history(made_history(np.random.default_rng(5), hours=(3.0,))), None)
    out = capsys.readouterr().out
    assert "one entry so far" in out
    assert len(entries(out)) == 1
    assert "ends at" not in out


def test_where_the_mass_is_not_known_the_end_is_told_from_where_it_began(capsys, monkeypatch):
    """Softer by 15 % in the end: the log's first entry is at 0 h."""
    monkeypatch.setenv("COLUMNS", "80")
    settles = {"Cms": 1.15 - 0.15 * np.exp(-np.array(HOURS) / 3.0)}
    for with_mass in (True, False):
        print_history(history(made_history(np.random.default_rng(6), settles, with_mass=with_mass)), None)
        out = capsys.readouterr().out
        (row,) = [line.split() for line in out.splitlines() if line.split()[:1] == ["compliance"]]
        assert row[4] == "settles"
        if with_mass:
            assert float(row[5]) == pytest.approx(0.38 * 1.15, rel=0.02)
        else:
            assert float(row[5]) == pytest.approx(15.0, abs=1.5)
            assert row[6] == "%"
            # What is said in words is the same number.
            assert f"changed by +{row[5].lstrip('+')} % (95 %:" in " ".join(out.split())
