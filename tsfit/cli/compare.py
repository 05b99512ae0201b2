"""``tsfit compare``: two or more drivers under equal conditions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, replace
from itertools import chain, repeat
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tsfit.base.figures import in_figures
from tsfit.box.compare.ways import TITLES, USUAL, Way
from tsfit.cli.box.options import air_options, amplifier_options
from tsfit.cli.output import PATH, Outputs, measured_options, sheets_option, with_outputs
from tsfit.cli.printing import hint, is_full, print_table, say, say_error
from tsfit.cli.sheets import sheet_of_each

if TYPE_CHECKING:
    from tsfit.box.compare.conditions import Candidate, Case
    from tsfit.box.compare.result import CaseResult, DriverComparison
    from tsfit.driver.formulas import Wiring

LACKING = {
    "rated power": "--sheet or --rated-power-w must rate the power of every driver",
    "rated power, hot": "--heat of every driver must tell its coil at the rated power of its sheet",
    "10 % distortion": "--travel of every driver must reach it",
    "peak power": "--sheet or --peak-power-w must rate the short-term power of every driver",
    "travel limit": "--sheet or --xmax-mm must rate the travel of every driver",
    "limits": "--sheet names the sheets that state rated power and travel, --rated-power-w and --xmax-mm state them here",
}


WITHIN_LIMITS = ("At rated power, ", "Travel, before rated power, ")
"""Beginnings of sentences that are told in full only, where the loudest of each is told."""
COMMON = ("displaces_l", "xmax_mm", "rated_power_w", "peak_power_w", "rating_ohm", "count", "in_series", "wiring")
"""Options that are told once for all drivers, or once for each."""


@click.command()
@click.argument("drivers", nargs=-1, required=True, type=PATH, metavar="A B [C ...]")
@click.option("--qtc", type=float, multiple=True, help="Closed boxes of this Qtc; each driver gets the volume it takes.")
@click.option("--volume-l", type=float, multiple=True, help="Closed boxes of this net volume; vented with --tuning-hz.")
@click.option("--tuning-hz", type=float, multiple=True, help="Vented boxes of every --volume-l, tuned to this.")
@click.option("--port-diameter-cm", type=float, help="Inner diameter of their round port; limits by its air speed.")
@click.option("--cabinet-l", type=float, multiple=True, help="One closed cabinet of this inside volume, see --displaces-l.")
@click.option("--displaces-l", type=float, multiple=True, help="Room that a driver takes inside, in the order of drivers.")
@click.option("--f3-hz", type=float, multiple=True, help="Closed boxes with this f3.")
@click.option("--box", "boxes", type=PATH, multiple=True, metavar="FILE", help="A planned box (TOML).")
@click.option("--baffle", is_flag=True, help="Infinite baffle.")
@click.option("--flat-to-hz", type=float, help="Equalise each driver flat down to here, in every box, too.")
@sheets_option
@click.option(
    "--xmax-mm", type=float, multiple=True, help="One-way peak travel allowed, of all or in the order of drivers."
)
@click.option("--rated-power-w", type=float, multiple=True, help="Continuous rating of one driver, likewise.")
@click.option("--peak-power-w", type=float, multiple=True, help="Short-term rating of one driver, likewise.")
@click.option("--rating-ohm", type=float, multiple=True, help="Resistance that they refer to, likewise.  [default: Re]")
@click.option(
    "--drivers", "count", type=int, multiple=True, help="How many in each box, of all or in the order of drivers."
)
@click.option("--in-series", type=int, multiple=True, help="How many of them in each series string, likewise.")
@measured_options(several=True)
@click.option("--coil-c", type=float, help="Coil temperature that counts with --heat.  [default: the sheet's, else 200]")
@amplifier_options
@air_options
@click.option(
    "--way",
    "ways",
    type=click.Choice(list(TITLES)),
    multiple=True,
    metavar="WAY",
    help=f"Table to print for each box: {', '.join(TITLES)}; may be repeated.",
)
@click.option(
    "--wiring",
    type=click.Choice(["series", "parallel", "one coil"]),
    multiple=True,
    help="How the two coils are wired, of all or in the order of drivers.  [default: as their parameters hold]",
)
@click.option("--high-pass-hz", type=float, help="Butterworth high-pass before every amplifier.")
@click.option("--high-pass-order", type=click.IntRange(1, 8), default=4, show_default=True, help="Its order.")
@click.option("--room-m", type=float, help="Add the gain of a closed room of this longest side, a rule of thumb.")
@click.option("--cost", type=float, multiple=True, help="What a driver costs, in the order of drivers.")
@with_outputs()
def compare(ways: tuple[Way, ...], outputs: Outputs, **options: Any) -> None:
    """Compare drivers A, B, ...: which plays louder, where, limited by what, and how sure that is.

    Drivers are fits (JSON), published sheets or driver files (TOML); differences are to the first. Each box option adds a
    condition that is equal for all and may be repeated. Without any: closed boxes of Qtc 0.707, and an infinite baffle.

    \b
    Example:
      tsfit compare old.json new.json --sheet old.toml \\
          --sheet new.toml
      tsfit compare old.json new.json --qtc 0.7 \\
          --volume-l 95 --flat-to-hz 25
      tsfit compare old.json new.json --volume-l 120 \\
          --tuning-hz 22 --xmax-mm 22 --xmax-mm 28 \\
          --amplifier-v 60 --way limits
      tsfit compare old.toml new.toml --box cabinet.toml \\
          --plot compare.png
    """  # noqa: D301
    from tsfit.box.compare.circumstances import Circumstances
    from tsfit.box.compare.drivers import compare as run
    from tsfit.box.room import Room

    outputs.refuse_existing()
    asked = AskedComparison(**{one.name: options.pop(one.name) for one in fields(AskedComparison)[:-1]}, around=options)
    candidates = _candidates(asked)
    room = None if asked.room_m is None else Room(asked.room_m)
    played = Circumstances(asked.high_pass_hz or 0.0, asked.high_pass_order, room)
    cases = [replace(case, flat_to_hz=asked.flat_to_hz, played=played) for case in _cases(candidates, asked)]
    result = run(candidates, cases, ways=ways)
    outputs.write_json(result)
    drawn = []
    if (plot := outputs.plot) is not None:
        from tsfit.plots.compare import compare_plot

        names = [one.name for one in result.compared]
        for number, case in enumerate(result.cases):
            drawn.append(plot if len(result.cases) == 1 else plot.with_stem(f"{plot.stem}-{number + 1}"))
            outputs.write_plot(compare_plot(names, case), drawn[-1])
    said = [
        *([f"Drawn, a plot for each box: {', '.join(map(str, drawn))}."] if len(drawn) > 1 else []),
        *([] if room is None else [str(room)]),
        *(f"{each} is told once and holds for every driver." for each in asked.for_all),
    ]
    outputs.show(result, lambda: _print(candidates, result, said))


@dataclass(frozen=True)
class AskedComparison:
    """What the options ask for, in their units.

    Of the drivers one value each in their order, or one for all; of sheets and cost fewer, too. Boxes, amplifier and
    air are those of all.
    """

    drivers: tuple[Path, ...]
    sheets: tuple[Path, ...]
    cost: tuple[float, ...]
    displaces_l: tuple[float, ...]
    xmax_mm: tuple[float, ...]
    rated_power_w: tuple[float, ...]
    travel: tuple[Path, ...]
    heat: tuple[Path, ...]
    coil_c: float | None
    peak_power_w: tuple[float, ...]
    rating_ohm: tuple[float, ...]
    count: tuple[int, ...]
    in_series: tuple[int, ...]
    wiring: tuple[Wiring, ...]
    high_pass_hz: float | None
    high_pass_order: int
    room_m: float | None
    qtc: tuple[float, ...]
    volume_l: tuple[float, ...]
    tuning_hz: tuple[float, ...]
    port_diameter_cm: float | None
    cabinet_l: tuple[float, ...]
    f3_hz: tuple[float, ...]
    boxes: tuple[Path, ...]
    baffle: bool
    flat_to_hz: float | None
    around: Mapping[str, float | None]  # amplifier and air

    def each(self, name: str) -> Iterator[Any]:
        """Values of an option for the drivers in their order, or the one of all; None for those that got none."""
        given, flag = getattr(self, name), self.flag(name)
        if len(given) > len(self.drivers):
            raise click.UsageError(f"more {flag} than drivers; give one each, in the same order.")
        if name in COMMON and len(given) == 1:
            return repeat(given[0])
        if name in COMMON and 0 < len(given) < len(self.drivers):
            raise click.UsageError(
                f"{flag} is told for {len(given)} of {len(self.drivers)} drivers; give one, or one each."
            )
        return chain(given, repeat(None))

    @staticmethod
    def flag(name: str) -> str:
        """Return the option that tells this."""
        return {"sheets": "--sheet", "count": "--drivers"}.get(name, f"--{name.replace('_', '-')}")

    @property
    def for_all(self) -> list[str]:
        """Options that were told once, with their value."""
        told = {name: getattr(self, name) for name in COMMON}
        return [
            f"{self.flag(name)} {given[0]:g}" if name != "wiring" else f"--wiring {given[0]!r}"
            for name, given in told.items()
            if len(given) == 1
        ]


def _candidates(asked: AskedComparison) -> list[Candidate]:
    from tsfit.box.compare.conditions import Candidate
    from tsfit.box.limits import Ratings
    from tsfit.box.measured import USUAL_COIL_C, assigned, with_measured
    from tsfit.box.parts import DriverSet
    from tsfit.box.told import made
    from tsfit.circuit.wiring import rewired
    from tsfit.driver.air import Air
    from tsfit.driver.record import rated
    from tsfit.formats.driver import read_driver_or_fit
    from tsfit.formats.measured import read_measured

    if len(asked.drivers) < 2:
        raise click.UsageError("compare takes two drivers or more; name another after the first.")
    if asked.f3_hz and asked.count:
        raise click.UsageError("--f3-hz is found for one driver in a box; leave --drivers out, or name the volume.")
    options = ("cost", *COMMON)
    found, coils, alike, paths = [], [], [], []
    air = made(Air, asked.around) if any(asked.around[item.name] is not None for item in fields(Air)) else None
    asked.each("sheets")
    read = [read_driver_or_fit(path, assuming=True) for path in asked.drivers]
    sheets = sheet_of_each(asked.sheets, [driver for driver, _ in read])
    for path, (driver, fit), printed, *told in zip(asked.drivers, read, sheets, *map(asked.each, options), strict=False):
        own = {**dict(zip(options, told, strict=True)), "sheet": printed}
        if (driver, own) in alike:
            continue
        alike.append((driver, own))
        paths.append(path)
        coils.append(asked.coil_c)
        if printed is not None:
            driver = rated(driver, printed.values(), printed.name)
            coils[-1] = asked.coil_c or printed.conditions.rated_coil_c
        ratings = made(Ratings, {**asked.around, **own})
        together = None if own["count"] is None else DriverSet(own["count"], own["in_series"] or 1)
        displaced = 1e-3 * (own["displaces_l"] or 0.0)
        found.append(Candidate(rewired(driver, own["wiring"]), fit, own["cost"], displaced, ratings, together, air))
    _say_copies(len(asked.drivers) - len(found), len(found))
    files = [*((path, None) for path in asked.travel), *((None, path) for path in asked.heat)]
    limits = assigned([one.driver for one in found], [read_measured(*each) for each in files])
    found = [
        replace(one, driver=with_measured(one.driver, limit, coil_c=coil_c or USUAL_COIL_C))
        for one, limit, coil_c in zip(found, limits, coils, strict=True)
    ]
    names = [one.driver.name for one in found]
    if len(set(names)) < len(names):
        stems = [path.stem for path in paths]
        marks = [stem if stems.count(stem) == 1 else f"{stem}, {number}" for number, stem in enumerate(stems, start=1)]
        found = [
            replace(one, driver=replace(one.driver, name=f"{one.driver.name} ({mark})"))
            for one, mark in zip(found, marks, strict=True)
        ]
    return found


def _say_copies(copies: int, left: int) -> None:
    """Say how many were copies of another, with nothing told of them alone; refuse to compare one with itself."""
    if copies and left == 1:
        raise click.UsageError(
            "These are copies of one driver; name another, or tell them apart, as with --drivers 1 --drivers 2."
        )
    if copies:
        told = "is a copy" if copies == 1 else "are copies"
        say_error(f"{copies} of the drivers {told} of another, and each counts once.")


def _cases(candidates: list[Candidate], asked: AskedComparison) -> list[Case]:
    from tsfit.box.compare import conditions as equal
    from tsfit.box.file import read_box

    cases = [equal.same_qtc(qtc) for qtc in asked.qtc]
    tunings, port = asked.tuning_hz, asked.port_diameter_cm
    if tunings and not asked.volume_l:
        raise click.UsageError("--tuning-hz tunes the boxes of --volume-l; give that too.")
    if port is not None and not tunings:
        raise click.UsageError("--port-diameter-cm is the port of vented boxes; give --tuning-hz too.")
    diameter = None if port is None else 1e-2 * port
    for volume in (1e-3 * litres for litres in asked.volume_l):
        cases += [equal.same_vented(volume, tuning, diameter) for tuning in tunings] or [equal.same_volume(volume)]
    cases += [equal.same_cabinet(1e-3 * litres) for litres in asked.cabinet_l]
    cases += [equal.same_f3(f3) for f3 in asked.f3_hz]
    for path in asked.boxes:
        plan = read_box(path)
        cases.append(equal.in_box(plan, plan.name or f"{plan.kind} box of {path.name}"))
    if asked.baffle:
        cases.append(equal.in_baffle())
    if not cases:
        highest = max(one.driver.Qts for one in candidates)
        cases = [*([equal.same_qtc(0.707)] if highest < 0.7 else []), equal.in_baffle()]
    return cases


def _print(candidates: list[Candidate], result: DriverComparison, said: list[str]) -> None:
    from tsfit.box.compare.short import as_printed, how_sure, in_short, of_measured

    names = [one.name for one in result.compared]
    for driver in result.compared:
        if driver.doubt:
            say(f"warn: {driver.name}: {driver.doubt}")
    told = in_short(result)
    told[len(names) - 2] = " ".join([told[len(names) - 2], how_sure(result), *of_measured(result)])
    for sentence in told:
        say(sentence)
    rated = result.rated
    if not rated and "limits" not in result.ways:
        hint(f"For that, {LACKING['limits']}.")
    printed = as_printed(result, range(len(names)))
    for candidate in candidates:
        for sentence in candidate.driver.assumed:
            say(f"{candidate.driver.name}: {sentence}")
    for sentence in said:
        hint(sentence)
    if is_full():
        _print_drivers(names, candidates)
    usual: tuple[Way, ...] = ("limits" if rated else "equal power",) * (len(result.cases) == 1)
    ways = result.ways or (USUAL if is_full() else usual)
    # Of one box without ratings the first sentence and the table have told all of equal power.
    equal = ("At equal power, ",) * (len(result.cases) == 1 and "equal power" in ways)
    elsewhere = WITHIN_LIMITS if rated else equal
    # Who is louder where, and what stops whom, its table has as well.
    elsewhere += ("Loudest, up to ",) * (len(result.cases) == 1 and "limits" in ways)
    # Whose limits are which has been told; a title has no room for it.
    titles = TITLES | ({"limits": f"{TITLES['limits']}, {printed}"} if printed and " of " not in printed else {})
    # What holds in every box is told once.
    shared = [
        one
        for one in result.cases[0].words[1:]
        if len(result.cases) > 1 and all(one in case.words for case in result.cases)
    ]
    if shared:
        say(f"In every box: {' '.join(shared)}")
    for case in result.cases:
        told = [one for one in case.words if one not in shared and (is_full() or not one.startswith(elsewhere))]
        say(f"{case.case}: {''.join(told[:1])}".rstrip())
        for sentence in told[1:]:
            say(f"  {sentence}")
        for name, one in zip(names, case.equalised, strict=False):
            say(f"  Equaliser of {name}: {'; '.join(map(str, one.sections))}.")
        for way in ways:
            if way in case.level_db:
                _print_way(case, way, names, titles[way])
    for way in ways:
        if any(way not in case.level_db for case in result.cases):
            say(f"Not told, {TITLES[way]}: {LACKING[way]}.")


def _print_drivers(names: list[str], candidates: list[Candidate]) -> None:
    rows = [
        [
            name,
            in_figures(one.driver.Fs, 3),
            in_figures(one.driver.Qts, 3),
            in_figures(1e3 * one.driver.Vas, 3),
            "-" if one.xmax_m is None else in_figures(1e3 * one.xmax_m, 3),
            "-" if one.power_w is None else in_figures(one.power_w, 4),
            "-" if one.cost is None else f"{one.cost:g}",
        ]
        for name, one in zip(names, candidates, strict=True)
    ]
    print_table(["driver", "Fs Hz", "Qts", "Vas l", "Xmax mm", "rated W", "cost"], rows)


def _print_way(case: CaseResult, way: Way, names: list[str], title: str) -> None:
    from tsfit.box.compare.result import table_rows
    from tsfit.box.compare.sentences import beyond_travel, lead_sentence
    from tsfit.driver.units import with_decimals

    differences = case.differences[way]
    if way not in ("equal power", "rated power", "limits"):
        for name, one in zip(names[1:], differences, strict=True):
            say(f"  {lead_sentence(names[0], name, way, one)}")
    if way == "rated power":
        for sentence in beyond_travel(names, case):
            if sentence not in case.words:
                say(f"  {sentence}")
    columns = ["Hz", *names]
    for name, one in zip(names[1:], differences, strict=True):
        columns += [
            f"{name} less {names[0]}" if len(names) > 2 else "difference",
            *(["95 %"] if one.low_db is not None else []),
        ]
    if way == "limits":
        columns += ["stopped by"]
    rows = []
    for k in table_rows(case):
        row = [
            f"{case.frequency_hz[k]:g}",
            *(f"{level[k]:.1f}" if level[k] < 200.0 else "no end" for level in case.level_db[way]),
        ]
        for one in differences:
            row.append(with_decimals(float(one.db[k]), 1, "+"))
            if one.low_db is not None and one.high_db is not None:
                low, high = (with_decimals(float(end[k]), 1, "+") for end in (one.low_db, one.high_db))
                row.append("" if low == row[-1] == high else f"{low} … {high}")
        if way == "limits" and case.limited_by is not None:
            stops = [names[k] for names in case.limited_by]
            row.append(stops[0] if len(set(stops)) == 1 else " / ".join(stops))
        rows.append(row)
    if any(" / " in row[-1] for row in rows):
        title += f"; where limits differ, {' / '.join(names)}"
    print_table(columns, rows, title=f"level in dB at 1 m, {title}")
