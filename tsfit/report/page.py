"""The page: files in, one HTML text out that needs nothing but itself."""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any, Generic, TypeVar

import jinja2
from markupsafe import Markup

from tsfit.base.errors import TsfitError
from tsfit.base.figures import listed
from tsfit.base.files import STEERING, is_json, read_bytes
from tsfit.base.forms import damaged, read_form
from tsfit.box.compare.result import DriverComparison
from tsfit.box.equaliser.form import EqualiserForm
from tsfit.box.panels.cabinet import Cabinet
from tsfit.box.result import BoxForm
from tsfit.box.verify.findings import BuiltBox
from tsfit.check.forms import CheckForm
from tsfit.check.lot import LotResult
from tsfit.drift.history import history
from tsfit.drift.log import read_log
from tsfit.driver.heat_result import HeatResult
from tsfit.driver.travel_result import TravelResult
from tsfit.formats.fit import KIND as FIT
from tsfit.formats.fit import read_fit
from tsfit.formats.foreign import reads
from tsfit.report.blocks import Block, Part
from tsfit.report.box import box_part, equaliser_part, panels_part, verify_part
from tsfit.report.comparison import compare_part, history_part
from tsfit.report.power import heat_part, travel_part
from tsfit.report.sections import check_part, fit_part, lot_part

MAX_BYTES = 50_000_000
_FOLDER = Path(__file__).parent
LOG_BEGINS = b'{"crc32":'
Form = TypeVar("Form")
SECTIONS = {
    "found": "What was found",
    "sure": "How sure that is",
    "box": "What it means for the box",
    "measured": "How it was measured",
}
"""Sections of the page, each made of that field of every `Part`."""


@dataclass(frozen=True)
class Section:
    """A section of the page with its blocks."""

    name: str
    title: str
    blocks: Sequence[Block]


@dataclass(frozen=True)
class FormReader(Generic[Form]):
    """How a kind of machine form becomes a part: the record it is read as, the part made of it, and keys of older files.

    Files of older versions have no "kind"; what is in them is told by keys that no other form has all of.
    """

    record: type[Form]
    part: Callable[[Form, str], Part]
    keys: frozenset[str]

    def read(self, path: Path, data: Mapping[str, object], name: str) -> Part:
        """Return the part of `data`, read from `path`."""
        form = read_form(path, data, self.record)
        try:
            return self.part(form, name)
        except (KeyError, IndexError, ValueError) as error:
            # Lists of unlike lengths, a board that is not in the list: what the records alone cannot tell.
            raise damaged(path, str(error)) from error


READERS: dict[str, FormReader[Any]] = {
    reader.record.KIND: reader
    for reader in (
        FormReader(CheckForm, check_part, frozenset({"verdict", "figures"})),
        FormReader(BoxForm, box_part, frozenset({"enclosure", "frequency_hz", "design"})),
        FormReader(DriverComparison, compare_part, frozenset({"compared", "cases"})),
        FormReader(EqualiserForm, equaliser_part, frozenset({"sections", "headroom_after_db"})),
        FormReader(BuiltBox, verify_part, frozenset({"built", "planned", "curve"})),
        FormReader(Cabinet, panels_part, frozenset({"panels", "layout"})),
        FormReader(LotResult, lot_part, frozenset({"samples", "lot"})),
        FormReader(TravelResult, travel_part, frozenset({"limits", "curves", "levels"})),
        FormReader(HeatResult, heat_part, frozenset({"power_at", "compression_db", "course"})),
    )
}


@reads("fit", "travel", "heat", "drift log", "result")
def read_part(path: Path, name: str) -> Part:
    """Read what `path` holds: the machine form of a fit, a check, a lot, a box (planned, equalised, finished or as boards)
    or a comparison, or a drift log.
    Raises ``missing_file``, ``not_reportable``, and what a damaged fit is refused for.
    """
    hint = "name what tsfit fit, check, box, compare, travel or heat wrote with -o or --json"
    if not is_json(path):
        raise TsfitError(f"{path}: nothing that a page is made from; {hint}.", code="not_reportable", file=path)
    with path.open("rb") as stream:
        is_log = stream.read(len(LOG_BEGINS)) == LOG_BEGINS
    if is_log:
        return history_part(history(read_log(path)), name)
    try:
        data = json.loads(
            read_bytes(path, MAX_BYTES, f"too large for a page; {hint}.", "not_reportable").decode("utf-8-sig")
        )
    except (ValueError, RecursionError) as error:
        raise TsfitError(f"{path}: not valid JSON ({error}); {hint}.", code="not_reportable", file=path) from error
    if isinstance(data, dict):
        if data.get("kind") == FIT or ("parameters" in data and str(data.get("kind")) not in READERS):
            return fit_part(read_fit(path), name)
        reader = READERS.get(str(data.get("kind")))
        if reader is None:
            reader = next((one for one in READERS.values() if one.keys <= data.keys()), None)
            # What is "enclosure" now was "kind" in the files of finished boxes.
            data.setdefault("enclosure", data.get("kind"))
        if reader is not None:
            return reader.read(path, data, name)
    raise TsfitError(f"{path}: JSON, but nothing that a page is made from; {hint}.", code="not_reportable", file=path)


