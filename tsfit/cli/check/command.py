"""``tsfit check``: a fit against a published datasheet, a datasheet against itself, or several fits of one type."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from tsfit.base.errors import TsfitError
from tsfit.base.files import is_json
from tsfit.cli.output import PATH, Outputs, measured_options, with_outputs

if TYPE_CHECKING:
    from tsfit.check.consistency import Consistency
    from tsfit.check.lot import LotResult
    from tsfit.check.verdict import CheckResult
    from tsfit.driver.fit_result import FitResult
    from tsfit.driver.measured import Measured
    from tsfit.formats.sheet import Sheet


@click.command()
@click.argument("files", nargs=-1, type=PATH, metavar="[FIT]... SHEET [SHEET]")
@click.option("--template", is_flag=True, help="Print an empty sheet, every key explained, and do nothing else.")
@click.option("--rules", type=PATH, metavar="FILE", help="Tolerances to use: TOML with a [tolerance] table.")
@click.option(
    "--box",
    "boxes",
    type=PATH,
    multiple=True,
    metavar="FILE",
    help="A box file that both drivers are put into; may be given again.",
)
@measured_options()
@click.option("--strict", is_flag=True, help="Leave with 1 also when the verdict is undecided.")
@with_outputs()
def check(
    files: tuple[Path, ...],
    template: bool,
    rules: Path | None,
    boxes: tuple[Path, ...],
    travel: Path | None,
    heat: Path | None,
    strict: bool,
    outputs: Outputs,
) -> int:
    """Judge a published SHEET against a FIT, parameter by parameter; or, alone, against itself.

    Two SHEETs are set side by side. Of several FITs it tells how they spread, which stands out, and which make pairs.

    A parameter is inside or outside when the deviation says so beyond the uncertainty, else undecided. Tolerances are those
    of --rules, else of the sheet, else of common practice. Leaves with 1 when a parameter is outside, or a lone sheet
    contradicts itself; an undecided verdict leaves with 0 unless --strict is given. Xmax, Pe and Ppeak are judged where
    --travel and --heat tell what was measured, in the meaning that the sheet's [conditions] state, else in all usual ones.

    \b
    Example:
      tsfit check wagtail-fit.json wagtail-sheet.toml
      tsfit check wagtail-fit.json wagtail-sheet.toml \\
          --box cabinet.toml
      tsfit check wagtail-fit.json wagtail-sheet.toml \\
          --travel wagtail-travel.json \\
          --heat wagtail-heat.json
      tsfit check wagtail-1.json wagtail-2.json \\
          wagtail-3.json wagtail-sheet.toml
      tsfit check wagtail-sheet.toml
      tsfit check old-sheet.toml new-sheet.toml
      tsfit check --template > wagtail-sheet.toml
    """  # noqa: D301
    from tsfit.formats.measured import read_measured
    from tsfit.formats.sheet import empty_sheet, read_rules, read_sheet

    if template:
        click.echo(empty_sheet(), nl=False)
        return 0
    if len(files) == 2 and not any(map(is_json, files)):
        _refuse_unfit(0, None, outputs.plot, boxes, limited=bool(travel or heat))
        return _side_by_side(files[0], files[1], outputs)
    fits, sheet_file = _sorted(files)
    _refuse_unfit(len(fits), sheet_file, outputs.plot, boxes, limited=bool(travel or heat))
    outputs.refuse_existing()
    limits = read_measured(travel, heat)
    allowed = None if rules is None else read_rules(rules)
    sheet = None if sheet_file is None else read_sheet(sheet_file)
    result, data, tables = _judged(fits, sheet, allowed, boxes, limits)
    outputs.write_json(data)
    if outputs.plot is not None:
        from tsfit.check.verdict import CheckResult
        from tsfit.plots.consequence import consequence_plot

        if not isinstance(result, CheckResult) or not result.boxes:
            raise TsfitError("--plot: fit or sheet tell too little for a box, so there is nothing to draw.", code="no_box")
        outputs.write_plot(consequence_plot(result.driver, result.boxes))
    outputs.show(data, tables)
    return int(sheet is not None and result.verdict in (("outside", "undecided") if strict else ("outside",)))


def _side_by_side(first: Path, second: Path, outputs: Outputs) -> int:
    from tsfit.check.beside import beside
    from tsfit.cli.check.tables import print_beside
    from tsfit.formats.sheet import read_sheet

    outputs.refuse_existing()
    pair = read_sheet(first), read_sheet(second)
    both = beside(*pair)
    outputs.write_json(both)
    outputs.show(both, lambda: print_beside(pair, both))
    return 0


def _refuse_unfit(fits: int, sheet: Path | None, plot: Path | None, boxes: Sequence[Path], *, limited: bool) -> None:
    """Refuse options that so many fits, with or without a sheet, give nothing to do."""
    if plot is not None and (fits != 1 or sheet is None):
        raise click.UsageError("--plot draws what a fit changes in boxes; give one fit and a sheet with it.")
    if boxes and not fits:
        raise click.UsageError("--box compares drivers in a box; give a fit with it.")
    if limited and fits != 1:
        raise click.UsageError("--travel and --heat are judged for one driver; name its fit, and the sheet after it.")
    if fits > 1 and len(boxes) > 1:
        raise click.UsageError("Pairs are matched in one box; give --box once.")


def _read_once(files: Sequence[Path], sheet: Sheet | None) -> list[FitResult]:
    """Read fits, without those that are copies of another, which is said."""
    from tsfit.check.lot import once
    from tsfit.cli.printing import say_error
    from tsfit.formats.fit import read_fit

    read = [read_fit(path) for path in files]
    if len(read) < 2:
        return read
    fits = once(read)
    if left := len(read) - len(fits):
        say_error(f"{left} of the fits {'is a copy' if left == 1 else 'are copies'} of another; each counts once.")
        if len(fits) == 1 and sheet is None:
            raise click.UsageError("These fits are copies of one; name the fits of two samples, or a sheet.")
    return fits


def _judged(
    fits: Sequence[Path],
    sheet: Sheet | None,
    rules: Mapping[str, float] | None,
    boxes: Sequence[Path],
    limits: Measured,
) -> tuple[Consistency | CheckResult | LotResult, object, Callable[[], None]]:
    """Judge what was given, and return with it its machine form and what prints it."""
    from tsfit.check.forms import check_form
    from tsfit.cli.check.tables import print_alone, print_lot, print_result

    if not fits:
        from tsfit.check.wirings import in_both_wirings

        assert sheet is not None
        lone, alone = in_both_wirings(sheet), sheet
        return lone, lone, lambda: print_alone(alone, lone)
    from tsfit.box.file import read_box

    plans = [(plan.name or path.stem, plan) for path in boxes for plan in (read_box(path),)]
    read = _read_once(fits, sheet)
    if len(read) == 1:
        from tsfit.check.boxes import check_sheet

        assert sheet is not None
        checked, against = check_sheet(read[0], sheet, rules=rules, plans=plans, limits=limits), sheet
        return checked, check_form(checked), lambda: print_result(read[0], against, checked, own=len(plans))
    from tsfit.check.lot import check_lot

    lot = check_lot(read, sheet, rules=rules, plan=plans[0][1] if plans else None)
    return lot, lot, lambda: print_lot(lot, [fit.driver.name for fit in read], judged=sheet is not None)


def _sorted(files: Sequence[Path]) -> tuple[Sequence[Path], Path | None]:
    """Fits, and the sheet, which may be left out after two fits or more."""
    from tsfit.formats.foreign import kinds_of, wanted

    if not files:
        raise click.UsageError("check takes a sheet, a fit and a sheet, or several fits; see 'tsfit check --help'.")
    json = [is_json(file) for file in files]
    if all(json) and len(files) > 1:
        return files, None
    if all(json[:-1]) and not json[-1]:
        return files[:-1], files[-1]
    if json == [True]:
        problem, file = f"{files[0]}: is a fit; name the datasheet to judge by it after it.", files[0]
    elif json == [False, True]:
        problem = f"{files[0]}: the fit comes first and the sheet second; write 'tsfit check {files[1]} {files[0]}'."
        file = files[0]
    else:
        file = files[json.index(False)]
        problem = f"{file}: not a fit; name JSON files written by 'tsfit fit' before the sheet, which comes last."
    with wanted(file, *(["fit"] * (kinds_of(file) == ["fit"] and json == [True])), "sheet"):
        raise TsfitError(problem, code="wrong_file_type", file=file)
