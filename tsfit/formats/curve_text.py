"""Delimited text to columns of numbers: encoding, rows, empty cells, the lines above and below."""

from __future__ import annotations

import codecs
import itertools
import re
from array import array
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tsfit.base.arrays import Real
from tsfit.formats.curve_cells import COMMA, EMPTY, Dialect, dialects_of, rank, refuse
from tsfit.formats.curve_header import COMMENT, Column, Header

EXPECTED = set("°Ωéèêàáíóúñüöäßçφθµ±²–’")
"""Letters and signs by which text of one byte a character tells what code it is in."""
LONGEST_LINE = 2000
MOST_ROWS = 1_200_000
"""Rows beyond which a file is refused: what 20 s and 512 MiB take, with room for a slow machine."""
SAMPLE = 5000
"""Lines from which separator and decimal sign are told."""
DECIMAL = re.compile(r"[,;]?\s*\bdecimal (comma|point)\s*$")


@dataclass(frozen=True)
class TextTable:
    """Numbers (n, k), NaN where a cell is empty, the line each row stood on (n,), the columns as they were named.

    `odd` tells the first cell of a column that is no number: line and text by number of column. `below` counts lines of
    text below the numbers.
    """

    values: Real
    lines: NDArray[np.int64]
    columns: tuple[Column, ...] | None
    odd: dict[int, tuple[int, str]]
    below: int

    @property
    def steady(self) -> bool:
        """Whether the frequency only rises or only falls."""
        place = next((k for k, column in enumerate(self.columns or ()) if column.role == "frequency"), 0)
        steps = np.diff(self.values[:, place])
        return not (np.any(steps > 0.0) and np.any(steps < 0.0))


def decode(raw: bytes, path: Path) -> str:
    """Text from UTF-8 or UTF-16, with or without byte order mark, or one byte a character; else ``not_text``."""
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
        high = bytes(byte for byte in raw[:100_000] if byte > 127)
        single = max(
            ("cp1252", "mac_roman", "cp850"),
            key=lambda code: sum(sign in EXPECTED for sign in high.decode(code, "replace")),
        )
        text = "\0" if encoding.startswith("utf-16") else raw.decode(single, "replace")
    if re.search(r"[\x00-\x08\x0e-\x19\x1b-\x1f\x7f]", text):
        refuse(path, "is not a text file; export the impedance as text or as Touchstone .s1p.", "not_text")
    return text.replace("\u2212", "-").replace("\x1a", "")


def lines_of(text: str, path: Path) -> Iterator[tuple[int, str]]:
    """Lines that hold something, with their numbers, block by block: a list of all would take many times the text."""
    start, number = 0, 0
    while start < len(text):
        end = text.find("\n", start + 1_000_000) + 1 or len(text)
        for line in text[start:end].splitlines():
            number += 1
            if len(line) > LONGEST_LINE:
                message = f"is longer than {LONGEST_LINE} characters, no row of three numbers; export it as text."
                refuse(path, message, "ragged", number)
            if line.strip():
                yield number, line.strip(" \r\n\x0b\x0c\xa0\ufeff")
        start = end


