"""Files of valid structure with hostile values, as hypothesis strategies; and settings that fit them into a run.

``TSFIT_FUZZ`` multiplies the number of cases, of damaged files too: without it every run plays the first three in twenty of
them; 1 plays all of about 2,900, a fold; 60 is the long run. ``TSFIT_FUZZ_FROM`` says with which fold a run begins, so that
the long run can be played in slices: ``TSFIT_FUZZ=5 TSFIT_FUZZ_FROM=10`` plays folds 10 to 14. Each fold has cases of its
own, the same ones in every run of the same tests.
"""

import json
import math
import os
import re
import zlib
from collections.abc import Callable
from typing import Any

from hypothesis import HealthCheck, Phase, seed, settings
from hypothesis import strategies as st

TIMES = float(os.environ.get("TSFIT_FUZZ", "0.15"))
FROM = int(os.environ.get("TSFIT_FUZZ_FROM", "0"))
FOLDS = range(FROM, FROM + math.ceil(TIMES))
"""A test that asks for a `fold` is run with each of them, as conftest.py in tests/fuzz/ sees to."""
PART = min(TIMES, 1.0)
"""Of a fold that is played."""
PHASES = (Phase.generate, Phase.shrink) if TIMES <= 1.0 else (Phase.generate,)
"""A long run only finds; what it finds is made small by a run of the fold that found it."""


def cases(count: int, fold: int) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Return settings for so many cases of a fold in a run of ordinary length; commands have a limit of their own."""
    bounds = settings(
        max_examples=max(1, round(count * PART)), deadline=None, database=None, print_blob=False, phases=PHASES,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    return lambda test: seed(fold)(bounds(test))


WORDS = (
    "", " ", "x", "\u202e\u0000", "é" * 300, "日本語 12", "𝟙𝟚", "<script>alert(1)</script>", "' onload='x",
    "../../etc/passwd",
    "C:\\bench\\a.wav", "a\nb", "a\r\n.end", "%s%n{0}{x}", "=1+1", "__import__('os')", "\x1b[31mred", "nan", "-", ".", "/",
    "\ufeffx", "a" * 4000, "$(reboot)", "`x`", '"""', "#", "free air", "\ud7ff\ue000",
)  # fmt: skip
NUMBERS = (
    "0", "-0.0", "-1", "-5.6", "1e-320", "1e-30", "1e30", "1e308", "1e309", "-1e308", "nan", "inf", "-inf",
    "9" * 40, "0x1F", "1_000", "1e5", "3.0", "7", "0.5",
)  # fmt: skip
UNITS = ("ohm", "Hz", "g", "kg", "l", "m^3", "mm", "T*m", "mH", "%", "dB", "parsec", "°", "Ω", "ohm/0", "m" * 50, "")

CHARACTERS = st.characters(exclude_categories=("Cs",))
"""All but surrogates; hypothesis itself would ask UTF-8 of each one, which takes three seconds."""

words = st.one_of(st.sampled_from(WORDS), st.text(CHARACTERS, max_size=30))
finite = st.floats(allow_nan=False, allow_infinity=False)
numbers = st.one_of(st.sampled_from(NUMBERS), finite.map(repr), st.integers().map(str))
printed = st.builds(
    lambda number, gap, unit: f"{number}{gap}{unit}", numbers, st.sampled_from(("", " ", "\t", "±")), st.sampled_from(UNITS)
)


def quoted(text: str) -> str:
    """Return a string as TOML and JSON both write it."""
    return (
        re.sub("[\x7f\ud800-\udfff]", "?", json.dumps(text, ensure_ascii=True))
        if text.isascii()
        else json.dumps(text, ensure_ascii=False).replace("\x7f", "?")
    )


