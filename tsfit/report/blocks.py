"""What a page is made of: headings, paragraphs, lists, tables, pictures, and the parts that files add to its sections."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from tsfit.driver.parameters import PARAMETERS
from tsfit.report.picture import Picture


@dataclass(frozen=True)
class Block:
    """One piece of a section: a heading, a paragraph, a list, a table or a picture.

    `words` are the columns of a table that hold words instead of numbers. A `spare` picture, which stands again with more
    beside it further down, answers only where no other does.
    """

    kind: str
    text: str = ""
    strong: bool = False
    items: Sequence[str] = ()
    caption: str = ""
    columns: Sequence[str] = ()
    rows: Sequence[Sequence[str]] = ()
    words: frozenset[int] = frozenset()
    picture: Picture | None = None
    spare: bool = False


@dataclass(frozen=True)
class Part:
    """What one file adds to the answer of the page and to its four sections, in the order of the decision."""

    subject: str  # whose it is
    answer: Sequence[Block] = ()  # what a reader takes away in ten seconds
    found: Sequence[Block] = ()
    sure: Sequence[Block] = ()
    box: Sequence[Block] = ()
    measured: Sequence[Block] = field(default_factory=tuple)
    drivers: Sequence[str] = ()  # where it is about several, each of them


def parameter_name(name: str) -> str:
    """Return the name of a parameter as a reader knows it."""
    return PARAMETERS[name].called if name in PARAMETERS else name


def text(words: str, *, strong: bool = False) -> Block:
    """Make a paragraph."""
    return Block("text", text=words, strong=strong)


def heading(words: str) -> Block:
    """Make a heading within a section."""
    return Block("heading", text=words)


def table(caption: str, columns: Sequence[str], rows: Sequence[Sequence[str]]) -> Block:
    """Make a table; units stand in its heads, so that cells are numbers and no column holds nothing else."""
    words = frozenset(column for column in range(1, len(columns)) if not all(_is_number(row[column]) for row in rows))
    return Block("table", caption=caption, columns=columns, rows=rows, words=words)


def with_unit(name: str, unit: str) -> str:
    """Head a row or column by what it holds, and in which unit."""
    return f"{name}, {unit}" if unit else name


def _is_number(cell: str) -> bool:
    """Whether a cell holds a number, or one of percent or of decibels."""
    try:
        float(cell.removesuffix(" %").removesuffix(" dB") or "0")
    except ValueError:
        return False
    return True


def number(value: object, digits: int = 4) -> str:
    """Write a number without exponent where a spreadsheet would like to read it; nothing for what is not known."""
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        written = f"{value:.{digits}g}"
        return written if "e" not in written else f"{value:.{max(digits - 1 - math.floor(math.log10(abs(value))), 0)}f}"
    return str(value)


def flat(data: object, place: str = "") -> list[tuple[str, str]]:
    """Return every value of nested data with its place."""
    if isinstance(data, Mapping):
        return [row for key, inner in data.items() for row in flat(inner, f"{place}.{key}" if place else str(key))]
    if isinstance(data, (list, tuple)):
        return [row for count, inner in enumerate(data, start=1) for row in flat(inner, f"{place} {count}")]
    return [(place, number(data, 6))]
