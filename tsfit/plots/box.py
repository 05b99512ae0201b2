"""What a box does, one panel a quantity."""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from tsfit.base.arrays import Real
from tsfit.base.figures import in_figures
from tsfit.box.enclosure import KIND_NAMES, step_response
from tsfit.box.limits import MaximumOutput
from tsfit.box.result import BoxResult
from tsfit.box.told import in_units
from tsfit.plots.style import (
    INK,
    LINES,
    QUIET,
    SMALL,
    TEXT,
    frequency_axis,
    mark_swept,
    name_level,
    new_plot,
    note,
    value_axis,
)

LEVEL_SPAN_DB = 40.0
FINER = 4
"""Times as many points as elsewhere draw the impedance."""
BAND_INK = "#c9d6d9"
LIMIT_STYLES = {
    "power": LINES[0],
    "travel": LINES[1],
    "port speed": LINES[2],
    "radiator travel": LINES[2],
    "amplifier voltage": LINES[3],
    "amplifier current": LINES[4],
}
"""Colour and dash of the maximum output where this limit stops it; no box has both a port and a radiator."""


def box_plot(result: BoxResult) -> Figure:
    """Draw level, maximum output, cone travel, port speed or radiator travel, group delay and impedance against frequency.

    The level panel names the mid-band level and f3, the maximum which limit stops it where, travel and port speed their
    limits where they are near. Grey bands are the 95 % that the fit's uncertainty leaves, where the driver came as a fit.
    """
    curves, enclosure = result.curves, result.enclosure
    quantities: list[tuple[str, Real, str, float]] = [
        ("spl_db", curves.spl_db, f"level at {in_figures(enclosure.voltage, 3)} V, dB at 1 m", 1.9)
    ]
    if result.maximum is not None:
        quantities.append(("max_spl_db", result.maximum.spl_db, "loudest, dB at 1 m", 1.9))
    quantities.append(("excursion_mm", curves.excursion_mm, "travel, mm peak", 1.25))
    if curves.port_speed_m_s is not None:
        quantities.append(("port_speed_m_s", curves.port_speed_m_s, "port air, m/s peak", 1.25))
    if curves.radiator_excursion_mm is not None:
        quantities.append(("radiator_excursion_mm", curves.radiator_excursion_mm, "radiator, mm peak", 1.25))
    quantities.append(("group_delay_ms", curves.group_delay_ms, "group delay, ms", 1.25))
    quantities.append(("impedance_ohm", curves.impedance_ohm, "impedance, Ω", 1.25))
    figure, panels = new_plot([height for *_, height in quantities], enclosure.driver.name, _subtitle(result))
    at = {name: panel for panel, (name, *_) in zip(panels, quantities, strict=True)}
    colour, dash = LINES[0]
    for name, values, label, _ in quantities:
        panel = at[name]
        value_axis(panel, label)
        if result.bands is not None and name in result.bands.curves:
            band = result.bands.curves[name]
            panel.fill_between(curves.frequency_hz, band.low, band.high, color=BAND_INK, linewidth=0.0)
        if name == "max_spl_db":
            continue
        f = curves.frequency_hz
        if name == "impedance_ohm" and len(f) > 2:
            # A peak is sharper than the points are dense.
            f = np.geomspace(f[0], f[-1], FINER * len(f))
            values = np.abs(enclosure.impedance(f))
        panel.plot(f, values, color=colour, linestyle=dash, linewidth=1.6, marker=_marker(values))
        if name != "spl_db":
            panel.set_ylim(min(0.0, 1.1 * float(np.min(values))), 1.1 * float(np.max(values)) or 1.0)
    drawn = float(curves.frequency_hz[0]), float(curves.frequency_hz[-1])
    frequency_axis(panels[-1], *drawn)
    mark_swept(panels, drawn, None if result.bands is None else result.bands.swept_hz)
    _level_panel(at["spl_db"], result)
    if result.maximum is not None:
        _maximum_panel(at["max_spl_db"], result.maximum, result.peak)
    ratings = result.ratings
    _limit_line(at["excursion_mm"], ratings.xmax_m, 1e3, "Xmax", "mm")
    if "port_speed_m_s" in at:
        _limit_line(at["port_speed_m_s"], ratings.port_speed_m_s, 1.0, "limit", "m/s")
    if "radiator_excursion_mm" in at:
        _limit_line(at["radiator_excursion_mm"], ratings.radiator_xmax_m, 1e3, "limit", "mm")
    return figure