nested = st.builds(
    lambda left, right, depth: left * depth + right * depth,
    st.just("["),
    st.just("]"),
    st.sampled_from((1, 2, 50, 900, 20000)),
)
tables = st.sampled_from(
    ("{}", "{a = 1}", '{a = {b = {c = "x"}}}', "[[1, 2], [3]]", "[]", "true", "2026-11-25", "07:32:00", "''''x''''")
)
toml_values = st.one_of(
    numbers, numbers, numbers, words.map(quoted), printed.map(quoted), printed.map(quoted), tables, nested
)

FACTORS = (-1.0, 1e-9, 1e-3, 0.1, 0.5, 0.9, 0.99, 1.01, 1.1, 2.0, 10.0, 1e3, 1e9)
NUMBER = re.compile(r"\d+(?:\.\d+)?(?:e[-+]?\d+)?")
KEY = re.compile(r'^(?P<indent>\s*)(?P<key>[\w.-]+)(?P<equals>\s*=\s*)(?P<value>"[^"\n]*"|[^"#\n]*[^"#\s])', re.MULTILINE)


@st.composite
def hostile_toml(draw: st.DrawFn, good: str) -> str:
    """Return `good` with one to three of its entries given another value, doubled, renamed or taken out."""
    text = good
    for _ in range(draw(st.integers(1, 3))):
        found = list(KEY.finditer(text))
        if not found:
            break
        place = draw(st.sampled_from(found))
        line = f"{place['indent']}{place['key']}{place['equals']}"
        how = draw(st.sampled_from((*["scaled"] * 8, *["value"] * 4, "doubled", "renamed", "gone", "added", "table")))
        new = {
            "scaled": lambda place=place, line=line: line + scaled(place["value"], draw(st.sampled_from(FACTORS))),
            "value": lambda place=place, line=line: line + draw(toml_values),
            "doubled": lambda place=place, line=line: f"{place[0]}\n{line}{draw(toml_values)}",
            "renamed": lambda place=place, line=line: f"{quoted(draw(words))} = {place['value']}",
            "gone": lambda: "",
            "added": lambda place=place: f"{place[0]}\n{quoted(draw(words))} = {draw(toml_values)}",
            "table": lambda place=place: (
                f"{place[0]}\n[{'.'.join([quoted(draw(words))] * draw(st.sampled_from((1, 3, 400))))}]\nx = 1"
            ),
        }[how]()
        text = text[: place.start()] + new + text[place.end() :]
    return text


def scaled(text: str, factor: float) -> str:
    """Return the text with its first number times a factor."""
    return NUMBER.sub(lambda found: f"{float(found[0]) * factor:.6g}", text, count=1)


json_leaves = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), words, printed,
    st.sampled_from((10**400, -(10**30), 0, -1, 1e308, 5e-324)),
)  # fmt: skip
json_values = st.recursive(
    json_leaves, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(words, inner, max_size=3), max_leaves=6
)


