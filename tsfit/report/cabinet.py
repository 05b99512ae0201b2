"""A finished box and a cut list as parts of a page."""

from __future__ import annotations

from tsfit.box.panels import Cabinet
from tsfit.box.verify.findings import KIND_NAMES, LABELS, BuiltBox, number_rows
from tsfit.plots.box_verify import verify_figure
from tsfit.plots.panels import panels_figure
from tsfit.report.blocks import Block, Part, heading, number, table, text
from tsfit.report.picture import picture


def verify_part(data: BuiltBox, name: str) -> Part:
    """Turn a finished box, held against its plan, into a part."""
    subject = data.driver
    title = f"{subject} in its finished {KIND_NAMES[data.enclosure]} box"
    columns = ("what", "planned", "built", "95 % from", "95 % to", "unit", "verdict")
    drawn = picture(verify_figure(data), f"{name}-built", f"{title}: impedance as measured, as fitted and as planned.")
    misfit = text(f"The model of the box misses the curve by {number(100.0 * data.misfit, 2)} %.")
    notes = [note.message for note in data.notes]
    to_do = (
        Block("list", items=data.advice)
        if data.advice
        else text("Nothing needs to be changed, as far as this curve can tell.")
    )
    return Part(
        subject,
        found=[
            heading(title),
            text(_verdict(data), strong=True),
            table(f"Planned and built: {title}", columns, number_rows(data.built, data.planned, data.comparisons)),
        ],
        sure=[heading(title), Block("picture", picture=drawn), misfit, *([Block("list", items=notes)] if notes else [])],
        box=[heading(f"{title}: what to change"), to_do],
    )


def _verdict(data: BuiltBox) -> str:
    off = [LABELS.get(one.name, one.name) for one in data.comparisons if one.verdict == "off"]
    said = ["The box leaks."] if data.leak else []
    if off:
        said.append(f"Surely not as planned: {', '.join(off)}.")
    if not said:
        open_ones = any(one.verdict == "undecided" for one in data.comparisons)
        said = ["Undecided: the curve is not sure enough to tell." if open_ones else "The box is as planned."]
    return " ".join(said)


def panels_part(data: Cabinet, name: str) -> Part:
    """Turn a cut list into a part."""
    subject = f"Boards for {number(data.net_volume_l, 3)} l"
    rows = [[one.name, str(one.count), *map(_tenths, (one.length_mm, one.width_mm, one.cutout_mm))] for one in data.panels]
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
    drawn = picture(panels_figure(data), f"{name}-boards", f"{subject}, laid out on sheets to scale; sizes in mm.")
    box = [
        heading(subject),
        Block("picture", picture=drawn),
        table("Cut list", ("board", "how many", "length, mm", "width, mm", "round cutout, mm"), rows),
        table("The box of these boards", ("what", "value"), sizes),
        Block("list", items=data.cautions),
    ]
    return Part(subject, box=box)


def _tenths(millimetres: float | None) -> str:
    return "" if millimetres is None else f"{millimetres:.1f}"