def make_page(paths: Sequence[Path], title: str | None = None, now: datetime | None = None) -> str:
    """Return the page of the given files as HTML text. Raises as `read_part`; ``usage`` without any file."""
    if not paths:
        raise TsfitError("A page is made from something; name at least one file.", code="usage")
    return render([read_part(path, f"part-{number}") for number, path in enumerate(paths, start=1)], title, now)


def render(parts: Sequence[Part], title: str | None = None, now: datetime | None = None) -> str:
    """Return the page of `parts`, sections in the order of the decision, cautions and provenance at the end."""
    told = {name: [block for part in parts for block in getattr(part, name)] for name in SECTIONS}
    sections = [Section(name, SECTIONS[name], blocks) for name, blocks in told.items() if blocks]
    answer = _answer(parts)
    drawn = sorted((one for one in answer if one.picture is not None), key=lambda block: block.spare)
    answer = [one for one in answer if not one.spare or one is drawn[0]]
    shown = [*answer, *(block for section in sections for block in section.blocks)]
    pictures = [block.picture for block in shown if block.picture is not None]
    # Inside a script element only this character could end it.
    readings = json.dumps({one.name: one.readings for one in pictures}, allow_nan=False).replace("<", "\\u003c")
    made = (now or datetime.now().astimezone()).strftime("%Y-%m-%d %H:%M")
    page = (
        _environment()
        .get_template("page.html.j2")
        .render(
            title=title or _title(parts),
            made=f"Made by tsfit {version('tsfit')}, {made}. Levels at 1 m in half space unless said otherwise.",
            answer=answer,
            sections=sections,
            style=Markup((_FOLDER / "page.css").read_text(encoding="utf-8")),
            script=Markup((_FOLDER / "page.js").read_text(encoding="utf-8")),
            readings=Markup(readings),
        )
    )
    return STEERING.sub(lambda found: found[0] if found[0] in "\t\n" else "\ufffd", page)


def _title(parts: Sequence[Part]) -> str:
    """Whom the page is about, each once; a driver with its serial number is the same one as without."""
    named = dict.fromkeys(name for part in parts for name in part.drivers or [part.subject])
    each = [one for one in named if not any(other.startswith(f"{one}, serial ") for other in named)]
    # Of several drivers that names tell apart, the serial numbers stand further down.
    bare = list(dict.fromkeys(one.split(", serial ")[0] for one in each))
    return listed(bare if 1 < len(bare) == len(each) else each)


def _answer(parts: Sequence[Part]) -> list[Block]:
    """Answers of all parts: sentences about what is drawn and verdicts, then what shows them, then the other sentences."""
    drawn = [part for part in parts if any(one.picture is not None for one in part.answer)]
    # Which of two drivers stands before what a box makes of one.
    drawn.sort(key=lambda part: not any(one.strong for one in part.answer))
    leading = [block for part in drawn for block in part.answer if block.kind == "text"]
    shown = [block for part in drawn for block in part.answer if block.kind != "text"]
    others = [part.answer for part in parts if part not in drawn]
    # Verdicts stand before the picture, with what to do about them.
    others.sort(key=lambda blocks: not any(one.strong for one in blocks))
    judged = [block for blocks in others if any(one.strong for one in blocks) for block in blocks]
    rest = [block for blocks in others for block in blocks][len(judged) :]
    return [*leading, *judged, *shown, *rest]


def fragment(blocks: Sequence[Block]) -> str:
    """Return `blocks` as HTML to stand within another page, such as a notebook; nothing in it moves."""
    template = _environment().from_string('{% from "blocks.html.j2" import shown %}{{ shown(blocks) }}')
    style = "max-width:46em;padding:0.5em;background:#fff;color:#20242b"
    return Markup('<div style="{}">{}</div>').format(style, Markup(template.render(blocks=blocks)))


def _environment() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.FileSystemLoader(_FOLDER), autoescape=True, trim_blocks=True, undefined=jinja2.StrictUndefined
    )
