"""What the columns of a curve are called: one table of words, one of units, and what a header made of them says."""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass, replace
from pathlib import Path

from tsfit.formats.curve_cells import Dialect, refuse

NAMES = {
    "frequency": "f freq frq frequency frequenz frequence frecuencia frequenza",
    "magnitude": "mag magn magnitude magnitud abs mod modulus module modulo betrag amplitude impedance impedanz impedancia "
    "impedanza imp z scheinwiderstand",
    "phase": "phase phases pha ph phi theta φ ϕ θ ϑ arg argument angle ang winkel phasenwinkel phasenlage fase angulo "
    "angolo",
    "real": "re real r rs resistance resistanz realteil wirkwiderstand reel reelle reale resistencia resistenza",
    "imaginary": "im imag imaginary x xs reactance reaktanz imaginarteil blindwiderstand imaginaire imaginaria immaginaria "
    "reactancia reattanza",
    "stdev": "stdev sigma std",
    "complex": "complex komplex complexe compleja complessa",
    "": "in of part the shift trace data de der des la le di von parte partie teil desfase dephasage omega ω "
    "unwrapped wrapped",
}
OHMIC = "magnitude real imaginary stdev complex"
UNITS = {
    "Hz": ("frequency", 1.0, "hz hertz"),
    "mHz": ("frequency", 1e-3, "mHz"),
    "kHz": ("frequency", 1e3, "khz kilohertz"),
    "MHz": ("frequency", 1e6, "mhz megahertz"),
    "rad/s": ("frequency", 0.5 / math.pi, "radps"),
    "ohm": (OHMIC, 1.0, "ohm ohms ohmios"),
    "mohm": (OHMIC, 1e-3, "mohm mohms milliohm"),
    "kohm": (OHMIC, 1e3, "kohm kohms kiloohm"),
    "Mohm": (OHMIC, 1e6, "Mohm Mohms megaohm"),
    "dB": ("magnitude", 1.0, "db dbohm"),
    "deg": ("phase", 1.0, "deg degs degree degrees grad grados grado gradi degre degres altgrad"),
    "rad": ("phase", 1.0, "rad rads radian radians radiant radianes radianti"),
    "mrad": ("phase", 1e-3, "mrad"),
}
"""Which quantities a unit belongs to, its factor to Hz, ohm, degrees or radians, and how it is written."""
QUANTITY = {word: quantity for quantity, words in NAMES.items() for word in words.split()}
UNIT = {word: unit for unit, (_, _, words) in UNITS.items() for word in words.split()}
GENERAL = {"z", "imp", "impedance", "impedanz", "impedancia", "impedanza"}
"""Words that mean the magnitude where nothing beside them says which part of the impedance."""
SPELLINGS = (
    (r"V\([^)]*\)\s*/\s*I\([^)]*\)", " z "),
    (r"\bR\s*\+\s*[ji]\s*X\b", " complex "),
    (r"rad\s*(?:/\s*s(?:ec)?|s\^?-1|·s⁻¹)\b", " radps "),
    (r"(?i)\bre\.?:?\s*1\s*(?=ohm|Ω|\)|\]|$)", " "),
    (r"\|\s*[zZ]\s*\|", " mag z "),
    (r"[Zz](?:''|″|\"|’’|′′)", " imaginary "),
    (r"[Zz]['’′]", " real "),
    (r"\b(milli|kilo|mega)[ -](?=ohm|hertz)", r"\1"),
    (r"([kmM]|dB)? ?(?:Ω|\bOhm)", r" \1ohm"),
    (r"°|º|˚", " deg "),
    (r"∠", " phase "),
)
"""Signs that are no words, and what they stand for."""
PAIRS = (("real", "imaginary"), ("magnitude", "phase"))
COMMENT = re.compile(r"^\s*(?:#|\*|;|!|//|%)+")
OTHER_UNIT = re.compile(r"(?:[(\[/]|\bin )\s*(?:[kmg]hz|k ?ohm|k[Ω\u2126]|dB|rad)\b", re.IGNORECASE)
NO_PHASE = "has {} column{}; export the phase too, a magnitude alone does not do."
WAY_OUT = 'say which is which with --columns "Hz, ohm, degrees", or columns = "…" in the sweep'


@dataclass(frozen=True)
class Column:
    """What a header says of one column: its quantity ("" when unknown), the factor to Hz, ohm, degrees or radians, unit."""

    role: str
    scale: float = 1.0
    unit: str = ""


UNKNOWN = Column("")
RECTANGULAR = (Column("real", 1.0, "ohm"), Column("imaginary", 1.0, "ohm"))
PARTS = {
    "rectangular": RECTANGULAR,
    "pair": RECTANGULAR,
    "polar": (Column("magnitude", 1.0, "ohm"), Column("phase", 1.0, "deg")),
    "decibel": (Column("magnitude", 1.0, "dB"), Column("phase", 1.0, "deg")),
}
"""What the two numbers are that stand in one cell."""


