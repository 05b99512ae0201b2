"""Delimited text to columns of numbers: encoding, separator, decimal sign, comments, the names in a header line."""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray

from tsfit.base.arrays import Real
from tsfit.base.errors import TsfitError

COMMENT = re.compile(r"\s*(?:#|\*|;|!|//|%)+")
NUMBER = re.compile(r"[+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?", re.ASCII)
NOT_FINITE = re.compile(r"[+-]?(?:nan|inf|infinity)|-?1\.#\w+", re.IGNORECASE)
ROLES = {
    "frequency": {"freq", "frequency", "f", "hz", "khz", "mhz"},
    "magnitude": {"mag", "magnitude", "abs", "modulus"},
    "phase": {"phase", "deg", "degree", "degrees", "rad", "radian", "radians"},
    "real": {"re", "real", "r", "resistance"},
    "imaginary": {"im", "imag", "imaginary", "x", "reactance"},
    "stdev": {"stdev", "sigma", "std"},
}
IMPEDANCE = {"z", "impedance", "ohm", "ohms", "kohm"}
FILLER = {"in", "of", "part", "angle", "shift", "the"}
SCALES = {"khz": 1e3, "mhz": 1e6, "kohm": 1e3}
RADIANS = {"rad", "radian", "radians"}
DEGREES = {"deg", "degree", "degrees"}
OTHER_UNIT = re.compile(r"(?:[(\[/]|\bin )\s*(?:[kmg]hz|k ?ohm|k[Ω\u2126]|dB|rad)\b", re.IGNORECASE)
LONGEST_LINE = 2000


@dataclass(frozen=True)
class Column:
    """What a header says of one column: its role ("" when unknown), the factor to Hz or ohm, the unit of a phase."""

    role: str
    scale: float = 1.0
    unit: str = ""


@dataclass(frozen=True)
class TextTable:
    """Numbers (n, k), the line each row stood on (n,), and the columns that a header named, if there was one."""

    values: Real
    lines: NDArray[np.int64]
    columns: tuple[Column, ...] | None


def refuse(path: Path, message: str, code: str, line: int | None = None) -> NoReturn:
    """Raise the one error of this kind, with the place in front of the sentence."""
    place = f"{path}" if line is None else f"{path}, line {line}"
    raise TsfitError(f"{place}: {message}", code=code, file=path)


def decode(raw: bytes, path: Path) -> str:
    """Text from UTF-8, UTF-16 or Latin-1 bytes, with or without byte order mark; ``not_text`` for anything else."""
    encoding = "utf-8-sig"
    # Without the mark, digits tell: every other byte of theirs is zero.
    even, odd = raw[0::2].count(0), raw[1::2].count(0)
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encoding = "utf-16"
    elif not even and 4 * odd > len(raw):
        encoding = "utf-16-le"
    elif not odd and 4 * even > len(raw):
        encoding = "utf-16-be"
    try:
        text = raw.decode(encoding)
    except UnicodeDecodeError:
        text = "\0" if encoding.startswith("utf-16") else raw.decode("latin-1")
    if re.search(r"[\x00-\x08\x0e-\x19\x1b-\x1f\x7f]", text):
        refuse(path, "is not a text file; export the impedance as text or as Touchstone .s1p.", "not_text")
    return text.replace("\u2212", "-").replace("\x1a", "")


def read_table(text: str, path: Path) -> TextTable:
    """Find the rows of numbers and the header above them.

    Raises
    ------
    TsfitError
        ``empty``, ``separators``, ``not_a_number``, ``ragged``, ``columns``.
    """
    told = [(number, line.strip()) for number, line in enumerate(text.splitlines(), 1) if line.strip()]
    for number, line in told:
        if len(line) > LONGEST_LINE:
            message = f"is longer than {LONGEST_LINE} characters, no row of three numbers; export it as text."
            refuse(path, message, "ragged", number)
    rows = [(number, line) for number, line in told if not COMMENT.match(line) and _starts_with_number(line)]
    if not rows:
        refuse(path, "holds no rows of numbers; export frequency, magnitude and phase as text.", "empty")
    first = rows[0][0]
    for number, line in told:
        if number > first and not COMMENT.match(line) and not _starts_with_number(line):
            refuse(path, f"{line[:40]!r} is not a row of numbers; remove it or put # before it.", "not_a_number", number)
    separator, comma = _dialect([line for _, line in rows], path)
    cells = [(number, re.split(separator, line.rstrip(";,\t "))) for number, line in rows]
    width = len(cells[0][1])
    for number, row in cells:
        if len(row) != width:
            message = f"{len(row)} columns where the first row has {width}; complete the row or remove it."
            refuse(path, message, "ragged", number)
    values = np.array([[_number(cell.strip(), comma, path, number) for cell in row] for number, row in cells])
    columns = _header([(number, line) for number, line in told if number < first], separator, width, path)
    return TextTable(values, np.array([number for number, _ in cells]), columns)


