"""Tables of a driver's log: its entries, what changed, and what that does in a box."""

from math import exp

from tsfit.box.frequencies import tabled
from tsfit.box.told import headed
from tsfit.cli.printing import print_notes, print_table, say
from tsfit.drift.box import BoxedChange, sentence
from tsfit.drift.change import DriftChange
from tsfit.drift.entry import Entry
from tsfit.drift.history import History
from tsfit.driver.parameters import PARAMETERS
from tsfit.driver.units import rounded

LOGGED = tuple(PARAMETERS[name] for name in ("Re", "Fs", "Qts", "Mms", "Bl"))
"""Parameters of each entry that are printed."""
LEAST_SPREAD = 0.05
"""Nobody builds by more digits than this leaves, whatever the fits say."""
SHOWN = 12
"""Entries of a long log that are printed at either end."""


def _print_box(boxed: BoxedChange | None) -> None:
    if boxed is None:
        return
    rows = []
    for name, one in boxed.found.figures.items():
        spread = max(float(one.change.high - one.change.low) / 4.0, LEAST_SPREAD)
        values = [rounded(float(band.value), spread) for band in (one.before, one.after, one.change)]
        low, high = (rounded(float(bound), spread) for bound in (one.change.low, one.change.high))
        rows.append([headed(name), *values, f"{low} … {high}"])
    hours = [f"{entry.hours:g} h" for entry in (boxed.first, boxed.other)]
    print_table(["in the box", *hours, "change", "95 %"], rows, title=boxed.found.box)
    shown, change = tabled(boxed.found.frequency_hz), boxed.found.level_change_db
    frequency = boxed.found.frequency_hz[shown]
    both = [box.at(frequency).spl_db for box in (boxed.before, boxed.after)]
    levels = (one[shown] for one in (change.value, change.low, change.high))
    columns = zip(frequency, *both, *levels, strict=True)
    print_table(
        ["Hz", *(f"{text}, dB" for text in (*hours, "change")), "95 %"],
        [[f"{f:g}", f"{a:.2f}", f"{b:.2f}", f"{c:+.2f}", f"{low:+.2f} … {high:+.2f}"] for f, a, b, c, low, high in columns],
        title=f"level at {boxed.before.enclosure.voltage:g} V and 1 m, with what the sensitivity changed",
    )


def print_history(judged: History, boxed: BoxedChange | None) -> None:
    """Print the entries of a log, how each cause moved, what that does in a box, and remarks."""
    driver = judged.entries[0].driver
    say(driver.name if driver.serial is None else f"{driver.name}, {driver.serial}")
    for words in judged.sentences():
        say(words)
    if boxed is not None:
        say(sentence(boxed))
    _print_courses(judged)
    _print_entries(judged)
    _print_box(boxed)
    print_notes(judged.notes)


def _print_entries(judged: History) -> None:
    rows = []
    for number, entry in enumerate(judged.entries, 1):
        parameters = [
            f"{entry.parameters[one.name][0] * one.factor:.4g}" if one.name in entry.parameters else "−" for one in LOGGED
        ]
        rows.append([str(number), f"{entry.hours:g}", *parameters, f"{entry.conditions.temperature_c:.1f}"])
    if len(rows) > 2 * SHOWN:
        rows[SHOWN:-SHOWN] = [["…", *[""] * (2 + len(LOGGED))]]
    print_table(["entry", "hours", *(one.heading for one in LOGGED), "air, °C"], rows)


def _print_courses(judged: History) -> None:
    courses = []
    for one in judged.causes.values():
        end, parameter = one.settling, PARAMETERS[one.figure]
        known = end.enough and (judged.absolute or one.figure == "Re")
        ends = f"{parameter.factor * exp(end.end):.4g} {parameter.shown}" if known else "−"
        course, drifted = end.course if end.enough else "too few", "yes" if one.drifted else "no"
        courses.append([one.cause, one.figure, f"{100.0 * one.relative:+.2f} %", course, ends, drifted])
    print_table(["cause", "parameter", "change", "course", "ends at", "drifted"], courses)


def print_change(first: Entry, other: Entry, found: DriftChange, boxed: BoxedChange | None) -> None:
    """Print what changed from one entry to another, what that does in a box, and remarks."""
    sure = [(name, one) for name, one in found.causes.items() if one.beyond_repeatability]
    what = ", ".join(f"{name} ({one.figure} {100.0 * one.change:+.1f} %)" for name, one in sure) or "nothing"
    say(f"{first.driver.name}, {first.hours:g} h to {other.hours:g} h: {what} changed by more than repeats differ.")
    if boxed is not None:
        say(sentence(boxed))
    rows = []
    for cause, one in found.causes.items():
        shown = f"{100.0 * one.change:+.2f} %"
        spread = f"{100.0 * one.stdev:.2f} %"
        if one.kelvin is not None:
            shown, spread = f"{one.kelvin:+.1f} K", f"{one.stdev_kelvin:.1f} K"
        rows.append([cause, one.figure, shown, spread, f"{one.e_n:+.2f}", "yes" if one.beyond_repeatability else "no"])
    print_table(["cause", "parameter", "change", "±1σ", "E_n", "beyond"], rows)
    rows = [[name, f"{100.0 * one.change:+.2f} %", f"{100.0 * one.stdev:.2f} %"] for name, one in found.figures.items()]
    print_table(["parameter at 20 °C, reference air", "change", "±1σ"], rows)
    _print_box(boxed)
    print_notes(found.notes)
