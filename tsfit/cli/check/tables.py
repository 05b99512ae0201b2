"""Tables and sentences of a check: a sheet against a fit, a sheet alone, several fits of one type."""

import math
from collections import Counter
from collections.abc import Sequence

from tsfit.base.figures import in_figures, listed
from tsfit.box.compare.consequence import BandCurve, Consequence
from tsfit.box.frequencies import tabled
from tsfit.box.told import NAMES, headed
from tsfit.check.beside import SheetsBeside
from tsfit.check.consistency import Consistency, Contradiction, consistency
from tsfit.check.lot import CONFIDENCE, FRACTION, LotResult
from tsfit.check.slips import Suspicion, as_meant
from tsfit.check.verdict import PROMISED, CheckResult, Judged
from tsfit.cli.printing import hint, is_full, print_notes, print_table, say
from tsfit.driver.fit_result import FitResult
from tsfit.driver.parameters import PARAMETERS
from tsfit.driver.sizes import doubt
from tsfit.driver.units import rounded, shown_decimals, spread_shown, with_decimals
from tsfit.formats.sheet import UNNAMED, Sheet

NUMBERS = ("qtc", "fc_hz", "f3_hz", "ripple_db")
MOST_PAIRS = 10
ENOUGH = 5
"""Samples from which the spread of the type is told: common practice, no source."""
MOST_ROWS = 12
FIRST = ("Re", "Fs", "Qts", "Vas", "Mms", "Bl", "Le", "Sd", "sensitivity_2V83", *PROMISED)
"""What a box is planned with; where there are more rows, others that are inside are only named."""


def print_alone(sheet: Sheet, result: Consistency) -> None:
    """Print whether the parameters of a sheet agree with each other, and what else follows from them."""
    if result.doubt:
        say(f"warn: {result.doubt}")
    if sheet.name == UNNAMED:
        say(f"warn: {_unnamed(sheet)}")
    if result.contradictions:
        _print_contradictions(sheet, result.contradictions)
    elif result.relations:
        count = len(result.relations)
        say(f"{sheet.name}: the printed parameters agree with each other ({count} relations between them).")
        hint("A sheet may agree with itself and be untrue; tsfit check FIT SHEET holds it against a driver.")
    else:
        say(f"{sheet.name}: undecided; no printed parameter follows from others that are printed.")
    if sheet.rewired is None:
        _print_rest(sheet, result)
        return
    for each, found in ((sheet, result), (sheet.rewired, consistency(sheet.rewired))):
        say(f"Its coils in {each.conditions.wiring}:")
        _print_rest(each, found)


def print_result(fit: FitResult, sheet: Sheet, result: CheckResult, own: int = 0) -> None:
    """Print the verdict, what explains it and what it means for the boxes, then each parameter; more on request.

    Where so many of the boxes are the user's `own`, the last, the usual ones are told on request alone.
    """
    if told := doubt(fit.driver):
        say(f"warn: {fit.driver.name}: {told}")
    whose = "its sheet" if sheet.name in (fit.driver.name, UNNAMED) else f"the sheet of {sheet.name}"
    say(f"{fit.driver.name} against {whose}: {_verdict(result)}")
    if sheet.name == UNNAMED:
        say(f"warn: {_unnamed(sheet)}")
    elif fit.driver.name != sheet.name and "outside" in {item.verdict for item in result.figures}:
        say(f"warn: The names differ; make sure that this is the sheet of {fit.driver.name} before anything is sent back.")
    for item in result.figures:
        if item.name in PROMISED:
            say(f"{item.name}, {item.verdict}: {item.note}.")
    _print_suspicions(sheet, result.suspicions)
    if mended := as_meant(sheet, result.suspicions)[1]:
        say(f"Mend the sheet first; what follows takes {listed([PARAMETERS[name].called for name in mended])} as meant.")
    say(f"{result.pattern.sentence} {result.conclusion}".rstrip())
    if result.contradictions:
        _print_contradictions(sheet, result.contradictions)
    for box in result.boxes if is_full() else result.boxes[-own:]:
        say(box.sentence or "")
    columns = ["parameter", "sheet", "fit", "±1σ", "off by", "limit", "verdict"]
    rest = [] if is_full() or len(result.figures) <= MOST_ROWS else [
        item for item in result.figures if item.verdict == "inside" and item.name not in FIRST
    ]  # fmt: skip
    print_table(columns, [_row(item, sheet) for item in result.figures if item not in rest])
    more = [f"{len(rest)} more inside (--full)."] if rest else []
    if more or result.converted:
        say(" ".join([*more, *result.converted]))
    if not is_full():
        return
    if result.boxes:
        say("Shape is the level re mid-band, with the coil left out; the tables below count both.")
    for box in result.boxes:
        _print_consequence(box)
    for line in dict.fromkeys(
        f"{PARAMETERS[item.name].called}: {item.note}" for item in result.figures if item.note and item.name not in PROMISED
    ):
        say(line)
    for name, reason in result.not_judged.items():
        say(f"{PARAMETERS[name].called}: not judged; {reason}")
    print_notes(fit.quality)