def column_of(cell: str, *, plain_db: bool = False) -> Column:
    """What a cell of a header says of its column; `plain_db`: dB alone means dB re 1 ohm, since a person says so."""
    text = unicodedata.normalize("NFC", cell).replace("\u2126", "Ω").replace("Â°", "°").replace("Î©", "Ω").strip()
    negative = text.startswith("-")
    for pattern, meaning in SPELLINGS:
        text = re.sub(pattern, meaning, text)
    text = "".join(sign for sign in unicodedata.normalize("NFKD", text) if not unicodedata.combining(sign))
    _, slash, under = text.partition("/")
    words = [_known(word) for word in re.findall(r"[^\W\d_]+", text)]
    if not words or None in words or (slash and not any(_known(word) in UNIT for word in re.findall(r"\w+", under))):
        return UNKNOWN
    known = {word for word in words if word is not None}
    units = {UNIT[word] for word in known if word in UNIT}
    roles = {QUANTITY[word] for word in known - GENERAL if word in QUANTITY} - {""}
    if "dB" in units:
        units.discard("ohm")
        if not (plain_db or known & (GENERAL | {"ohm", "dbohm"})):
            return UNKNOWN
    unit = units.pop() if len(units) == 1 else ""
    if not roles:
        roles = {UNITS[unit][0].split()[0]} if unit else {"magnitude"} if known & GENERAL else set()
    if units or len(roles) != 1:
        return UNKNOWN
    (role,) = roles
    if (unit and role not in UNITS[unit][0].split()) or (negative and role not in ("imaginary", "phase")):
        return UNKNOWN
    scale = UNITS[unit][1] if unit else 1.0
    return Column(role, -scale if negative else scale, "rad" if unit == "mrad" else unit)


def _known(word: str) -> str | None:
    """Find the table's spelling of a word: as it stands, in small letters, or run together with Z as in Zreal and ImZ."""
    small = word.lower()
    spellings = (word, small, small.removeprefix("z"), small.removesuffix("z"))
    return next((one for one in spellings if one in QUANTITY or one in UNIT), None)


@dataclass(frozen=True)
class Header:
    """Tells columns by their names, given what each cell holds (`kinds`) and which of the numbers are ever `filled`."""

    dialect: Dialect
    kinds: list[str]
    filled: list[int]
    path: Path

    def named(self, cells: list[str], *, plain_db: bool = False) -> tuple[Column, ...] | None:
        """Columns by the names of cells; None where they do not name frequency and an impedance, each once."""
        columns = [column_of(cell, plain_db=plain_db) for cell in cells]
        if len(columns) == len(self.kinds):
            parts = [part for column, kind in zip(columns, self.kinds, strict=True) for part in _parts(column, kind)]
            columns = [parts[k] for k in self.filled]
        roles = [column.role for column in columns if column.role]
        whole = "frequency" in roles and any(set(pair) <= set(roles) for pair in PAIRS)
        return tuple(columns) if len(columns) == len(self.filled) and whole and len(roles) == len(set(roles)) else None

    def given(self, text: str) -> tuple[Column, ...]:
        """Return the columns that a person names."""
        columns = self.named([cell.strip() for cell in re.split("[,;]", text)], plain_db=True)
        if columns is None:
            self.need_phase()
            told = f"has {len(self.filled)} columns, and the names {text!r} are not as many or do not tell"
            refuse(self.path, f"{told} frequency and impedance; {WAY_OUT}, with - for one not used.", "columns")
        return columns

    def found(self, above: list[tuple[int, str]]) -> tuple[Column, ...] | None:
        """Columns from the last line above the numbers that names them all, or from names and units in two lines.

        Lines that tell of columns or units and were not understood are refused.
        """
        bare = [COMMENT.sub("", line, count=1) for _, line in above]
        for k in reversed(range(len(bare))):
            for cells, names in zip(self.splits(bare[k]), self.splits(bare[k - 1] if k else ""), strict=True):
                both = [f"{name} {unit}" for name, unit in zip(names, cells, strict=False)]
                for names_ in (both if len(names) == len(cells) else cells, cells):
                    if columns := self.named(names_):
                        return columns
        plain = [number for number, line in above if not COMMENT.match(line)]
        blanks = self.dialect.separator == " "
        for (number, line), text in zip(reversed(above), reversed(bare), strict=True):
            cells = self.dialect.cells(text)
            as_many = len(cells) == len(self.kinds)
            begins = as_many and len(cells) > 1 and not blanks and column_of(cells[0]).role == "frequency"
            last = number == max(plain, default=0) and (as_many or (blanks and len(cells) == 1))
            if begins or last or OTHER_UNIT.search(line):
                self.need_phase()
                told = f"{line[:60]!r} does not name the {len(self.kinds)} columns below it (frequency with magnitude"
                told += f" and phase, or with real and imaginary part, once each); {WAY_OUT}"
                refuse(self.path, f"{told}{', or put # before the line' if last else ''}.", "columns", number)
        # Both parts of an impedance in one cell tell by themselves what they are.
        certain = len(self.kinds) == 2 and not self.kinds[0] and self.kinds[1] not in ("", "pair")
        return (Column("frequency"), *PARTS[self.kinds[1]]) if certain else None

    def need_phase(self) -> None:
        """Refuse a frequency with one number beside it, whatever that is called."""
        if len(self.filled) < 3:
            refuse(self.path, NO_PHASE.format(len(self.filled), "s"[: len(self.filled) - 1]), "columns")

    def splits(self, line: str) -> list[list[str]]:
        """Ways to cut a header into names: as the numbers, by wide blanks, by words with their units, by commas."""
        joined = re.sub(r"\s+(?=[(\[/])", "", line)
        ways = ((r"\t|\s{2,}", line), (r"\s+", joined), (r"[,;|]", line))
        return [self.dialect.cells(line), *([cell.strip() for cell in re.split(cut, text)] for cut, text in ways)]


def _parts(column: Column, kind: str) -> tuple[Column, ...]:
    """What the numbers in the cells of a column are: itself, or both numbers of each cell."""
    if not kind:
        return (column,)
    if column.role not in ("magnitude", "complex", "real"):
        return UNKNOWN, UNKNOWN
    return tuple(replace(part, scale=column.scale * part.scale) if part.unit == "ohm" else part for part in PARTS[kind])
