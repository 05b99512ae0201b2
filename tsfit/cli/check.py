"""``tsfit check``: a fit against a published datasheet, or a datasheet against itself."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tsfit.base.errors import TsfitError
from tsfit.cli.output import json_option, output_options, print_json, print_table, refuse_outputs, save_json, say
from tsfit.driver.units import rounded

if TYPE_CHECKING:
    from tsfit.check.consistency import Consistency, Contradiction
    from tsfit.check.pairs import LotResult
    from tsfit.check.slips import Suspicion
    from tsfit.check.verdict import CheckResult
    from tsfit.driver.fit_result import FitResult
    from tsfit.formats.sheet import Sheet

LABELS = {"sensitivity_1W": "SPL 1 W", "sensitivity_2V83": "SPL 2.83 V"}
NUMBERS = (
    ("qtc", "Qtc", "", 3),
    ("fc_hz", "fc", ", Hz", 1),
    ("f3_hz", "f3", ", Hz", 1),
    ("ripple_db", "ripple", ", dB", 2),
)
BAND = ("value", "low", "high")


@click.command()
@click.argument("files", nargs=-1, type=click.Path(path_type=Path), metavar="[FIT]... SHEET")
@click.option("--template", is_flag=True, help="Print an empty sheet, every key explained, and do nothing else.")
@click.option(
    "--rules", type=click.Path(path_type=Path), metavar="FILE", help="Tolerances to use: TOML with a [tolerance] table."
)
@click.option(
    "--box",
    "boxes",
    type=click.Path(path_type=Path),
    multiple=True,
    metavar="FILE",
    help="A box file that both drivers are put into; may be given again.",
)
@click.option("--strict", is_flag=True, help="Leave with 1 also when the verdict is undecided.")
@output_options
@json_option
def check(
    files: tuple[Path, ...],
    rules: Path | None,
    boxes: tuple[Path, ...],
    template: bool,
    strict: bool,
    output: Path | None,
    plot: Path | None,
    replace: bool,
    as_json: bool,
) -> int:
    """Judge a published SHEET against a FIT, figure by figure; or, alone, against itself.

    Of several FITs it tells how samples of one type spread, which stands out, and which make the best pairs.

    A figure is inside or outside when the deviation says so beyond the uncertainty, else undecided. Tolerances are those of
    --rules, else of the sheet, else of common practice. Leaves with 1 when a figure is outside, or a lone sheet contradicts
    itself; an undecided verdict leaves with 0 unless --strict is given.

    \b
    Example:
      tsfit check wagtail-fit.json wagtail-sheet.toml
      tsfit check wagtail-fit.json wagtail-sheet.toml \\
          --box cabinet.toml
      tsfit check wagtail-1.json wagtail-2.json \\
          wagtail-3.json wagtail-sheet.toml
      tsfit check wagtail-sheet.toml
      tsfit check --template > wagtail-sheet.toml
    """  # noqa: D301
    from tsfit.formats.sheet import read_rules, read_sheet

    if template:
        from tsfit.formats.sheet_template import TEMPLATE

        click.echo(TEMPLATE, nl=False)
        return 0
    fits, sheet_file = _sorted(files)
    if plot is not None and (len(fits) != 1 or sheet_file is None):
        raise click.UsageError("--plot draws what a fit changes in boxes; give one fit and a sheet with it.")
    if boxes and not fits:
        raise click.UsageError("--box compares drivers in a box; give a fit with it.")
    if len(fits) > 1 and len(boxes) > 1:
        raise click.UsageError("Pairs are matched in one box; give --box once.")
    refuse_outputs(output, plot, replace=replace)
    allowed = None if rules is None else read_rules(rules)
    sheet = None if sheet_file is None else read_sheet(sheet_file)
    result, show = _judged(fits, sheet, allowed, boxes)
    data = result.to_dict()
    if output is not None:
        save_json(output, data, replace=replace)
    if plot is not None:
        _draw(plot, data, replace=replace)
    if as_json:
        print_json(data)
    else:
        show()
    return int(sheet is not None and result.verdict in (("outside", "undecided") if strict else ("outside",)))


def _judged(
    fits: Sequence[Path], sheet: Sheet | None, rules: Mapping[str, float] | None, boxes: Sequence[Path]
) -> tuple[Consistency | CheckResult | LotResult, Callable[[], None]]:
    """Judge what was given, and return with it what prints it."""
    if not fits:
        from tsfit.check.consistency import consistency

        assert sheet is not None
        lone, alone = consistency(sheet), sheet
        return lone, lambda: _print_alone(alone, lone)
    from tsfit.box.file import read_box
    from tsfit.formats.fit import read_fit

    plans = [(plan.name or path.stem, plan) for path in boxes for plan in (read_box(path),)]
    read = [read_fit(path) for path in fits]
    if len(read) == 1:
        from tsfit.check.boxes import check_sheet

        assert sheet is not None
        checked, against = check_sheet(read[0], sheet, rules=rules, plans=plans), sheet
        return checked, lambda: _print_result(read[0], against, checked)
    from tsfit.check.pairs import check_lot
    from tsfit.cli.lot import print_lot

    lot = check_lot(read, sheet, rules=rules, plan=plans[0][1] if plans else None)
    return lot, lambda: print_lot(lot, judged=sheet is not None)


def _draw(plot: Path, data: Mapping[str, Any], *, replace: bool) -> None:
    from tsfit.plots.consequence import consequence_figure
    from tsfit.plots.save import save_figure

    boxes = data["consequence"].get("boxes")
    if not boxes:
        raise TsfitError("--plot: fit or sheet tell too little for a box, so there is nothing to draw.", code="no_box")
    save_figure(plot, consequence_figure(data["driver"], boxes), replace=replace)


def _sorted(files: Sequence[Path]) -> tuple[Sequence[Path], Path | None]:
    """Fits, and the sheet, which may be left out after two fits or more."""
    from tsfit.base.files import is_json

    if not files:
        raise click.UsageError("check takes a sheet, a fit and a sheet, or several fits; see 'tsfit check --help'.")
    json = [is_json(file) for file in files]
    if all(json) and len(files) > 1:
        return files, None
    if all(json[:-1]) and not json[-1]:
        return files[:-1], files[-1]
    if json == [True]:
        problem, file = f"{files[0]}: JSON, not a sheet; name the sheet (TOML) to judge after it.", files[0]
    elif json == [False, True]:
        problem = f"{files[0]}: the fit comes first and the sheet second; write 'tsfit check {files[1]} {files[0]}'."
        file = files[1]
    else:
        file = files[json.index(False)]
        problem = f"{file}: not a fit; name JSON files written by 'tsfit fit' before the sheet, which comes last."
    raise TsfitError(problem, code="wrong_file_type", file=file)


def _print_alone(sheet: Sheet, result: Consistency) -> None:
    if result.contradictions:
        _print_contradictions(sheet, result.contradictions)
    elif result.relations:
        count = len(result.relations)
        say(f"{sheet.name}: the printed figures agree with each other; relations looked at: {count}.")
    else:
        say(f"{sheet.name}: undecided; no printed figure follows from others that are printed.")
    _print_rest(sheet, result)


def _print_result(fit: FitResult, sheet: Sheet, result: CheckResult) -> None:
    from tsfit.driver.units import display

    columns, rows = ["figure", "sheet", "fit", "±U", "off by", "limit", "verdict"], []
    for item in result.figures:
        factor, unit = display(item.name, 1.0)
        spread = item.expanded * factor
        value, expanded = rounded(item.measured * factor, spread), rounded(spread, spread)
        deviation, limit = f"{item.deviation:+.1f} {item.unit}", f"±{item.tolerance:g}"
        rows.append([label(item.name, unit), item.published.shown(factor), value, expanded, deviation, limit, item.verdict])
    print_table(columns, rows, title=f"{fit.driver.name} against the sheet of {sheet.name}")
    notes = dict.fromkeys(f"{label(item.name)}: {item.note}" for item in result.figures if item.note)
    for name, reason in result.not_judged.items():
        notes[f"{label(name)}: not judged; {reason}"] = None
    for note in fit.quality:
        notes[f"The fit says: {note.message}"] = None
    for line in notes:
        say(line)
    for line in (*result.converted, result.pattern.sentence):
        say(line)
    _print_suspicions(sheet, result.suspicions)
    if result.contradictions:
        _print_contradictions(sheet, result.contradictions)
    if result.consequence:
        _print_consequence(result.consequence)
    outside = [label(item.name) for item in result.figures if item.verdict == "outside"]
    undecided = [label(item.name) for item in result.figures if item.verdict == "undecided"]
    words = {
        "inside": "inside; every judged figure holds.",
        "outside": f"outside; {', '.join(outside)}.",
        "undecided": f"undecided; the uncertainty is too large to tell for {', '.join(undecided)}.",
    }
    say(f"Verdict: {words[result.verdict]}")


def _print_consequence(consequence: Mapping[str, Any]) -> None:
    for box in consequence["boxes"]:
        say(box["sentence"])
        rows = []
        for name, shown, unit, digits in NUMBERS:
            if name in box["figures"]:
                item = box["figures"][name]
                ends = (_number(item["before"]["value"], digits), *(_number(item["after"][end], digits) for end in BAND))
                rows.append([f"{shown}{unit}", ends[0], ends[1], f"{ends[2]} to {ends[3]}"])
        print_table(["in this box", "sheet", "fit", "95 %"], rows)
        changes = [("level", box["level_change_db"]), ("most level", box["maximum_change_db"])]
        known = [(label, change) for label, change in changes if change]
        columns = ["Hz", *(column for label, _ in known for column in (f"{label}, dB", "95 %"))]
        rows = [
            [f"{frequency:g}", *(cell for _, change in known for cell in _change(change, k))]
            for k, frequency in enumerate(box["frequency_hz"])
        ]
        print_table(columns, rows, title="fit less sheet")
    say(consequence["conclusion"])


def _change(change: Mapping[str, Any], k: int) -> tuple[str, str]:
    value, low, high = (_number(change[end][k], 1, sign=True) for end in BAND)
    return value, f"{low} to {high}"


def _number(value: float | None, digits: int, *, sign: bool = False) -> str:
    return "none" if value is None else f"{value:{'+' if sign else ''}.{digits}f}"


def _print_contradictions(sheet: Sheet, found: Sequence[Contradiction]) -> None:
    say(f"The sheet of {sheet.name} contradicts itself:")
    for item in found:
        say(f"  {item.sentence}")
    suspect, possible = found[0].suspect, [label(name) for name in found[0].possible]
    if suspect:
        say(f"Another {label(suspect)} alone would make all of it agree.")
    elif possible:
        say(f"Which figure is wrong cannot be told: another {' or '.join(possible)} would make all of it agree.")
    else:
        say("Which figure is wrong cannot be told: no single one, printed otherwise, would make all of it agree.")


def _print_suspicions(sheet: Sheet, suspicions: Sequence[Suspicion]) -> None:
    for item in suspicions:
        say(item.sentence(label(item.figure), sheet.figures[item.figure]))


def _print_rest(sheet: Sheet, result: Consistency) -> None:
    from tsfit.driver.units import display

    _print_suspicions(sheet, result.suspicions)
    if result.derived:
        say("Not printed, but derived from what is, with what its rounding leaves open:")
    for item in result.derived:
        factor, unit = display(item.figure, 1.0)
        spread = 0.5 * (item.high - item.low) * factor
        value, low, high = (rounded(number * factor, spread) for number in (item.value, item.low, item.high))
        say(f"  {label(item.figure)} {value} {unit}".rstrip() + f" ({low} to {high})")


def label(name: str, unit: str = "") -> str:
    """Return the name of a figure as tables show it, with its unit."""
    shown = LABELS.get(name, name)
    return f"{shown}, {unit}" if unit and name not in LABELS else shown