def _unnamed(sheet: Sheet) -> str:
    return (
        f"{sheet.file}: name in [driver] is still that of the empty sheet; write whose sheet it is, lest two be mixed up."
    )


def _verdict(result: CheckResult) -> str:
    """Say what is inside, outside or undecided, the parameters that decide it and by how much they are off."""
    counts = Counter(item.verdict for item in result.figures)
    rest = [
        f"{counts[each]} {each}" for each in ("outside", "undecided", "inside") if counts[each] and each != result.verdict
    ]
    if result.not_judged:
        ways: dict[str, list[str]] = {}  # names of what is not judged by the option that each wants, "" for none
        for name, why in result.not_judged.items():
            option = next((option for option in ("--travel", "--heat") if option in why), "")
            ways.setdefault(option, []).append(PARAMETERS[name].called)
        if wanted := [option for option in ways if option]:
            named = [name for option in wanted for name in ways[option]]
            rest.append(f"{' and '.join(named)} not judged without {' and '.join(wanted)}")
        if "" in ways:
            rest.append(f"{' and '.join(ways[''])} not judged")
    deciding = [item for item in result.figures if item.verdict == result.verdict]
    promised = [_off(item) for item in deciding if item.name in PROMISED]
    unsure = [_off(item) for item in deciding if item.name not in PROMISED]
    still = [f"the uncertainty is too large to tell for {', '.join(unsure)}"] * bool(unsure)
    still += [f"open, as said below, {', '.join(promised)}"] * bool(promised)
    words = {
        "inside": f"all {counts['inside']} judged parameters hold",
        "outside": ", ".join(map(_off, deciding)),
        "undecided": " and ".join(still),
    }
    told = f" ({', '.join(rest)})" if rest else ""
    return f"{result.verdict}; {words[result.verdict]}{told}."


def _off(item: Judged) -> str:
    why = f" as {item.limit}" if item.limit else ""
    return f"{PARAMETERS[item.name].called} {with_decimals(item.deviation, 1, '+')} {item.unit}{why}"


def _row(item: Judged, sheet: Sheet) -> list[str]:
    parameter = PARAMETERS[item.name]
    spread, value = item.stdev * parameter.factor, item.measured * parameter.factor
    decimals = shown_decimals(value, spread, parameter.unit, full=is_full())
    shown = [("over " if item.at_least else "") + with_decimals(value, decimals), spread_shown(spread, decimals)]
    printed = sheet.figures[item.name].shown(parameter.factor)
    off = f"{with_decimals(item.deviation, 1, '+')} {item.unit}"
    return [parameter.heading, printed, *shown, off, f"±{item.tolerance:g}", item.verdict]


def _print_consequence(box: Consequence) -> None:
    rows = []
    for name in NUMBERS:
        if name in box.figures:
            item = box.figures[name]
            before, value, low, high = (
                _number(number, NAMES[name][1])
                for number in (item.before.value, item.after.value, item.after.low, item.after.high)
            )
            rows.append([headed(name), before, value, f"{low} to {high}"])
    print_table([f"in the {box.box}", "sheet", "fit", "95 %"], rows)
    known = [("level", box.level_change_db)]
    known += [] if box.maximum_change_db is None else [("loudest", box.maximum_change_db)]
    columns = ["Hz", *(column for label, _ in known for column in (f"{label}, dB", "95 %"))]
    rows = [
        [f"{box.frequency_hz[k]:g}", *(cell for _, change in known for cell in _change(change, k))]
        for k in tabled(box.frequency_hz)
    ]
    print_table(columns, rows, title="fit less sheet; loudest: within the printed limits")


def _change(change: BandCurve, k: int) -> tuple[str, str]:
    value, low, high = (_number(float(end[k]), 1, sign=True) for end in (change.value, change.low, change.high))
    return value, "" if low == value == high else f"{low} to {high}"


def _number(value: float, digits: int, *, sign: bool = False) -> str:
    return with_decimals(value, digits, "+" if sign else "") if math.isfinite(value) else "none"


def _print_contradictions(sheet: Sheet, found: Sequence[Contradiction]) -> None:
    say(f"The sheet of {sheet.name} contradicts itself:")
    for item in found:
        say(f"  {item.sentence}")
    suspect, possible = found[0].suspect, [PARAMETERS[name].called for name in found[0].possible]
    if suspect:
        say(f"Another {PARAMETERS[suspect].called} alone would make all of it agree.")
    elif possible:
        say(f"Which parameter is wrong cannot be told: another {' or '.join(possible)} would make all of it agree.")
    else:
        say("Which parameter is wrong cannot be told: no single one, printed otherwise, would make all of it agree.")


