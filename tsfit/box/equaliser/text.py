"""Equaliser sections as a person writes them: in words, or as a TOML file.

In words a section is what `str` of it prints: kind, frequency, Q and gain, with commas or without::

    peaking 40 Hz, Q 1.2, +3 dB
    high-pass 22 Hz, Q 0.9
    pole shift from 55 Hz, Q 0.68 to 25 Hz, Q 0.707

Q is 0.707 where it is left out. A pole shift without ``from`` starts at the poles of the closed box that it is for.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

from tsfit.base.errors import TsfitError
from tsfit.box.equaliser.sections import KINDS, FilterSection, SectionKind
from tsfit.box.numbers import BUTTERWORTH_Q
from tsfit.formats.toml import Table, read_toml

EXAMPLE = "peaking 40 Hz, Q 1.2, +3 dB"
WITH_GAIN = ("peaking", "low shelf", "high shelf")
_NUMBER = r"[-+]?\d+(?:\.\d+)?"
_POINT = rf"(?P<{{0}}hz>{_NUMBER}) ?hz(?: q ?(?P<{{0}}q>{_NUMBER}))?"
FORM = re.compile(rf"(?:from {_POINT.format('from_')} )?(?:to )?{_POINT.format('')}(?: (?P<gain>{_NUMBER}) ?db)?")

Poles = tuple[float, float] | None


class _SectionTable(Table):
    kind: SectionKind
    frequency_hz: float
    q: float = BUTTERWORTH_Q
    gain_db: float | None = None
    from_hz: float | None = None
    from_q: float | None = None


class _SectionsFile(Table):
    section: list[_SectionTable]


def parse_section(text: str, poles: Poles = None) -> FilterSection:
    """Return the section that `text` describes; `poles` (Hz, Q) are where a pole shift without ``from`` starts.
    Raises ``wrong_value`` with the form that is understood.
    """
    plain = " ".join(text.replace(",", " ").replace("−", "-").lower().split())
    kind = next((kind for kind in KINDS if plain.startswith(kind)), None)
    found = None if kind is None else FORM.fullmatch(plain[len(kind) :].strip())
    if kind is None or found is None:
        raise TsfitError(
            f"section {text[:60]!r} is not understood; write it as in {EXAMPLE!r}, with one of {', '.join(KINDS)}.",
            code="wrong_value",
        )
    value = {name: None if number is None else float(number) for name, number in found.groupdict().items()}
    given = {
        "frequency_hz": value["hz"],
        "q": BUTTERWORTH_Q if value["q"] is None else value["q"],
        "gain_db": value["gain"],
        "from_hz": value["from_hz"],
        "from_q": BUTTERWORTH_Q if value["from_hz"] and value["from_q"] is None else value["from_q"],
    }
    return _section(f"section {text[:60]!r}", kind, given, poles)


def read_sections(path: Path, poles: Poles = None) -> tuple[FilterSection, ...]:
    """Read the ``[[section]]`` tables of a TOML file, with keys kind, frequency_hz, q, gain_db, from_hz, from_q. Raises
    ``missing_file``, ``not_toml``, ``wrong_key``, ``missing_key`` or ``wrong_value``, naming file, key and remedy.
    """
    file = read_toml(path, _SectionsFile, "equaliser")
    found = []
    for number, table in enumerate(file.section, start=1):
        given = table.model_dump()
        kind = given.pop("kind")
        try:
            found.append(_section(f"section[{number}]", kind, given, poles))
        except TsfitError as error:
            raise TsfitError(f"{path}: {error.message}", code=error.code, file=path) from error
    return tuple(found)


def _section(place: str, kind: SectionKind, given: Mapping[str, float | None], poles: Poles) -> FilterSection:
    def refuse(why: str) -> TsfitError:
        return TsfitError(f"{place}: {why}", code="wrong_value")

    told = {name: value for name, value in given.items() if value is not None}
    if kind in WITH_GAIN and "gain_db" not in told:
        raise refuse(f"a {kind} needs its gain; add it, in dB.")
    if kind not in WITH_GAIN and "gain_db" in told:
        raise refuse(f"a {kind} takes no gain; leave it out.")
    if kind != "pole shift" and {"from_hz", "from_q"} & told.keys():
        raise refuse("only a pole shift starts from somewhere; leave that out.")
    if kind == "pole shift" and not {"from_hz", "from_q"} & told.keys():
        if poles is None:
            raise refuse("only a closed box or baffle has poles to start from; say from where it shifts.")
        told["from_hz"], told["from_q"] = poles
    try:
        return FilterSection(kind, **told)
    except TsfitError as error:
        raise refuse(error.message) from error
