"""The tables of a log: both ends of a long one, and what it is known by."""

import numpy as np
from helpers.made_histories import made_history

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
    assert float(entries(out)[0][5]) == float(f"{1e3 * log.entries[0].parameters['Mms'][0]:.4g}")
