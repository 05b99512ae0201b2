"""Cells of delimited text: separator, decimal sign, thousands set apart, two numbers in one cell."""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path
from typing import NoReturn

import numpy as np

from tsfit.base.errors import TsfitError

NUMBER = re.compile(r"[+-]?(?:\d+(?:\.|[.,]\d+)?|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
NOT_FINITE = re.compile(r"[+-]?(?:nan|inf|infinity)|-?1\.#\w+", re.IGNORECASE)
UNSIGNED = r"(?:\d+(?:[.,]\d*)?|\.\d+)(?:[eE][+-]?\d+)?"
POINTED = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"
IMAGINARY = re.compile(rf"\s*([+-])\s*(?:[ij]\s*\*?\s*({UNSIGNED})|({UNSIGNED})\s*\*?\s*[ij]\b)", re.ASCII)
"""An imaginary part however it is written; `Dialect.cells` brings it to the form +2.3j."""
PAIRS = {
    kind: re.compile(pattern, re.ASCII)
    for kind, pattern in {
        "rectangular": rf"\(?([+-]?{UNSIGNED})([+-]{UNSIGNED})j\)?",
        "decibel": rf"\(\s*({POINTED})\s*dB\s*,\s*({POINTED})\s*(?:°|deg)\s*\)",
        "polar": rf"({POINTED})\s*(?:Ω|[Oo]hm)?\s*∠\s*({POINTED})\s*(?:°|deg)",
        "pair": rf"(?=.*[.eE(])\(?\s*({POINTED})\s*,\s*({POINTED})\s*\)?",
    }.items()
}
"""Two numbers in one cell, by what they are."""
BLANKS = "'’\xa0\u202f\u2009 "
GROUPED = {
    sign: re.compile(rf"[+-]?[1-9]\d{{0,2}}(?:[{other}{BLANKS}]\d{{3}})+(?:{re.escape(sign)}\d*)?", re.ASCII)
    for sign, other in (".,", ",.")
}
"""Numbers with their thousands set apart, by decimal sign."""
EMPTY = {"", "-", "--", "---", "n/a", "N/A"}
SEPARATORS = (";", "\t", "|", ",", " ")
COMMA = "uses the comma both between columns and, it seems, within numbers; export it with semicolons between columns."


def refuse(path: Path, message: str, code: str, line: int | None = None) -> NoReturn:
    """Raise the one error of this kind, with the place in front of the sentence."""
    place = f"{path}" if line is None else f"{path}, line {line}"
    raise TsfitError(f"{place}: {message}", code=code, file=path)


@dataclass(frozen=True)
class Dialect:
    """Separator between cells, decimal sign, and whether the other sign sets thousands apart."""

    separator: str
    decimal: str = "."
    grouped: bool = False

    def cells(self, line: str) -> list[str]:
        """Cells of a line, without blanks and quotes around them."""
        if "j" in line or "i" in line:
            line = IMAGINARY.sub(r"\1\2\3j", line)
        if self.separator == " ":
            return line.replace('"', "").split()
        if '"' in line:
            return [cell.strip() for cell in next(csv.reader([line], delimiter=self.separator, skipinitialspace=True))]
        return [cell.strip() for cell in line.split(self.separator)]

    def number(self, cell: str) -> float | None:
        """Value of a cell, None where it is no number of this dialect, NaN where it is empty."""
        other = "," if self.decimal == "." else "."
        if cell in EMPTY:
            return np.nan
        if GROUPED[self.decimal].fullmatch(cell) and (self.grouped or other not in cell):
            cell = re.sub(rf"[{other}{BLANKS}]", "", cell)
        if other in cell or not NUMBER.fullmatch(cell):
            return None
        return float(cell.replace(",", "."))

    def read(self, cell: str) -> tuple[str, list[float]] | None:
        """Number of a cell, under "", or both of one such as 6.1+2.3j, (6.1,2.3), 6.5∠20° under their name in `PAIRS`."""
        if (value := self.number(cell)) is not None:
            return "", [value]
        for kind, pattern in PAIRS.items():
            if found := pattern.fullmatch(cell):
                part = self.number if kind == "rectangular" else float
                values = [value for text in found.groups() if (value := part(text)) is not None]
                return (kind, values) if len(values) == 2 else None
        return None


NUMERALS = [Dialect("", decimal, grouped) for grouped, decimal in product((False, True), ".,")]


def _is_number(cell: str) -> bool:
    return bool(NUMBER.fullmatch(cell)) or (cell not in EMPTY and any(numeral.read(cell) for numeral in NUMERALS))


def rank(cells: list[str]) -> int:
    """2 for a row of numbers, 1 for a row with words among its numbers, 0 for anything else."""
    full = [cell for cell in cells if cell not in EMPTY]
    odd = [cell for cell in full if not _is_number(cell) and not NOT_FINITE.fullmatch(cell)]
    if 2 * len(odd) > len(cells) or any(re.fullmatch(r"[-+]?[\d.,\s]*", cell) for cell in odd):
        return 0
    numbers = len(full) - len(odd)
    return 0 if not numbers else 2 if not odd else int(numbers > 1)


def dialects_of(sample: list[str], path: Path, decimal: str) -> tuple[list[Dialect], int]:
    """Every dialect in which all numbers of the first lines are numbers, of those that read the same one; cells of a row.

    `decimal` is the decimal sign where a person says it, "" otherwise.
    """
    found = []
    for separator in [one for one in SEPARATORS if any(one in line for line in sample)] or [";"]:
        rows = [(found_, cells) for line in sample if (found_ := rank(cells := Dialect(separator).cells(line)))]
        found.append((sum(one * min(len(cells), 2) for one, cells in rows), [cells for _, cells in rows], separator))
    score, rows_, separator = max(found, key=lambda one: one[0])
    if not score:
        if any(re.match(r"[-+]?\d", line) for line in sample):
            refuse(path, COMMA, "separators")
        refuse(path, "holds no rows of numbers; export frequency, magnitude and phase as text.", "empty")
    width = Counter(map(len, rows_)).most_common(1)[0][0]
    numbers = [cell for cells in rows_ if len(cells) == width for cell in cells if _is_number(cell)]
    told: dict[str, Dialect] = {}
    for numeral in NUMERALS:
        read = [numeral.read(cell) for cell in numbers]
        if numeral.decimal in (decimal or ".,") and None not in read:
            told.setdefault(repr(read), replace(numeral, separator=separator))
    if not told:
        refuse(path, "has both decimal commas and points; export it with one decimal sign.", "separators")
    return [dialect for read, dialect in told.items() if "pair" not in read] or list(told.values()), width