class _Rows:
    """Rows of numbers as they come, in arrays of plain doubles; the first row tells which cells hold two numbers."""

    def __init__(self, dialect: Dialect, width: int, path: Path) -> None:
        self.dialect, self.width, self.path = dialect, width, path
        self.values, self.lines = array("d"), array("q")
        self.odd: dict[int, tuple[int, str]] = {}
        self.kinds: list[str] = []
        self.plain = re.compile(rf"[-+\deE {re.escape(dialect.decimal + dialect.separator)}]+", re.ASCII)

    def take(self, number: int, line: str) -> bool:
        """Add the numbers of a line; False when it is no row."""
        row = self._plainly(line) or self._carefully(number, line)
        if row:
            self.values.extend(row)
            self.lines.append(number)
            if len(self.lines) > MOST_ROWS:
                refuse(self.path, f"has more than {MOST_ROWS:,} rows; export fewer points.", "too_large")
        return bool(row)

    def _plainly(self, line: str) -> list[float]:
        """Read a row of nothing but plain numbers, fast."""
        if len(self.kinds) != self.width or any(self.kinds) or not self.plain.fullmatch(line):
            return []
        separator = None if self.dialect.separator == " " else self.dialect.separator
        parts = (line.replace(",", ".") if self.dialect.decimal == "," else line).split(separator)
        try:
            row = list(map(float, parts))
        except ValueError:
            return []
        return row if len(row) == self.width and -np.inf < min(row) <= max(row) < np.inf else []

    def _carefully(self, number: int, line: str) -> list[float]:
        cells = self.dialect.cells(line)
        if not rank(cells) or len(cells) < min(self.width, 2) or (not self.kinds and len(cells) != self.width):
            return []
        if not any(cells[self.width :]):
            cells = cells[: self.width]
        if len(cells) != self.width:
            message = f"{len(cells)} columns where the first row has {self.width}; complete the row or remove it."
            refuse(self.path, message, "ragged", number)
        read = [self.dialect.read(cell) or ("", []) for cell in cells]
        self.kinds = self.kinds or [kind for kind, _ in read]
        row: list[float] = []
        for cell, kind, (found, values) in zip(cells, self.kinds, read, strict=True):
            if found != kind or not values or not np.all(np.isfinite(values)):
                if cell not in EMPTY:
                    self.odd.setdefault(len(row), (number, cell))
                values = [np.nan] * (2 if kind else 1)
            row.extend(values)
        return row


def read_tables(text: str, path: Path, given: str | None = None) -> list[TextTable]:
    """Find the rows of numbers, and the columns that a person (`given`) or else the header above them names.

    There are several tables where the text does not tell its decimal sign, as in 1,000: those of steady frequency, if any.

    Raises
    ------
    TsfitError
        ``empty``, ``separators``, ``not_a_number``, ``ragged``, ``columns``, ``too_large``.
    """
    said = DECIMAL.search(given) if given else None
    if given and said:
        given = given[: said.start()] or None
    first = [line for _, line in itertools.islice(lines_of(text, path), SAMPLE)]
    sample = [line for line in first if line[0] == ";" or not COMMENT.match(line)]
    dialects, width = dialects_of(sample, path, {"comma": ",", "point": "."}[said[1]] if said else "")
    tables = [_table(text, _Rows(dialect, width, path), given) for dialect in dialects]
    nameless = [table for table in tables if not table.columns and table.values.shape[1] > 3]
    if nameless and dialects[0].separator == "," and "." not in first[-1]:
        refuse(path, COMMA, "separators")
    return [table for table in tables if table.steady] or tables


def _table(text: str, rows: _Rows, given: str | None) -> TextTable:
    path, separator = rows.path, rows.dialect.separator
    above: deque[tuple[int, str]] = deque(maxlen=60)
    below: list[tuple[int, str]] = []
    for number, line in lines_of(text, path):
        comment = COMMENT.match(line) and not (line[0] == separator == ";")
        row = not comment and rows.take(number, line)
        if not row and not rows.lines:
            above.append((number, line))
        elif not row and not comment:
            below.append((number, line))
        if below and (row or len(below) > SAMPLE):
            message = f"{below[0][1][:40]!r} is not a row of numbers; remove it or put # before it."
            refuse(path, message, "not_a_number", below[0][0])
    if not rows.lines:
        refuse(path, "holds no rows of numbers; export frequency, magnitude and phase as text.", "empty")
    values = np.frombuffer(rows.values).reshape(len(rows.lines), -1)
    filled = [k for k in range(values.shape[1]) if k in rows.odd or not np.all(np.isnan(values[:, k]))]
    header = Header(rows.dialect, rows.kinds, filled, path)
    columns = header.found(list(above)) if given is None else header.given(given)
    odd = {new: rows.odd[old] for new, old in enumerate(filled) if old in rows.odd}
    return TextTable(values[:, filled], np.frombuffer(rows.lines, dtype=np.int64), columns, odd, len(below))