def print_beside(sheets: tuple[Sheet, Sheet], both: SheetsBeside) -> None:
    """Print what two sheets come to together, then each parameter with what its difference alone does."""
    for sheet in sheets:
        if sheet.name == UNNAMED:
            say(f"warn: {_unnamed(sheet)}")
    for sentence in both.together:
        say(sentence)
    rows, rest = [], []
    for one in both.figures:
        parameter = PARAMETERS[one.name]
        printed = [sheet.figures[one.name].shown(parameter.factor) if one.name in sheet.figures else "" for sheet in sheets]
        off = "" if one.difference_percent is None else f"{one.difference_percent:+.1f} %"
        off = off if one.difference_db is None else f"{one.difference_db:+.1f} dB"
        if one.name in FIRST or is_full() or len(both.figures) <= MOST_ROWS:
            rows.append([parameter.heading, *printed, off, one.effect])
        else:
            rest.append(f"{parameter.called} {off}" if off else f"{parameter.called} ({one.effect})")
    print_table(["parameter", *both.names, "differs by", "alone means"], rows)
    if rest:
        say(f"Beside these (--full): {', '.join(rest)}.")


def _print_suspicions(sheet: Sheet, suspicions: Sequence[Suspicion]) -> None:
    for item in suspicions:
        say(item.sentence(PARAMETERS[item.figure].called, sheet.figures[item.figure]))


def _print_rest(sheet: Sheet, result: Consistency) -> None:
    _print_suspicions(sheet, result.suspicions)
    if result.derived:
        say("Not printed; derived from the rest, with the range that its rounding leaves:")
    for item in result.derived:
        parameter = PARAMETERS[item.name]
        spread = 0.5 * (item.interval[1] - item.interval[0]) * parameter.factor
        value, low, high = (rounded(end * parameter.factor, spread) for end in (item.value, *item.interval))
        say(f"  {parameter.called} {value} {parameter.shown}".rstrip() + f" ({low} to {high})")


def print_lot(result: LotResult, types: Sequence[str], *, judged: bool) -> None:
    """Print parameters, outliers, pairs and, when `judged` against a sheet, the verdict.

    Samples of several `types` are doubted.
    """
    if len(set(types)) > 1:
        told = "samples of one type are meant here, and 'tsfit compare' sets types side by side"
        say(f"warn: The fits are of {' and '.join(dict.fromkeys(types))}; {told}.")
    widest = sorted((item for item in result.lot if item.spread_percent), key=lambda item: -(item.spread_percent or 0.0))
    if widest and not judged:
        most = ", ".join(f"{PARAMETERS[item.name].called} ({in_figures(item.spread_percent, 2)} %)" for item in widest[:3])
        say(f"{len(result.samples)} samples spread most in {most}.")
    rows, enough = [], len(result.samples) >= ENOUGH
    for item in result.lot:
        parameter = PARAMETERS[item.name]
        factor = parameter.factor
        sign = " dB" if parameter.level else " %"
        own, measured = item.spread_db or item.spread_percent or 0.0, item.measurement_db or item.measurement_percent or 0.0
        spread = (own if parameter.level else 0.01 * own * item.mean) * factor
        low, high = (rounded(end * factor, spread) for end in item.tolerance_interval)
        type_ends = [f"{low} to {high}"] if enough else []
        row = [
            parameter.heading,
            rounded(item.mean * factor, spread),
            f"{in_figures(own, 2)}{sign}",
            f"{in_figures(measured, 2)}{sign}",
            *type_ends,
        ]
        if judged:
            row += ["" if item.published is None else in_figures(item.published * factor, 4), item.verdict or ""]
        rows.append(row)
    if judged:
        out = [PARAMETERS[item.name].called for item in result.lot if item.verdict == "outside"]
        say(f"Verdict: {result.verdict}{'; the mean of ' + ', '.join(out) if out else ''}.")
    columns = ["parameter", "mean", "spread", "measured to", *[f"{100 * FRACTION:.0f} % of the type"][: int(enough)]]
    print_table(columns + ["sheet", "verdict"] * judged, rows, title=f"{len(result.samples)} samples" if judged else None)
    few = f"{len(result.samples)} samples do not tell how the type spreads; measure {ENOUGH} or more."
    hint(
        few
        if not enough
        else f"{100 * FRACTION:.0f} % of all drivers of the type lie between these ends, with {100 * CONFIDENCE:.0f} % "
        "confidence, if their parameters scatter normally (Howe's factor, ISO 16269-6)."
    )
    strange: dict[str, list[str]] = {}
    for item in result.lot:
        if item.outlier is not None:
            strange.setdefault(result.samples[item.outlier], []).append(PARAMETERS[item.name].called)
    for name, parameters in strange.items():
        say(f"{name} stands out in {', '.join(parameters)} (Grubbs' test, 5 %).")
    if result.pairs:
        say(f"Pairs by the level of both in the same box: {result.box}.")
        pairs = dict.fromkeys([*result.best_pairs, *result.pairs[:MOST_PAIRS]])
        rows = [
            [f"{' and '.join(pair.names)}", f"{pair.difference_db:.2f}", "yes" * (pair in result.best_pairs)]
            for pair in pairs
        ]
        print_table(["pair", "apart at most, dB", "chosen"], rows)