def _starts_with_number(line: str) -> bool:
    start = re.split(r"[;\s]|,(?!\d)", line)[0]
    return bool(re.fullmatch(r"[-+.,\deE]*\d[-+.,\deE]*", start, re.ASCII) or NOT_FINITE.fullmatch(start))


def _dialect(lines: list[str], path: Path) -> tuple[str, bool]:
    """Return the separator as a pattern, and whether the comma is the decimal sign."""
    body = "\n".join(lines)
    for mark in (";", "\t"):
        if mark in body:
            if "," in body and "." in body:
                refuse(path, "has both decimal commas and points; export it with one decimal sign.", "separators")
            return (r"\s*;\s*" if mark == ";" else r"[ ]*\t[ ]*"), "," in body
    if "," not in body:
        return r"\s+", False
    spaced = any(re.search(r"\d\s+[-+\d]", line) for line in lines)
    if "." in body or (not spaced and all(line.rstrip(", ").count(",") == 2 for line in lines)):
        return r"\s*,\s*", False
    if all(re.fullmatch(r"\S+(?:\s+\S+)+", line) and not re.search(r",(?!\d)|(?<!\d),", line) for line in lines) and all(
        cell.count(",") <= 1 for line in lines for cell in line.split()
    ):
        return r"\s+", True
    message = (
        "uses the comma both between columns and, it seems, within numbers; export it with semicolons between columns."
    )
    refuse(path, message, "separators")


def _number(cell: str, comma: bool, path: Path, line: int) -> float:
    if NOT_FINITE.fullmatch(cell):
        refuse(path, f"{cell!r} is not a finite number; remove the row or measure it again.", "not_a_number", line)
    value = float(cell.replace(",", ".")) if NUMBER.fullmatch(cell) and (comma or "," not in cell) else np.nan
    if not np.isfinite(value):
        refuse(path, f"{cell[:40]!r} is not a number; correct the cell or remove the row.", "not_a_number", line)
    return value


def _header(above: list[tuple[int, str]], separator: str, width: int, path: Path) -> tuple[Column, ...] | None:
    """Columns from the last line above the numbers that names them all."""
    for number, line in reversed(above):
        commented = COMMENT.match(line)
        bare = line[commented.end() :].strip() if commented else line
        for cells in _splits(bare, separator):
            columns = tuple(column_of(cell) for cell in cells)
            roles = [column.role for column in columns]
            if len(columns) == width and _complete(roles):
                return columns
            if roles[0] == "frequency" and len(columns) == width > 1 and separator != r"\s+":
                message = (
                    f"the header {bare[:60]!r} does not name frequency with magnitude and phase, or with real and "
                    "imaginary part, once each; rename its columns."
                )
                refuse(path, message, "columns", number)
    for number, line in above:
        if OTHER_UNIT.search(line):
            message = f"{line[:60]!r} tells of units but does not name all {width} columns; name them all."
            refuse(path, message, "columns", number)
    plain = [(number, line) for number, line in above if not COMMENT.match(line)]
    if plain:
        number, line = plain[-1]
        message = (
            f"{line[:60]!r} does not name the {width} columns below it; write a header such as "
            "'frequency (Hz), magnitude (ohm), phase (deg)', or put # before the line."
        )
        refuse(path, message, "columns", number)
    return None


def _complete(roles: list[str]) -> bool:
    known = [role for role in roles if role]
    pairs = [pair for pair in ({"magnitude", "phase"}, {"real", "imaginary"}) if pair <= set(known)]
    return len(known) == len(set(known)) and "frequency" in known and bool(pairs)


def _splits(line: str, separator: str) -> list[list[str]]:
    """Ways to cut a header into names: by the separator of the numbers, by wide blanks, by words with their units."""
    joined = re.sub(r"\s+(?=[(\[/])", "", line)
    return [
        [cell.strip() for cell in re.split(pattern, text)]
        for pattern, text in ((separator, line.rstrip(";,\t ")), (r"\t|\s{2,}", line), (r"\s+", joined), (r"[,;]", line))
    ]


def column_of(cell: str) -> Column:
    """What a cell of a header says of its column."""
    plain = cell.lower().replace("|z|", " mag ").replace("ω", "ohm").replace("\u2126", "ohm").replace("°", " deg ")
    words = re.findall(r"[^\W\d_]+", plain)
    roles = {role for role, names in ROLES.items() for word in words if word in names}
    if not words or set(words) - set().union(*ROLES.values()) - IMPEDANCE - FILLER or len(roles) > 1:
        return Column("")
    if not roles and not set(words) & IMPEDANCE:
        return Column("")
    unit = "rad" if set(words) & RADIANS else "deg" if set(words) & DEGREES else ""
    scale = next((SCALES[word] for word in words if word in SCALES), 1.0)
    return Column(roles.pop() if roles else "magnitude", scale, unit)
