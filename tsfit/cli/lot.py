"""Tables of a lot, for ``tsfit check`` with several fits."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tsfit.cli.output import hint, print_table, say
from tsfit.driver.units import rounded

if TYPE_CHECKING:
    from tsfit.check.pairs import LotResult

MOST_PAIRS = 10


def print_lot(result: LotResult, *, judged: bool) -> None:
    """Print figures, outliers, pairs and, when `judged` against a sheet, the verdict."""
    from tsfit.check.lot import CONFIDENCE, FRACTION
    from tsfit.cli.check import label
    from tsfit.driver.parameters import LEVELS
    from tsfit.driver.units import display

    rows = []
    for item in result.figures:
        factor, unit = display(item.name, 1.0)
        level = item.name in LEVELS
        scale, sign = (1.0, " dB") if level else (100.0, " %")
        spread = (item.spread if level else item.spread * item.mean) * factor
        low, high = (rounded(end * factor, spread) for end in item.interval)
        row = [
            label(item.name, unit),
            rounded(item.mean * factor, spread),
            f"{item.spread * scale:.2g}{sign}",
            f"{item.measurement * scale:.2g}{sign}",
            f"{low} to {high}",
        ]
        if judged:
            row += ["" if item.published is None else f"{item.published * factor:.4g}", item.verdict or ""]
        rows.append(row)
    columns = ["figure", "mean", "spread", "measured to", f"{100 * FRACTION:.0f} % of the type"]
    print_table(columns + ["sheet", "verdict"] * judged, rows, title=f"{len(result.names)} samples")
    hint(
        f"{100 * FRACTION:.0f} % of all drivers of the type lie between these ends, with {100 * CONFIDENCE:.0f} % "
        "confidence, if their figures scatter normally (Howe's factor, ISO 16269-6)."
    )
    strange: dict[str, list[str]] = {}
    for item in result.figures:
        if item.outlier is not None:
            strange.setdefault(result.names[item.outlier], []).append(label(item.name))
    for name, figures in strange.items():
        say(f"{name} stands out in {', '.join(figures)} (Grubbs' test, 5 %).")
    if result.pairs:
        best = set(result.best)
        shown = result.pairs[:MOST_PAIRS]
        rows = [
            [
                f"{result.names[pair.first]} and {result.names[pair.second]}",
                f"{pair.difference_db:.2f}",
                "yes" * (pair in best),
            ]
            for pair in dict.fromkeys([*result.best, *shown])
        ]
        say(f"Pairs by the level of both in the same box: {result.box}.")
        print_table(["pair", "apart at most, dB", "chosen"], rows)
    if judged:
        out = [item.name for item in result.figures if item.verdict == "outside"]
        say(f"Verdict: {result.verdict}{'; the mean of ' + ', '.join(out) if out else ''}.")
