"""Tables of a check of several fits of one type."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tsfit.cli.printing import hint, print_table, say
from tsfit.driver.parameters import PARAMETERS
from tsfit.driver.units import rounded

if TYPE_CHECKING:
    from tsfit.check.pairs import LotResult

MOST_PAIRS = 10


def print_lot(result: LotResult, *, judged: bool) -> None:
    """Print figures, outliers, pairs and, when `judged` against a sheet, the verdict."""
    from tsfit.check.lot import CONFIDENCE, FRACTION

    rows = []
    for item in result.lot:
        parameter = PARAMETERS[item.name]
        factor = parameter.factor
        sign = " dB" if parameter.level else " %"
        own, measured = item.spread_db or item.spread_percent or 0.0, item.measurement_db or item.measurement_percent or 0.0
        spread = (own if parameter.level else 0.01 * own * item.mean) * factor
        low, high = (rounded(end * factor, spread) for end in item.tolerance_interval)
        row = [
            parameter.heading,
            rounded(item.mean * factor, spread),
            f"{own:.2g}{sign}",
            f"{measured:.2g}{sign}",
            f"{low} to {high}",
        ]
        if judged:
            row += ["" if item.published is None else f"{item.published * factor:.4g}", item.verdict or ""]
        rows.append(row)
    columns = ["figure", "mean", "spread", "measured to", f"{100 * FRACTION:.0f} % of the type"]
    print_table(columns + ["sheet", "verdict"] * judged, rows, title=f"{len(result.samples)} samples")
    hint(
        f"{100 * FRACTION:.0f} % of all drivers of the type lie between these ends, with {100 * CONFIDENCE:.0f} % "
        "confidence, if their figures scatter normally (Howe's factor, ISO 16269-6)."
    )
    strange: dict[str, list[str]] = {}
    for item in result.lot:
        if item.outlier is not None:
            strange.setdefault(result.samples[item.outlier], []).append(PARAMETERS[item.name].called)
    for name, figures in strange.items():
        say(f"{name} stands out in {', '.join(figures)} (Grubbs' test, 5 %).")
    if result.pairs:
        say(f"Pairs by the level of both in the same box: {result.box}.")
        pairs = dict.fromkeys([*result.best_pairs, *result.pairs[:MOST_PAIRS]])
        rows = [
            [f"{' and '.join(pair.names)}", f"{pair.difference_db:.2f}", "yes" * (pair in result.best_pairs)]
            for pair in pairs
        ]
        print_table(["pair", "apart at most, dB", "chosen"], rows)
    if judged:
        out = [item.name for item in result.lot if item.verdict == "outside"]
        say(f"Verdict: {result.verdict}{'; the mean of ' + ', '.join(out) if out else ''}.")
