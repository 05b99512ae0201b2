"""Boxes as parts of a page: planned, equalised, finished, and as boards."""

import numpy as np
from matplotlib.figure import Figure

from tsfit.box.answer import counted, loudest, size_and_reach
from tsfit.box.enclosure import KIND_NAMES
from tsfit.box.equaliser.form import EqualiserForm
from tsfit.box.frequencies import LOUDEST_HZ, PREFERRED_HZ
from tsfit.box.limits import Ratings, not_counted
from tsfit.box.panels.cabinet import Board, Cabinet
from tsfit.box.result import BoxForm
from tsfit.box.told import headed, unit_of, written
from tsfit.box.verify.findings import BuiltBox, number_rows, verdict
from tsfit.plots.box import name_ringing
from tsfit.plots.box_verify import verify_plot
from tsfit.plots.curves import Quantity, curves_plot, limit_rows
from tsfit.plots.equalised import equalised_plot
from tsfit.plots.panels import panels_plot
from tsfit.report.blocks import Block, Part, heading, number, table, text, with_unit
from tsfit.report.picture import picture

LEVEL_SPAN_DB = 40.0
LOUDEST = "loudest, dB at 1 m"
RATES_HZ = ("44100", "48000", "96000")


def box_part(data: BoxForm, name: str) -> Part:
    """Turn a box into a part."""
    subject = data.driver
    curves = (
        (f"level at {number(data.drive_v, 3)} V, dB at 1 m", data.spl_db, LEVEL_SPAN_DB, 2.2),
        (LOUDEST, data.max_spl_db, LEVEL_SPAN_DB, 1.8),
        ("travel, mm peak", data.excursion_mm, None, 1.3),
        ("group delay, ms", data.group_delay_ms, None, 1.3),
        ("impedance, Ω", data.impedance_ohm, None, 1.3),
        ("port air, m/s peak", data.port_speed_m_s, None, 1.3),
    )
    quantities = [
        Quantity(label, {subject: values}, span=span, height=height)
        for label, values, span, height in curves
        if values is not None
    ]
    title = f"{subject}, {data.enclosure} box"
    subtitle = f"{number(data.drive_v, 3)} V RMS, 1 m, half space"
    limits = "" if data.limited_by is None else "; the row under the loudest names what stops it there"
    caption = f"{title}: what it does at {subtitle}{limits}; travel and port air are peak values.{_ringing(data)}"
    drawn = _drawn(data, quantities, title, subtitle)
    rows = [
        [headed(key), written(value, unit_of(key)).removesuffix(f" {unit_of(key)}")]
        for key, value in data.design.items()
        if value is not None
    ]
    blocks = [heading(title), Block("picture", picture=picture(drawn, f"{name}-box", caption))]
    said = f"{title}: {size_and_reach(data.design, data.enclosure, data.drive_v)}."
    if data.max_spl_db is not None and data.limited_by is not None:
        at = [int(np.argmin(np.abs(np.log(data.frequency_hz / hz)))) for hz in LOUDEST_HZ]
        levels = ((hz, data.max_spl_db[k], data.limited_by[k]) for hz, k in zip(LOUDEST_HZ, at, strict=True))
        rated = data.ratings or Ratings()
        said = " ".join((said, loudest(levels, not_counted(rated)), *counted(rated, data.ratings_by or {}, data.drivers)))
    first = [quantity for quantity in quantities if quantity.span is not None]
    seen = _drawn(data, first, title, subtitle)
    loud = "" if data.max_spl_db is None else f", and the loudest{limits}"
    caption = f"{title}: level at {subtitle}{loud}.{_ringing(data)}"
    level = Block("picture", picture=picture(seen, f"{name}-level", caption), spare=True)
    blocks.append(table(f"Design of the {data.enclosure} box", ("what", "value"), rows))
    if data.notes:
        blocks.append(Block("list", items=[note.message for note in data.notes]))
    return Part(subject, answer=[text(said), level], box=blocks)


def _drawn(data: BoxForm, quantities: list[Quantity], title: str, subtitle: str) -> Figure:
    """Draw the curves, with what stops the loudest in a row at its foot and where the cone rings."""
    frequency, subject = np.asarray(data.frequency_hz), data.driver
    swept = None if data.bands is None else data.bands.swept_hz
    figure = curves_plot(frequency, quantities, title, subtitle, swept)
    name_ringing(figure.axes[0], frequency, np.asarray(data.spl_db), data.ringing_hz, "cone rings")
    at_most = next((panel for panel in figure.axes if panel.get_ylabel() == LOUDEST), None)
    if at_most is not None and data.max_spl_db is not None and data.limited_by is not None:
        limit_rows(at_most, frequency, {subject: (np.asarray(data.max_spl_db), data.limited_by)}, {subject: 0})
    return figure


def _ringing(data: BoxForm) -> str:
    """Explain the kinks that a part of the cone makes."""
    where = " and ".join(f"{number(hz, 2)} Hz" for hz in data.ringing_hz if hz < data.frequency_hz[-1])
    return f" The kink near {where} is a part of the cone that rings (surround, dust cap or edge)." if where else ""


def equaliser_part(data: EqualiserForm, name: str) -> Part:
    """Turn an equalised box into a part."""
    subject = data.driver
    rated = data.headroom_after_db is not None
    caption = f"{subject}, equalised: level, gain, travel{', and how much boost the first limit leaves' * rated}."
    box = [
        heading(f"{subject}, equalised"),
        Block("picture", picture=picture(equalised_plot(data), f"{name}-equaliser", caption)),
        _costs(subject, data),
        Block("list", items=[f"Section {count}: {one.words}" for count, one in enumerate(data.sections, start=1)]),
        _coefficients(subject, data),
    ]
    words = text(" ".join(data.words))
    return Part(subject, answer=[words], found=[heading(f"{subject}, equalised"), words], box=box)