def step_plot(result: BoxResult) -> Figure:
    """Draw the pressure after a voltage step."""
    time, pressure = step_response(result.enclosure)
    volts = result.enclosure.voltage
    told = f"{_build(result)}; after a step of {in_figures(volts, 3)} V, 1 m, half space"
    figure, (panel,) = new_plot([2.4], result.enclosure.driver.name, told)
    panel.axhline(0.0, color=QUIET, linewidth=0.9)
    panel.plot(1e3 * time, pressure, color=LINES[0][0], linewidth=1.6)
    value_axis(panel, "pressure, Pa", (1, 2, 2.5, 5, 10))
    panel.set_xlim(1e3 * time[0], 1e3 * time[-1])
    panel.xaxis.set_major_locator(MaxNLocator(8, steps=[1, 2, 5, 10]))
    panel.set_xlabel("time, ms", fontsize=TEXT, color=INK)
    return figure


def _marker(values: Real) -> str:
    """A curve of very few points shows them."""
    return "o" if len(values) < 3 else ""


def _subtitle(result: BoxResult) -> str:
    return f"{_build(result)}; {in_figures(result.enclosure.voltage, 3)} V RMS, 1 m, half space"


def _build(result: BoxResult) -> str:
    enclosure = result.enclosure
    told = {**in_units(result.chamber), **in_units(result.opening)}
    volumes = " + ".join(f"{in_figures(told[key], 3)} l" for key in ("volume_l", "front_volume_l") if told[key] is not None)
    tuned = f"Qtc {in_figures(told['qtc'], 3)}" if told["fb_hz"] is None else f"tuned to {in_figures(told['fb_hz'], 3)} Hz"
    leak = result.losses.get("leak_q", np.inf)
    leaks = "" if np.isinf(leak) else f"leak Q {in_figures(leak, 3)}"
    diameter = told.get("port_diameter_cm")
    port = "" if diameter is None else f"port {in_figures(diameter, 3)} cm across"
    build = ", ".join(filter(None, (KIND_NAMES[enclosure.kind], volumes, tuned, port, leaks)))
    several = f"{enclosure.count} drivers; " if enclosure.count > 1 else ""
    return f"{several}{build}"


def _level_panel(panel: Axes, result: BoxResult) -> None:
    band_pass = result.enclosure.kind == "bandpass"
    heard = result.pass_band
    reference, f3, upper = heard.reference_db, heard.f3_hz, heard.f3_upper_hz
    shown = result.curves.spl_db
    if result.room is not None:
        shown = shown + result.room.gain_db(result.curves.frequency_hz)
        _in_the_room(panel, result.curves.frequency_hz, shown, result.room.lowest_mode_hz)
    top = 5.0 * np.ceil((max(float(np.max(shown)), reference) + 2.0) / 5.0)
    panel.set_ylim(top - LEVEL_SPAN_DB, top)
    name_level(panel, reference, f"{'pass-band' if band_pass else 'mid-band'} {reference:.1f} dB")
    name_ringing(panel, result.curves.frequency_hz, result.curves.spl_db, result.enclosure.ringing_hz)
    low, high = result.curves.frequency_hz[[0, -1]]
    for frequency, side in ((f3, "right" if band_pass else "left"), (upper, "left")):
        if frequency is not None and low <= frequency <= high:
            level = reference - 3.01
            panel.plot([frequency], [level], marker="o", markersize=4.5, color=LINES[0][0])
            note(
                panel, f"f3 {in_figures(frequency, 3)} Hz", (frequency, level), LINES[0][0],
                (7 if side == "left" else -7, 2 if band_pass else -3), va="bottom" if band_pass else "top", ha=side,
            )  # fmt: skip


RINGS = "a part of the cone rings\n(surround, dust cap)"


