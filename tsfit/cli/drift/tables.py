"""Tables of a driver's log: its entries, what changed, and what that does in a box."""

from math import exp

from tsfit.box.frequencies import tabled
from tsfit.box.told import NAMES, headed
from tsfit.cli.printing import hint, print_notes, print_table, say
from tsfit.drift.box import BoxedChange, sentence
from tsfit.drift.change import DriftChange
from tsfit.drift.entry import Entry
from tsfit.drift.history import History
from tsfit.driver.parameters import PARAMETERS
from tsfit.driver.units import with_decimals

LOGGED = tuple(PARAMETERS[name] for name in ("Re", "Fs", "Qts", "Cms", "Mms", "Bl"))
"""Parameters of each entry that are printed."""
COURSES = {"constant": "stays", "step": "one step", "exponential": "settles", "log-time": "creeps on"}
"""What a cause does with the hours, by the name of its course."""
NO_CHANGE = {"Re": "none at 20 °C"}
"""Where the entries beside it, at other temperatures, differ."""
SHOWN = 12
"""Entries of a long log that are printed at either end."""


def _print_box(boxed: BoxedChange | None) -> None:
    if boxed is None:
        return
    rows = []
    for name, one in boxed.found.figures.items():
        decimals = NAMES[name][1]
        values = [with_decimals(float(band.value), decimals) for band in (one.before, one.after)]
        moved = [with_decimals(float(each), decimals, "+") for each in (one.change.value, one.change.low, one.change.high)]
        rows.append([headed(name), *values, moved[0], "" if len(set(moved)) == 1 else f"{moved[1]} … {moved[2]}"])
    hours = [f"{entry.hours:g} h" for entry in (boxed.first, boxed.other)]
    print_table(["in the box", *hours, "change", "95 %"], rows, title=boxed.found.box)
    shown, change = tabled(boxed.found.frequency_hz), boxed.found.level_change_db
    frequency = boxed.found.frequency_hz[shown]
    both = [box.at(frequency).spl_db for box in (boxed.before, boxed.after)]
    levels = (one[shown] for one in (change.value, change.low, change.high))
    rows = []
    for f, a, b, *moves in zip(frequency, *both, *levels, strict=True):
        told = [with_decimals(float(each), 1, "+") for each in moves]
        rows.append([f"{f:g}", f"{a:.1f}", f"{b:.1f}", told[0], "" if len(set(told)) == 1 else f"{told[1]} … {told[2]}"])
    print_table(
        ["Hz", *(f"{text}, dB" for text in (*hours, "change")), "95 %"],
        rows,
        title=f"level at {boxed.before.enclosure.voltage:g} V and 1 m, with what the sensitivity changed",
    )


def print_history(judged: History, boxed: BoxedChange | None) -> None:
    """Print the entries of a log, how each cause moved, what that does in a box, and remarks."""
    driver = judged.entries[0].driver
    first, *rest = judged.sentences()
    span = " to ".join(dict.fromkeys(f"{entry.hours:g}" for entry in (judged.entries[0], judged.entries[-1])))
    say(f"{driver.name}{', ' * bool(driver.serial)}{driver.serial or ''}, {span} h: {first[:1].lower()}{first[1:]}")
    for words in filter(None, (*rest, judged.measured_ends())):
        say(words)
    if boxed is not None:
        say(sentence(boxed))
    if len(judged.entries) > 1:
        _print_courses(judged)
    _print_entries(judged)
    _print_box(boxed)
    print_notes(judged.notes)


def _print_entries(judged: History) -> None:
    rows = []
    for number, entry in enumerate(judged.entries, 1):
        parameters = [
            f"{entry.parameters[one.name][0] * one.factor:#.4g}".rstrip(".") if one.name in entry.parameters else "−"
            for one in LOGGED
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
        ends = "as it was" if end.enough and not one.drifted else ""
        if end.enough and one.drifted:
            # Without a known mass the course has no scale of its own: its end is told from where it began.
            end_value = f"{parameter.factor * exp(end.end):#.3g} {parameter.shown}"
            ends = end_value if known else f"{with_decimals(100.0 * one.end_relative, 1, '+')} %"
        course = COURSES[end.course] if end.enough else f"{'moved, ' * one.drifted}too few points"
        change = (
            f"{with_decimals(100.0 * one.relative, 1, '+')} %"
            if one.drifted or one.relative
            else NO_CHANGE.get(one.figure, "none")
        )
        if len(one.hours) < 2:
            change = course = "−"
        courses.append([one.cause, one.figure, change, course, ends])
    print_table(["cause", "parameter", "change", "course", "ends at"], courses)


def _changed(change: float, stdev: float) -> tuple[str, str]:
    """A change and its standard uncertainty in per cent, to a tenth."""
    return f"{with_decimals(100.0 * change, 1, '+')} %", f"{100.0 * stdev:.1f} %"


def print_change(first: Entry, other: Entry, found: DriftChange, boxed: BoxedChange | None) -> None:
    """Print what changed from one entry to another, what that does in a box, and remarks."""
    if first is other:
        say(f"{first.driver.name}: only the fit of {first.hours:g} h counts, and there is nothing to compare it with.")
        print_notes(found.notes)
        return
    sure = [(name, one) for name, one in found.causes.items() if one.beyond_repeatability]
    what = ", ".join(f"{name} ({one.figure} {100.0 * one.change:+.1f} %)" for name, one in sure) or "nothing"
    say(f"{first.driver.name}, {first.hours:g} h to {other.hours:g} h: {what} changed by more than repeats differ.")
    if boxed is not None:
        say(sentence(boxed))
    rows = []
    for cause, one in found.causes.items():
        shown, spread = _changed(one.change, one.stdev)
        if one.kelvin is not None:
            shown, spread = f"{with_decimals(one.kelvin, 1, '+')} K", f"{one.stdev_kelvin:.1f} K"
        beyond = "yes" if one.beyond_repeatability else "no"
        rows.append([cause, one.figure, shown, spread, with_decimals(one.e_n, 1, "+"), beyond])
    print_table(["cause", "parameter", "change", "±1σ", "E_n", "changed"], rows)
    hint("E_n is the change over twice its ±, as logarithms; beyond 1, up or down, is more than repeats differ.")
    rows = [[name, *_changed(one.change, one.stdev)] for name, one in found.figures.items()]
    print_table(["parameter at 20 °C, reference air", "change", "±1σ"], rows)
    _print_box(boxed)
    print_notes(found.notes)
