"""One visual language for all plots.

Lines are named where they run instead of in a legend; they differ in dash as well as in colour, so that a photocopy keeps
them apart; frequency ticks stand at preferred numbers; every axis has its unit. No global state: nothing here touches
matplotlib's settings.
"""

import math
from collections.abc import Collection, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from tsfit.base.arrays import Real

WIDTH_IN = 7.2
LEFT_IN, RIGHT_IN, HEAD_IN, FOOT_IN, GAP_IN = 0.75, 0.18, 0.46, 0.45, 0.17
"""Room beside the panels, for the title, for the frequencies, and above each panel."""
INK = "#20242b"
QUIET = "#666c75"
HAIR = "#dcdfe3"
Dash = str | tuple[int, tuple[float, ...]]
LINES: tuple[tuple[str, Dash], ...] = (
    ("#14505c", "solid"),
    ("#b4531a", (0, (6.0, 1.6))),
    ("#5b3f8c", (0, (7.0, 1.6, 1.4, 1.6))),
    ("#3f7a2a", (0, (1.6, 1.2))),
    ("#8a1f4d", (0, (3.2, 1.2))),
)
"""Colour and dash of the first, second, … line; they differ in lightness too."""
SMALL, TEXT, TITLE = 7.5, 8.5, 10.5
LONGEST_TITLE = 70


def new_plot(
    heights_in: Sequence[float], title: str, subtitle: str, gap_in: float = GAP_IN, breaks: Collection[int] = ()
) -> tuple[Figure, list[Axes]]:
    """Return a figure of panels of the given heights, one above the other, sharing their horizontal axis.

    Margins are fixed instead of fitted to what is written in them: fitting takes longer than drawing. What stands above a
    panel has `gap_in` of room, above the first one as much. Below a panel whose number is in `breaks` its horizontal axis
    ends, with room for what is written there, and the panels that follow share another.
    """
    lasts = {*breaks, len(heights_in) - 1}
    feet = [FOOT_IN if number in lasts else 0.0 for number in range(len(heights_in))]
    height = HEAD_IN + sum(heights_in) + sum(feet) + len(heights_in) * gap_in
    figure = Figure(figsize=(WIDTH_IN, height))
    left, width = LEFT_IN / WIDTH_IN, 1.0 - (LEFT_IN + RIGHT_IN) / WIDTH_IN
    panels: list[Axes] = []
    top, shared = height - HEAD_IN, None
    for number, (own, foot) in enumerate(zip(heights_in, feet, strict=True)):
        top -= gap_in + own
        panel = figure.add_axes((left, top / height, width, own / height), sharex=shared)
        panel.tick_params(labelbottom=number in lasts)
        panels.append(panel)
        top, shared = top - foot, None if number in lasts else panel
    title = title if len(title) <= LONGEST_TITLE else f"{title[: LONGEST_TITLE - 1]}…"
    lines: tuple[tuple[float, str, float, str, str], ...] = (
        (0.07, title, TITLE, INK, "bold"),
        (0.28, subtitle, TEXT, QUIET, "normal"),
    )
    for down, words, size, colour, weight in lines:
        figure.text(
            0.01, 1.0 - down / height, words, va="top", fontsize=size, color=colour, weight=weight, parse_math=False
        )  # fmt: skip
    for panel, own in zip(panels, heights_in, strict=True):
        panel.yaxis.set_label_coords((0.2 - LEFT_IN) / (WIDTH_IN - LEFT_IN - RIGHT_IN), 0.5)
        panel.xaxis.set_label_coords(0.5, -0.25 / own)
        panel.spines[["top", "right"]].set_visible(False)
        panel.spines[["left", "bottom"]].set_color(QUIET)
        panel.tick_params(colors=INK, labelsize=TEXT, color=QUIET, length=3.0)
        panel.grid(True, color=HAIR, linewidth=0.6)
        panel.set_axisbelow(True)
    return figure, panels


def value_axis(panel: Axes, label: str, steps: Sequence[float] = (1, 2, 5, 10)) -> None:
    """Label the vertical axis ("level, dB") and give it a few round ticks."""
    panel.set_ylabel(label, fontsize=TEXT, color=INK)
    panel.yaxis.set_major_locator(MaxNLocator(4, steps=list(steps)))


ONE_TWO_FIVE = (1.0, 2.0, 5.0)


def preferred_numbers(low: float, high: float) -> list[float]:
    """1-2-5 numbers within the range; where fewer than three fit, the R10 series (ISO 3), else steps of a tenth."""
    fine = [1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0]
    ticks: list[float] = []
    for series in (ONE_TWO_FIVE, fine, [step / 10.0 for step in range(10, 100)]):
        ticks = _of_decades(low, high, series)
        if len(ticks) >= 3:
            break
    return ticks


def _of_decades(low: float, high: float, series: Sequence[float]) -> list[float]:
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    ticks = [step * 10.0**decade for decade in decades for step in series]
    return [tick for tick in ticks if low * (1 - 1e-9) <= tick <= high * (1 + 1e-9)]


MOST_TICKS = 6


