"""``tsfit drift``: a driver's log, what changed in it, and where it is going."""

from __future__ import annotations

from math import exp
from pathlib import Path
from typing import TYPE_CHECKING

import click

from tsfit.cli import NamingGroup
from tsfit.cli.output import json_option, print_json, print_table, printable

if TYPE_CHECKING:
    from collections.abc import Iterable

    from tsfit.drift.change import Change
    from tsfit.drift.history import History
    from tsfit.records import QualityNote

SHOWN = 12
"""Entries of a long log that are printed at either end."""


@click.group(cls=NamingGroup)
def drift() -> None:
    """Keep a log of a driver's fits and see what moves with its hours.

    \b
    Example:
      tsfit drift add fit.json --log saltwit.drift --hours 12
      tsfit drift show saltwit.drift --plot drift.png
      tsfit drift change saltwit.drift first last
    """  # noqa: D301


@drift.command()
@click.argument("fit", type=click.Path(path_type=Path))
@click.option("--log", "log", type=click.Path(path_type=Path), required=True, metavar="LOG", help="The driver's log.")
@click.option("--hours", type=float, required=True, help="Hours of use so far.")
@json_option
def add(fit: Path, log: Path, hours: float, as_json: bool) -> None:
    """Add the fit file FIT to a driver's log, which is made where it is missing.

    The log is only ever added to; conditions, rig and provenance come with the fit.

    \b
    Example:
      tsfit drift add fit.json --log saltwit.drift --hours 12
    """  # noqa: D301
    from tsfit.drift.log import add_entry, entry_of
    from tsfit.files import sha256
    from tsfit.fit_file import read_fit

    entry = entry_of(read_fit(fit), hours, file={"file": str(fit.resolve()), "sha256": sha256(fit)})
    after = add_entry(log, entry)
    number = len(after.entries)
    if as_json:
        print_json({"schema": 1, "entry": number, "hours": hours, "notes": [note.to_dict() for note in after.notes]})
        return
    click.echo(printable(f"{log}: entry {number}, {entry.driver.name} after {hours:g} h"))
    _print_notes(after.notes)


@drift.command()
@click.argument("log", type=click.Path(path_type=Path))
@json_option
def show(log: Path, as_json: bool) -> None:
    """Show what moved with the hours in LOG, where it ends, and whether it is there yet.

    \b
    Example:
      tsfit drift show saltwit.drift
    """  # noqa: D301
    from tsfit.drift.history import history
    from tsfit.drift.log import read_log
    from tsfit.drift.summary import history_to_dict, sentences

    judged = history(read_log(log))
    if as_json:
        print_json(history_to_dict(judged))
        return
    _print_history(judged)
    for sentence in sentences(judged):
        click.echo(printable(sentence))
    _print_notes(judged.notes)


@drift.command()
@click.argument("log", type=click.Path(path_type=Path))
@click.argument("one", metavar="FROM")
@click.argument("other", metavar="TO")
@json_option
def change(log: Path, one: str, other: str, as_json: bool) -> None:
    """Tell what changed in LOG from one entry to another, each a number as `show` prints it, or first or last.

    \b
    Example:
      tsfit drift change saltwit.drift first last
      tsfit drift change saltwit.drift 2 5 --json
    """  # noqa: D301
    from tsfit.drift.history import change_between
    from tsfit.drift.log import read_log
    from tsfit.drift.summary import change_to_dict

    found = change_between(read_log(log), one, other)
    if as_json:
        print_json({"schema": 1, **change_to_dict(found)})
        return
    _print_change(found)


def _print_history(judged: History) -> None:
    from tsfit.quantities import display

    driver = judged.entries[0].driver
    rows = []
    numbered = list(enumerate(judged.entries, 1))
    shown = numbered if len(numbered) <= 2 * SHOWN else [*numbered[:SHOWN], None, *numbered[-SHOWN:]]
    for item in shown:
        if item is None:
            rows.append(["…", *[""] * 7])
            continue
        number, entry = item
        figures = [
            f"{display(name, entry.parameters[name][0])[0]:.4g}" if name in entry.parameters else "−"
            for name in ("Re", "Fs", "Qts", "Mms", "Bl")
        ]
        rows.append([str(number), f"{entry.hours:g}", *figures, f"{entry.conditions.temperature_c:.1f}"])
    title = driver.name if driver.serial is None else f"{driver.name}, {driver.serial}"
    print_table(["entry", "hours", "Re, Ω", "Fs, Hz", "Qts", "Mms, g", "Bl, T·m", "air, °C"], rows, title=title)
    courses = []
    for one in judged.causes.values():
        end, course = one.settling, one.settling.course
        value, unit = display(one.figure, 1.0)
        known = judged.absolute or one.figure == "Re"
        courses.append(
            [
                one.cause,
                one.figure,
                f"{100.0 * one.relative:+.2f} %",
                course if end.enough else "too few",
                f"{value * exp(end.end):.4g} {unit}" if known and end.enough else "−",
                "yes" if one.drifted else "no",
            ]
        )
    print_table(["cause", "figure", "change", "course", "ends at", "drifted"], courses)


def _print_change(found: Change) -> None:
    rows = []
    for one in found.causes:
        shown = f"{100.0 * one.relative:+.2f} %"
        spread = f"{100.0 * one.stdev:.2f} %"
        if one.kelvin is not None:
            shown, spread = f"{one.kelvin:+.1f} K", f"{one.stdev_kelvin:.1f} K"
        rows.append([one.cause, one.figure, shown, spread, f"{one.e_n:+.2f}", "yes" if one.beyond else "no"])
    print_table(["cause", "figure", "change", "±1σ", "E_n", "beyond"], rows)
    rows = [[name, f"{100.0 * value:+.2f} %", f"{100.0 * spread:.2f} %"] for name, (value, spread) in found.figures.items()]
    print_table(["figure at 20 °C, reference air", "change", "±1σ"], rows)
    _print_notes(found.notes)


def _print_notes(notes: Iterable[QualityNote]) -> None:
    for note in notes:
        click.echo(printable(f"{note.severity}: {note.message}"))
