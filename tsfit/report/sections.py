"""What the forms of the commands say, as sections of a page: findings first, numbers after, pictures between."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from tsfit.box.compare.consequence import Consequence
from tsfit.box.forms import BoxForm
from tsfit.check.consistency import Contradiction
from tsfit.check.forms import CheckForm
from tsfit.check.verdict import Judged
from tsfit.driver.fit_result import FitResult, FittedState
from tsfit.driver.units import display, rounded
from tsfit.plots.consequence import consequence_figure
from tsfit.plots.curves import Quantity, curves_figure
from tsfit.plots.fit import fit_figure
from tsfit.report.blocks import Block, Part, figure_name, flat, heading, number, table, text
from tsfit.report.picture import picture

DOTS_PER_OCTAVE = 20.0
"""Measured points that a page draws; more would only make it heavy."""
LEVEL_SPAN_DB = 40.0
VERDICTS = {
    "inside": "The datasheet holds: every figure that can be judged is inside its tolerance.",
    "outside": "The datasheet does not hold.",
    "undecided": "Undecided: the measurement is not sure enough to tell.",
}


def fit_part(fit: FitResult, name: str) -> Part:
    """Turn a fit into a part; `name` makes its pictures' names."""
    driver = fit.driver
    rows = []
    for figure, estimate in fit.parameters.items():
        told = estimate.shown(figure)
        rows.append([figure_name(figure), told.value, told.spread, told.low, told.high, told.unit])
    columns = ("figure", "value", "standard uncertainty", "95 % from", "95 % to", "unit")
    title = driver.name if driver.serial is None else f"{driver.name}, serial {driver.serial}"
    key = {figure: display(figure, item.value, item.unit) for figure, item in fit.parameters.items()}
    lead = ", ".join(
        f"{figure} {key[figure][0]:.3g} {key[figure][1]}".rstrip()
        for figure in ("Re", "Fs", "Qts", "Vas", "Mms", "Bl")
        if figure in key
    )
    sure: list[Block] = [heading(title)]
    if fit.states:
        caption = (
            f"{driver.name}: impedance as measured (dots) and as the fitted circuit has it (lines), and what it misses "
            "in each sweep."
        )
        sure.append(Block("picture", picture=picture(fit_figure(_thinned(fit)), f"{name}-fit", caption)))
    remarks = [note.message if note.sweep is None else f"Sweep {note.sweep + 1}: {note.message}" for note in fit.quality]
    sure.append(Block("list", items=remarks) if remarks else text("The fit has nothing to remark."))
    model = f"Coil model {driver.coil}, suspension model {driver.suspension}."
    return Part(
        subject=title,
        found=(heading(title), text(f"{lead}."), table(f"Parameters of {title}", columns, rows)),
        sure=sure,
        measured=(heading(title), text(model), *_provenance(fit.provenance)),
    )


def _thinned(fit: FitResult) -> FitResult:
    def thin(state: FittedState) -> FittedState:
        frequency = state.curve.frequency_hz
        _, keep = np.unique(np.round(DOTS_PER_OCTAVE * np.log2(frequency)), return_index=True)
        curve = replace(
            state.curve,
            frequency_hz=frequency[keep],
            impedance_ohm=state.curve.impedance_ohm[keep],
            variance_ohm2=None,
            systematic={},
        )
        return replace(
            state, curve=curve, used=state.used[keep], fitted_ohm=state.fitted_ohm[keep], sigma_ohm=state.sigma_ohm[keep]
        )

    return replace(fit, states=tuple(thin(state) for state in fit.states))


def _provenance(data: Mapping[str, object]) -> list[Block]:
    """Sweeps as a table of their own, the rest as pairs; of a checksum the first dozen characters tell files apart."""
    rest = {key: value for key, value in data.items() if key != "sweeps"}
    blocks = []
    told = data.get("sweeps")
    sweeps = [dict(flat(sweep)) for sweep in told if isinstance(sweep, Mapping)] if isinstance(told, list) else []
    keys = [key for key in dict.fromkeys(key for sweep in sweeps for key in sweep) if not key.startswith("calibration")]
    if sweeps:
        rows = [[key.replace("_", " "), *(_short(key, sweep.get(key, "")) for sweep in sweeps)] for key in keys]
        blocks.append(table("Sweeps", ("what", *(f"sweep {count + 1}" for count in range(len(sweeps)))), rows))
    rows = [[place.replace("_", " "), _short(place, value)] for place, value in flat(rest)]
    return [*blocks, table("Where it comes from", ("what", "value"), rows)] if rows else blocks


def _short(place: str, value: str) -> str:
    return value[:12] if place.endswith("sha256") else value