def name_ringing(panel: Axes, frequency: Real, level: Real, ringing_hz: Sequence[float], words: str = RINGS) -> None:
    """Say in `words` under the curve (n_freq,) where a part of the cone makes its kink."""
    low, high = frequency[[0, -1]]
    for hz in ringing_hz:
        if low < hz < high:
            at = float(np.interp(np.log(hz), np.log(frequency), level))
            look = {"arrowstyle": "-", "color": QUIET, "linewidth": 0.6, "shrinkB": 3.0}
            said = f"{words}, {in_figures(hz, 2)} Hz"
            note(panel, said, (hz, at), QUIET, (0.0, -14.0), ha="center", va="top", arrowprops=look)


def _in_the_room(panel: Axes, frequency: Real, level: Real, lowest_mode: float) -> None:
    colour, dash = LINES[1]
    below = frequency <= 1.02 * lowest_mode
    if not np.any(below):
        return
    panel.plot(frequency[below], level[below], color=colour, linestyle=dash, linewidth=1.3)
    at = min(int(np.searchsorted(frequency, 0.6 * lowest_mode)), len(frequency) - 1)
    crowded = frequency[at] < 3.0 * frequency[0]
    note(
        panel, "in the room, roughly", (frequency[at], level[at]), colour, (0.0 if crowded else -5.0, 3.0),
        ha="left" if crowded else "right",
    )  # fmt: skip


def _maximum_panel(panel: Axes, most: MaximumOutput, peak: MaximumOutput | None) -> None:
    """Draw the maximum output, each stretch in the style of the limit that binds there and named once."""
    frequency, level = most.frequency_hz, most.spl_db
    top = 5.0 * np.ceil((float(np.max(level if peak is None else peak.spl_db)) + 4.0) / 5.0)
    panel.set_ylim(top - LEVEL_SPAN_DB, top)
    if peak is not None and np.any(peak.spl_db > level + 0.05):
        panel.plot(frequency, peak.spl_db, color=QUIET, linewidth=0.9, linestyle=(0, (1.5, 2.0)))
        above = int(np.argmax(peak.spl_db - level))
        note(panel, "short-term", (frequency[above], float(peak.spl_db[above])), QUIET, (0, 3.0), ha="center")
    edges = np.flatnonzero(np.diff(most.binding)) + 1
    starts, ends = np.concatenate([[0], edges]), np.concatenate([edges, [len(frequency)]])
    span = np.log(frequency[-1] / frequency[0]) or 1.0
    widest: dict[str, tuple[float, int]] = {}
    for start, end in zip(starts, ends, strict=True):
        name = most.names[most.binding[start]]
        colour, dash = LIMIT_STYLES[name]
        # Stretches meet: each runs on to the first point of the next.
        part = slice(start, min(end + 1, len(frequency)))
        panel.plot(frequency[part], level[part], color=colour, linestyle=dash, linewidth=2.0, marker=_marker(level[part]))
        seen = start + np.flatnonzero(level[part] > top - LEVEL_SPAN_DB)
        if not len(seen):
            continue
        share = float(np.log(frequency[seen[-1]] / frequency[seen[0]]) / span)
        middle = int(np.searchsorted(frequency, np.sqrt(frequency[seen[0]] * frequency[seen[-1]])))
        widest[name] = max(widest.get(name, (-1.0, 0)), (share, middle))
    for name, (_, middle) in widest.items():
        falling = level[min(middle + 1, len(level) - 1)] < level[max(middle - 1, 0)] - 0.01
        # Underneath the line, to the right where it rises and to the left where it falls.
        aside, side = (-5.0, "right") if falling else (5.0, "left")
        at = (frequency[middle], float(level[middle]))
        note(panel, name, at, LIMIT_STYLES[name][0], (aside, -3.0), ha=side, va="top")


def _limit_line(panel: Axes, limit: float | None, scale: float, called: str, unit: str) -> None:
    """Draw a limit where the curve comes within half of it; where it does not, say where it lies."""
    if limit is None:
        return
    shown, (bottom, top) = scale * limit, panel.get_ylim()
    if shown <= 2.0 * top:
        panel.set_ylim(bottom, max(top, 1.2 * shown))
        name_level(panel, shown, f"{called} {in_figures(shown, 3)} {unit}")
    else:
        told = f"{called}, above: {in_figures(shown, 3)} {unit}"
        panel.text(0.995, 0.96, told, transform=panel.transAxes, ha="right", va="top", fontsize=SMALL, color=QUIET)