def log_value_axis(panel: Axes, label: str) -> None:
    """Make the vertical axis logarithmic, label it, and give it 1-2-5 numbers, or even ones over a short range."""
    panel.set_yscale("log")
    panel.set_ylabel(label, fontsize=TEXT, color=INK)
    low, high = panel.get_ylim()
    ticks = _of_decades(low, high, ONE_TWO_FIVE)
    if len(ticks) < 3:
        # A short range has even steps, as an axis that is not logarithmic.
        even = MaxNLocator(MOST_TICKS - 1, steps=[1, 2, 5, 10], min_n_ticks=3).tick_values(low, high)
        ticks = [float(tick) for tick in even if low <= tick <= high]
    panel.yaxis.set_major_locator(FixedLocator(ticks[:: max(1, math.ceil(len(ticks) / MOST_TICKS))]))
    panel.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    panel.yaxis.set_minor_locator(NullLocator())


def frequency_text(frequency: float, _position: object = None) -> str:
    """Write 20, 500, 1k, 20k."""
    return f"{frequency / 1000.0:g}k" if frequency >= 1000.0 else f"{frequency:g}"


NEAR_A_TICK = 1.02


def frequency_axis(panel: Axes, low: float, high: float) -> None:
    """Make the horizontal axis of `panel`, and of those that share it, logarithmic from `low` to `high` Hz.

    An end that is within 2 % of a 1-2-5 number beyond it goes there, so that the number stands at the axis.
    """
    panel.set_xscale("log")
    low = max(_of_decades(low / NEAR_A_TICK, low, ONE_TWO_FIVE), default=low)
    high = min(_of_decades(high, high * NEAR_A_TICK, ONE_TWO_FIVE), default=high)
    if low < high:
        panel.set_xlim(low, high)
    panel.xaxis.set_major_locator(FixedLocator(preferred_numbers(low, high)))
    panel.xaxis.set_major_formatter(FuncFormatter(frequency_text))
    panel.xaxis.set_minor_locator(NullLocator())
    panel.set_xlabel("frequency, Hz", fontsize=TEXT, color=INK)


def note(
    panel: Axes, text: str, at: tuple[float, float], colour: str, shift: tuple[float, float] = (0.0, 0.0), **look: Any
) -> None:
    """Write small `text` at the point `at`, `shift` points aside of it; `look` is what else matplotlib may be told."""
    usual: dict[str, Any] = {"textcoords": "offset points", "fontsize": SMALL, "color": colour}
    panel.annotate(text, at, xytext=shift, **usual | look)


def name_level(panel: Axes, value: float, text: str) -> None:
    """Draw a quiet line across the panel and name it at its right end."""
    panel.axhline(value, color=QUIET, linewidth=0.9, linestyle=(0, (1.5, 2.0)))
    note(panel, text, (1.0, value), QUIET, (0, 2.5), xycoords=("axes fraction", "data"), ha="right")


def mark_swept(panels: Sequence[Axes], drawn_hz: tuple[float, float], swept_hz: tuple[float, float] | None) -> None:
    """Mark in every panel where the swept range ends, and name it in the first; beyond, all is the circuit's alone.

    An end within a third of an octave of what is drawn is not worth a mark.
    """
    if swept_hz is None:
        return
    for end, drawn, words, side in (
        (swept_hz[0], drawn_hz[0], f"swept from {frequency_text(float(f'{swept_hz[0]:.2g}'))} Hz", 1.0),
        (swept_hz[1], drawn_hz[1], f"swept to {frequency_text(float(f'{swept_hz[1]:.2g}'))} Hz", -1.0),
    ):
        if not drawn_hz[0] < end < drawn_hz[1] or abs(math.log2(end / drawn)) < 1.0 / 3.0:
            continue
        beyond = (drawn, end) if side > 0.0 else (end, drawn)
        for panel in panels:
            panel.axvspan(*beyond, facecolor="none", edgecolor=HAIR, hatch="///", linewidth=0.0, zorder=0.5)
            panel.axvline(end, color=QUIET, linewidth=0.9, linestyle=(0, (4.0, 2.0)))
        where = ("data", "axes fraction")
        note(panels[0], words, (end, 0.0), QUIET, (3.0 * side, 3.0), xycoords=where, ha="left" if side > 0.0 else "right")


def third_octave_mean(frequency: Real, values: Real) -> Real:
    """Mean of `values` (n,) over a third of an octave about each of `frequency` (n,), rising."""
    sixth = 2.0 ** (1.0 / 6.0)
    starts = np.searchsorted(frequency, frequency / sixth)
    stops = np.searchsorted(frequency, frequency * sixth, side="right")
    total = np.concatenate([[0.0], np.cumsum(values)])
    return np.asarray((total[stops] - total[starts]) / (stops - starts))


def resonance(size: Real) -> int:
    """Index of the peak of |Z| (n,) after which it falls most, not of where the coil takes it at the end."""
    tops = 1 + np.flatnonzero((size[1:-1] >= size[:-2]) & (size[1:-1] > size[2:]))
    least_after = np.minimum.accumulate(size[::-1])[::-1]
    return int(tops[np.argmax(size[tops] / least_after[tops])]) if len(tops) else int(np.argmax(size))


def spread(positions: Sequence[float], width: float) -> list[float]:
    """Push label centres (0 to 1) apart until neighbours are `width` from each other, or as far as there is room."""
    order = np.argsort(positions, kind="stable")
    width = min(width, 1.0 / max(1, len(positions)))
    placed = np.asarray(positions, dtype=float)[order]
    for _ in range(200):
        placed = np.clip(placed, 0.5 * width, 1.0 - 0.5 * width)
        lacking = np.maximum(width - np.diff(placed), 0.0)
        placed[1:] += 0.5 * lacking
        placed[:-1] -= 0.5 * lacking
    out = np.empty_like(placed)
    out[order] = placed
    return [float(value) for value in out]