def check_part(data: CheckForm, name: str) -> Part:
    """Turn a check into a part."""
    subject = data.driver or "the datasheet"
    columns = ("figure", "printed", "measured", "standard uncertainty", "unit", "off by", "allowed", "in", "verdict")
    out = [figure_name(one.name) for one in data.figures if one.verdict == "outside"]
    verdict = VERDICTS[data.verdict] + (f" Outside: {', '.join(out)}." if out else "")
    found = [heading(f"{subject}: the datasheet"), text(verdict, strong=True)]
    if data.consequence.conclusion:
        found.append(text(data.consequence.conclusion, strong=True))
    if data.pattern:
        found.append(text(data.pattern))
    if data.figures:
        found.append(table("Printed against measured", columns, list(map(_judged, data.figures))))
    if data.contradictions:
        found.append(text("The sheet contradicts itself:"))
        found.append(Block("list", items=list(map(_contradiction, data.contradictions))))
    return Part(subject, found=found, box=_consequence(subject, data.consequence.boxes, name))


def _judged(one: Judged) -> list[str]:
    printed, unit = display(one.name, one.published)
    factor = printed / one.published if one.published else 1.0
    level = one.deviation_percent is None
    off, limit = (one.deviation_db, one.tolerance_db) if level else (one.deviation_percent, one.tolerance_percent)
    spread = one.stdev * (1.0 if level else factor)
    return [
        figure_name(one.name),
        number(printed),
        rounded(one.measured * factor, spread),
        rounded(spread, spread),
        unit,
        number(off, 3),
        number(limit, 3),
        "dB" if level else "%",
        one.verdict,
    ]


def _consequence(subject: str, boxes: Sequence[Consequence], name: str) -> list[Block]:
    """What the printed and the measured driver make of the same boxes."""
    if not boxes:
        return []
    blocks = [heading(f"{subject}: printed against measured in the same boxes")]
    blocks += [text(box.sentence or "") for box in boxes]
    caption = f"{subject}: what the measured driver changes in boxes planned on the printed one."
    blocks.append(Block("picture", picture=picture(consequence_figure(subject, boxes), f"{name}-boxes", caption)))
    columns = ("figure", "printed", "measured", "change", "95 % from", "95 % to", "unit")
    for box in boxes:
        rows = []
        for key, one in box.figures.items():
            told = (one.before.value, one.after.value, one.change.value, one.change.low, one.change.high)
            rows.append([_what(key), *map(number, told), _unit(key)])
        blocks.append(table(box.box, columns, rows))
    return blocks


def _contradiction(item: Contradiction) -> str:
    if item.sentence:
        return item.sentence
    suspect = f"; suspect: {item.suspect}" if item.suspect else ""
    return f"{item.relation}: printed {number(item.printed)}, implied {number(item.implied)}{suspect}."


def box_part(data: BoxForm, name: str) -> Part:
    """Turn a box into a part."""
    subject = data.driver
    curves = (
        ("level, dB", data.spl_db, LEVEL_SPAN_DB, 2.2),
        ("most level, dB", data.max_spl_db, LEVEL_SPAN_DB, 1.8),
        ("travel, mm", data.excursion_mm, None, 1.3),
        ("group delay, ms", data.group_delay_ms, None, 1.3),
        ("impedance, Ω", data.impedance_ohm, None, 1.3),
        ("port air, m/s", data.port_speed_m_s, None, 1.3),
    )
    quantities = [
        Quantity(label, {subject: values}, span=span, height=height)
        for label, values, span, height in curves
        if values is not None
    ]
    title = f"{subject}, {data.enclosure} box"
    subtitle = f"{number(data.drive_v, 3)} V RMS, 1 m, half space"
    caption = f"{title}: what it does at {subtitle}; travel and port air are peak values."
    drawn = curves_figure(data.frequency_hz, quantities, title, subtitle)
    rows = [[_what(key), number(value), _unit(key)] for key, value in data.design.items() if value is not None]
    blocks = [heading(title), Block("picture", picture=picture(drawn, f"{name}-box", caption))]
    blocks.append(table(f"Design of the {data.enclosure} box", ("what", "value", "unit"), rows))
    if data.notes:
        blocks.append(Block("list", items=[note.message for note in data.notes]))
    return Part(subject, box=blocks)


UNITS = {"hz": "Hz", "l": "l", "db": "dB", "cm": "cm", "mm": "mm", "ms": "ms", "v": "V", "w": "W", "percent": "%"}


def _unit(key: str) -> str:
    return "m/s" if key.endswith("_m_s") else UNITS.get(key.rsplit("_", 1)[-1], "") if "_" in key else ""


def _what(key: str) -> str:
    unit = key.removesuffix("_m_s") if key.endswith("_m_s") else key.rsplit("_", 1)[0] if _unit(key) else key
    return unit.replace("_", " ")
