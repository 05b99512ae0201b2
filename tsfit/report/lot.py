"""Several samples of one type as a part of a page."""

from __future__ import annotations

from tsfit.check.lot import LotFigure, LotResult
from tsfit.driver.units import display, rounded
from tsfit.plots.lot import lot_figure
from tsfit.report.blocks import Block, Part, figure_name, heading, number, table, text
from tsfit.report.picture import picture


def lot_part(data: LotResult, name: str) -> Part:
    """Turn a lot into a part."""
    samples, figures = data.samples, data.lot
    subject = f"{len(samples)} samples"
    judged = any(one.verdict is not None for one in figures)
    told = data.tolerance_interval
    share, sure = (number(100.0 * share, 3) for share in (told.fraction, told.confidence))
    found: list[Block] = [heading(f"{subject} of one type")]
    if judged:
        out = [figure_name(one.name) for one in figures if one.verdict == "outside"]
        words = {"inside": "The lot holds its datasheet.", "outside": "The lot does not hold its datasheet."}
        verdict = words.get(data.verdict, "Undecided: the samples are too few or too far apart to tell.")
        found.append(text(verdict + (f" Its mean is outside in {', '.join(out)}." if out else ""), strong=True))
    strange: dict[str, list[str]] = {}
    for one in figures:
        if one.outlier is not None:
            strange.setdefault(samples[one.outlier], []).append(figure_name(one.name))
    found += [text(f"{sample} stands out in {', '.join(names)} (Grubbs' test, 5 %).") for sample, names in strange.items()]
    columns = ["figure", "mean", f"{share} % from", f"{share} % to", "unit", "spread", "measured to", "in"]
    columns += ["sheet", "verdict"] if judged else []
    found.append(table(f"Figures of {subject}", columns, [_row(one, judged=judged) for one in figures]))
    drawn = picture(lot_figure(data), f"{name}-lot", f"{subject}: every figure of every sample, off the mean of all.")
    between = (
        f"{share} % of all drivers of the type lie between the ends, with {sure} % confidence, if their figures scatter "
        f"normally ({told.method}). Spread is that of the samples; what each is measured to is beside it."
    )
    box: list[Block] = []
    if data.pairs:
        chosen = [one.samples for one in data.best_pairs]
        pairs = [
            [" and ".join(one.names), f"{one.difference_db:.2f}", "yes" * (one.samples in chosen)] for one in data.pairs
        ]
        box = [
            heading("Which two belong together"),
            text(f"Both in the same box: {data.box}."),
            table("Pairs, the best matched first", ("pair", "apart at most, dB", "chosen"), pairs),
        ]
    return Part(
        subject,
        found=found,
        sure=[heading(f"{subject} of one type"), Block("picture", picture=drawn), text(between)],
        box=box,
        measured=[heading(f"{subject} of one type"), Block("list", items=samples)],
    )


def _row(one: LotFigure, *, judged: bool) -> list[str]:
    factor, unit = display(one.name, 1.0)
    level = one.spread_db is not None
    spread, measured = (one.spread_db, one.measurement_db) if level else (one.spread_percent, one.measurement_percent)
    step = ((spread or 0.0) if level else 0.01 * (spread or 0.0) * one.mean) * factor
    row = [
        figure_name(one.name),
        *(rounded(value * factor, step) for value in (one.mean, *one.tolerance_interval)),
        unit,
        number(spread, 2),
        number(measured, 2),
        "dB" if level else "%",
    ]
    if judged:
        row += ["" if one.published is None else number(one.published * factor), one.verdict or ""]
    return row