def places(data: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Return the path to every value in JSON data, containers included."""
    inside = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    return [found for key, value in inside for found in ((*path, key), *places(value, (*path, key)))]


class Doubled(dict):
    """A table whose key comes twice, as JSON allows in text."""

    def __init__(self, data: dict[str, Any], key: str, value: Any) -> None:
        super().__init__(data)
        self.pair = (key, value)

    def items(self):
        """Yield what is there and the second of the key."""
        return [*super().items(), self.pair]


@st.composite
def hostile_json(draw: st.DrawFn, good: str) -> str:
    """Return the JSON document `good` with one to three values changed, taken out, doubled or buried."""
    data = json.loads(good)
    for _ in range(draw(st.integers(1, 3))):
        found = places(data)
        if not found:
            break
        *path, key = draw(st.sampled_from(found))
        holder = data
        for step in path:
            holder = holder[step]
        how = draw(st.sampled_from((*["scaled"] * 5, *["value"] * 3, "gone", "renamed", "deep")))
        if how == "gone" or (how == "renamed" and isinstance(holder, list)):
            del holder[key]
        elif how == "renamed":
            holder[draw(words)] = holder.pop(key)
        elif how == "deep":
            for _ in range(draw(st.sampled_from((1, 30, 300)))):
                holder[key] = [holder[key]]
        elif how == "scaled" and isinstance(holder[key], float):
            holder[key] *= draw(st.sampled_from(FACTORS))
        else:
            holder[key] = draw(json_values)
    if isinstance(data, dict) and data and draw(st.integers(0, 9)) == 0:
        data = Doubled(data, draw(st.sampled_from(sorted(data))), draw(json_values))
    return json.dumps(data, ensure_ascii=draw(st.booleans())).encode("utf-8", "replace").decode()


@st.composite
def hostile_log(draw: st.DrawFn, good: str) -> str:
    """Return a drift log in which one entry has hostile values and a checksum that is right."""
    lines = good.splitlines()
    for _ in range(draw(st.integers(1, 2))):
        at = draw(st.integers(0, len(lines) - 1))
        found = re.fullmatch(r'\{"crc32":"[0-9a-f]{8}","entry":(.*)\}', lines[at])
        if found:
            entry = draw(hostile_json(found[1]))
            lines[at] = f'{{"crc32":"{zlib.crc32(entry.encode()):08x}","entry":{entry}}}'
        if draw(st.booleans()):
            lines.insert(draw(st.integers(0, len(lines))), lines[at])
    return "\n".join(lines) + "\n"


@st.composite
def hostile_columns(draw: st.DrawFn, good: str) -> str:
    """Return columns of numbers in which cells, rows, separators or the words above them are hostile."""
    lines = good.splitlines()
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(lines) - 1))
        cells = lines[at].split()
        how = draw(
            st.sampled_from(("cell", "cell", "row", "gone", "swap", "short", "words", "separator", "scale", "decimal"))
        )
        if how == "cell" and cells:
            cells[draw(st.integers(0, len(cells) - 1))] = draw(numbers)
            lines[at] = "\t".join(cells)
        elif how == "row":
            lines.insert(at, lines[draw(st.integers(0, len(lines) - 1))])
        elif how == "gone":
            del lines[at : at + draw(st.integers(1, 300))]
            lines = lines or [""]
        elif how == "swap":
            other = draw(st.integers(0, len(lines) - 1))
            lines[at], lines[other] = lines[other], lines[at]
        elif how == "short":
            lines[at] = " ".join(cells[:1])
        elif how == "words":
            lines.insert(draw(st.sampled_from((0, at))), draw(words))
        elif how == "separator":
            lines = [draw(st.sampled_from((",", ";", "\t", "  ", " | "))).join(line.split()) for line in lines]
        elif how == "decimal":
            lines = [line.replace(".", ",") for line in lines]
        else:
            column, factor = draw(st.integers(0, 2)), draw(st.sampled_from((0.0, -1.0, 1e-12, 1e3, 1e12, 1e300)))
            lines = [_scaled(line, column, factor) for line in lines]
    return draw(st.sampled_from(("\n", "\n", "\r\n", "\r"))).join(lines) + "\n"


def _scaled(line: str, column: int, factor: float) -> str:
    cells = line.split()
    try:
        cells[column] = repr(float(cells[column]) * factor)
    except (IndexError, ValueError):
        return line
    return " ".join(cells)


@st.composite
def hostile_touchstone(draw: st.DrawFn, good: str) -> str:
    """Return a Touchstone file with another option line and hostile columns."""
    options = st.lists(
        st.one_of(st.sampled_from(("Hz", "kHz", "GHz", "S", "Z", "Y", "H", "RI", "MA", "DB", "R", "50")), numbers, words),
        max_size=7,
    )
    head, _, body = good.partition("\n")
    if draw(st.booleans()):
        head = "# " + " ".join(draw(options)).replace("\n", " ")
    return f"{head}\n{draw(hostile_columns(body))}" if draw(st.booleans()) else f"{head}\n{body}"