def _costs(subject: str, data: EqualiserForm) -> Block:
    low, high = data.played_hz
    preferred = sorted({decade * hz for decade in (1.0, 10.0) for hz in PREFERRED_HZ if low <= decade * hz <= high})
    headroom, limits = data.headroom_after_db, data.headroom_limited_by
    rows = []
    for wanted in preferred:
        k = int(np.argmin(np.abs(data.frequency_hz / wanted - 1.0)))
        row = [f"{wanted:g}", *(f"{curve[k]:.1f}" for curve in (data.before_db, data.gain_db, data.after_db))]
        row += [number(float(data.power_after_w[k]), 3), f"{data.excursion_after_mm[k]:.2f}"]
        if headroom is not None and limits is not None:
            row += [f"{headroom[k]:.1f}", limits[k]]
        rows.append(row)
    columns = ["Hz", "alone, dB", "gain, dB", "equalised, dB", "into Re, W", "travel, mm"]
    columns += [] if headroom is None else ["headroom, dB", "first limit"]
    return table(f"{subject} at {data.level_db:.1f} dB in the mid-band, equalised", columns, rows)


def _coefficients(subject: str, data: EqualiserForm) -> Block:
    rows = []
    for count, section in enumerate(data.sections, start=1):
        for rate in RATES_HZ:
            if (digital := section.biquads.get(rate)) is not None:
                rows.append([str(count), rate, *(f"{value:.12f}" for value in (*digital.b, *digital.a))])
    return table(f"Equaliser of {subject}, a0 = 1", ("section", "rate, Hz", "b0", "b1", "b2", "a1", "a2"), rows)


def verify_part(data: BuiltBox, name: str) -> Part:
    """Turn a finished box, held against its plan, into a part."""
    subject = data.driver
    title = f"{subject} in its finished {KIND_NAMES[data.enclosure]}"
    columns = ("what", "verdict", "planned", "built", "95 % from", "95 % to")
    rows = [[with_unit(what, unit), judged, *numbers] for what, *numbers, unit, judged in number_rows(data)]
    drawn = picture(verify_plot(data), f"{name}-built", f"{title}: impedance as measured, as fitted and as planned.")
    by = "less than 0.01" if data.misfit < 1e-4 else number(100.0 * data.misfit, 2)
    misfit = text(f"The model of the box misses the curve by {by} %.")
    notes = [note.message for note in data.notes]
    to_do = (
        Block("list", items=data.advice)
        if data.advice
        else text("Nothing needs to be changed, as far as this curve can tell.")
    )
    return Part(
        subject,
        answer=[text(f"{title}: {verdict(data)}", strong=True), *([to_do] if data.advice else [])],
        found=[
            heading(title),
            text(verdict(data), strong=True),
            table(f"Planned and built: {title}", columns, rows),
        ],
        sure=[heading(title), Block("picture", picture=drawn), misfit, *([Block("list", items=notes)] if notes else [])],
        box=[heading(f"{title}: what to change"), to_do],
    )


def panels_part(data: Cabinet, name: str) -> Part:
    """Turn a cut list into a part."""
    subject = f"Boards for {number(data.net_volume_l, 3)} l"
    rows = [[one.name, str(one.count), _tenths(one.length_mm), _tenths(one.width_mm), *_holes(one)] for one in data.panels]
    sizes = [
        ["net volume, l", f"{data.net_volume_l:.2f}"],
        ["gross volume, l", f"{data.gross_volume_l:.2f}"],
        *(
            [f"{where} {side}, mm", _tenths(length)]
            for where, sides in (("inside", data.inside_mm), ("outside", data.outside_mm))
            for side, length in zip(("width", "height", "depth"), sides, strict=True)
        ),
        ["boards, mm thick", number(data.thickness_mm)],
        ["boards, kg", f"{data.weight_kg:.1f}"],
        ["sheets", str(data.sheets)],
        ["waste, %", f"{100.0 * data.waste:.0f}"],
    ]
    caption = f"{subject}, laid out on sheets to scale; sizes in mm."
    drawn = picture(panels_plot(data), f"{name}-boards", caption, panels_plot(data, narrow=True))
    box = [
        heading(subject),
        Block("picture", picture=drawn),
        table(
            "Cut list",
            ("board", "how many", "length, mm", "width, mm", "openings, mm", "middle from left and below, mm"),
            rows,
        ),
        table("The box of these boards", ("what", "value"), sizes),
        Block("list", items=data.cautions),
    ]
    w, h, depth = (_tenths(side) for side in data.outside_mm)
    said = f"{subject}: a box {w} wide, {h} high and {depth} mm deep, of {data.sheets} sheet{'s' * (data.sheets > 1)}."
    return Part(subject, answer=[text(" ".join((said, *data.remarks)))], box=box)


def _tenths(millimetres: float) -> str:
    return f"{millimetres:.1f}"


def _holes(one: Board) -> tuple[str, str]:
    places = (f"{hole.x_mm:.1f}, {hole.y_mm:.1f}" for hole in one.holes)
    return "; ".join(f"{hole.what} {hole.size}" for hole in one.holes), "; ".join(places)
