"""What the machine forms of the commands say, as sections of a page: findings first, numbers after, pictures between."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

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


def _provenance(data: Mapping[str, Any]) -> list[Block]:
    """Sweeps as a table of their own, the rest as pairs; of a checksum the first dozen characters tell files apart."""
    rest = {key: value for key, value in data.items() if key != "sweeps"}
    blocks = []
    sweeps = [dict(flat(sweep)) for sweep in data.get("sweeps", []) if isinstance(sweep, Mapping)]
    keys = [key for key in dict.fromkeys(key for sweep in sweeps for key in sweep) if not key.startswith("calibration")]
    if sweeps:
        rows = [[key.replace("_", " "), *(_short(key, sweep.get(key, "")) for sweep in sweeps)] for key in keys]
        blocks.append(table("Sweeps", ("what", *(f"sweep {count + 1}" for count in range(len(sweeps)))), rows))
    rows = [[place.replace("_", " "), _short(place, value)] for place, value in flat(rest)]
    return [*blocks, table("Where it comes from", ("what", "value"), rows)] if rows else blocks


def _short(place: str, value: str) -> str:
    return value[:12] if place.endswith("sha256") else value


def check_part(data: Mapping[str, Any], name: str) -> Part:
    """Turn the machine form of a check into a part."""
    words = {
        "inside": "The datasheet holds: every figure that can be judged is inside its tolerance.",
        "outside": "The datasheet does not hold.",
        "undecided": "Undecided: the measurement is not sure enough to tell.",
    }
    subject = str(data.get("driver") or data.get("sheet") or "the datasheet")
    rows = []
    for figure in data.get("figures", []):
        printed, unit = display(figure["name"], figure["published"])
        factor = printed / figure["published"] if figure["published"] else 1.0
        off, limit = figure.get("deviation_percent"), figure.get("tolerance_percent")
        level = off is None
        off, limit = (figure.get("deviation_db"), figure.get("tolerance_db")) if level else (off, limit)
        spread = figure["stdev"] * (1.0 if level else factor)
        rows.append(
            [
                figure_name(figure["name"]),
                number(printed),
                rounded(figure["measured"] * factor, spread),
                rounded(spread, spread),
                unit,
                number(off, 3),
                number(limit, 3),
                "dB" if level else "%",
                figure["verdict"],
            ]
        )
    columns = ("figure", "printed", "measured", "standard uncertainty", "unit", "off by", "allowed", "in", "verdict")
    out = [figure_name(figure["name"]) for figure in data.get("figures", []) if figure["verdict"] == "outside"]
    verdict = words.get(str(data.get("verdict")), "") + (f" Outside: {', '.join(out)}." if out else "")
    found = [heading(f"{subject}: the datasheet"), text(verdict, strong=True)]
    if data.get("pattern"):
        found.append(text(str(data["pattern"])))
    if rows:
        found.append(table("Printed against measured", columns, rows))
    contradictions = [_contradiction(item) for item in data.get("contradictions", [])]
    if contradictions:
        found += [text("The sheet contradicts itself:"), Block("list", items=contradictions)]
    box = _consequence(subject, data.get("consequence") or {}, name)
    conclusion = (data.get("consequence") or {}).get("conclusion")
    if conclusion:
        found.insert(2, text(str(conclusion), strong=True))
    return Part(subject, found=found, box=box)


def _consequence(subject: str, data: Mapping[str, Any], name: str) -> list[Block]:
    """What the printed and the measured driver make of the same boxes."""
    boxes = data.get("boxes") or []
    if not boxes:
        return []
    blocks = [heading(f"{subject}: printed against measured in the same boxes")]
    blocks += [text(str(box["sentence"])) for box in boxes]
    caption = f"{subject}: what the measured driver changes in boxes planned on the printed one."
    blocks.append(Block("picture", picture=picture(consequence_figure(subject, boxes), f"{name}-boxes", caption)))
    for box in boxes:
        rows = [
            [_what(key), *(number(item[when]["value"]) for when in ("before", "after", "change")),
             number(item["change"]["low"]), number(item["change"]["high"]), _unit(key)]
            for key, item in box["figures"].items()
        ]  # fmt: skip
        blocks.append(
            table(str(box["box"]), ("figure", "printed", "measured", "change", "95 % from", "95 % to", "unit"), rows)
        )
    return blocks


def _contradiction(item: Mapping[str, Any]) -> str:
    if item.get("sentence"):
        return str(item["sentence"])
    suspect = f"; suspect: {item['suspect']}" if item.get("suspect") else ""
    return f"{item.get('relation')}: printed {number(item.get('printed'))}, implied {number(item.get('implied'))}{suspect}."


QUANTITIES = (
    ("spl_db", "level, dB", LEVEL_SPAN_DB, 2.2),
    ("max_spl_db", "most level, dB", LEVEL_SPAN_DB, 1.8),
    ("excursion_mm", "travel, mm", None, 1.3),
    ("group_delay_ms", "group delay, ms", None, 1.3),
    ("impedance_ohm", "impedance, Ω", None, 1.3),
    ("port_speed_m_s", "port air, m/s", None, 1.3),
)
"""Curves of a box's machine form that a page shows."""


def box_part(data: Mapping[str, Any], name: str) -> Part:
    """Turn the machine form of a box into a part."""
    subject = str(data.get("driver", "driver"))
    design = data.get("design", {})
    quantities = [
        Quantity(label, {subject: _floats(data[key])}, span=span, height=height)
        for key, label, span, height in QUANTITIES
        if data.get(key) is not None
    ]
    if not quantities:
        raise ValueError("its curves")
    title = f"{subject}, {data.get('enclosure')} box"
    subtitle = f"{number(data.get('drive_v'), 3)} V RMS, 1 m, half space"
    caption = f"{title}: what it does at {subtitle}; travel and port air are peak values."
    drawn = curves_figure(data["frequency_hz"], quantities, title, subtitle)
    rows = [[_what(key), number(value), _unit(key)] for key, value in design.items() if value is not None]
    blocks = [heading(title), Block("picture", picture=picture(drawn, f"{name}-box", caption))]
    blocks.append(table(f"Design of the {data.get('enclosure')} box", ("what", "value", "unit"), rows))
    remarks = [str(note["message"]) for note in data.get("notes", [])]
    if remarks:
        blocks.append(Block("list", items=remarks))
    return Part(subject, box=blocks)


def _floats(values: Sequence[Any]) -> np.ndarray:
    return np.array([math.nan if value is None else value for value in values], dtype=float)


UNITS = {"hz": "Hz", "l": "l", "db": "dB", "cm": "cm", "mm": "mm", "ms": "ms", "v": "V", "w": "W", "percent": "%"}


def _unit(key: str) -> str:
    return "m/s" if key.endswith("_m_s") else UNITS.get(key.rsplit("_", 1)[-1], "") if "_" in key else ""


def _what(key: str) -> str:
    unit = key.removesuffix("_m_s") if key.endswith("_m_s") else key.rsplit("_", 1)[0] if _unit(key) else key
    return unit.replace("_", " ")
