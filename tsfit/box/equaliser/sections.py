"""Equaliser sections of second order: their response, their digital coefficients, and how a person writes them.

A section is H(s) = (b2 s² + b1 s + b0)/(a2 s² + a1 s + a0) with s in units of its frequency. The prototypes, and the
bilinear transform with the frequency kept in place that makes them digital, are those of the W3C note "Audio EQ Cookbook"
(R. Bristow-Johnson, 2021). A pole shift puts the poles that a closed box has, (fc, Qtc), where they are wanted: its zeros
cancel them (Linkwitz's biquadratic network, Wireless World, 1978; from memory).

A person writes a section as `str` prints it, with commas or without, or as a table of a TOML file::

    peaking 40 Hz, Q 1.2, +3 dB
    high-pass 22 Hz, Q 0.9
    pole shift from 55 Hz, Q 0.68 to 25 Hz, Q 0.707

Q is 0.707 where it is left out. A pole shift without ``from`` starts at the poles of the closed box that it is for.
"""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import ArrayLike

from tsfit.base.arrays import Complex, Real
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.base.forms import IF_TOLD
from tsfit.box.numbers import BUTTERWORTH_Q
from tsfit.box.told import within
from tsfit.formats.toml import Table, read_toml

SectionKind = Literal["peaking", "low shelf", "high shelf", "high-pass", "low-pass", "pole shift"]
KINDS: tuple[SectionKind, ...] = ("peaking", "low shelf", "high shelf", "high-pass", "low-pass", "pole shift")
SAMPLE_RATES_HZ = (44100.0, 48000.0, 96000.0)


@dataclass(frozen=True)
class Biquad:
    """Coefficients of a digital section; a[0] is 1 and left out."""

    b: tuple[float, float, float]
    a: tuple[float, float]


@dataclass(frozen=True)
class FilterSection:
    """One section; of a pole shift `from_hz` and `from_q` tell the poles that are there, which its zeros cancel."""

    FORM: ClassVar = ("words", "kind", "frequency_hz", "q", "gain_db", "from_hz", "from_q", "biquads")

    kind: SectionKind
    frequency_hz: float  # of poles (and zeros); of a pole shift where the poles go
    q: float = BUTTERWORTH_Q
    gain_db: float | None = field(default=None, metadata=IF_TOLD)  # of peaking and shelves
    from_hz: float | None = field(default=None, metadata=IF_TOLD)
    from_q: float | None = field(default=None, metadata=IF_TOLD)

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise TsfitError(f"equaliser: {self.kind!r} is no section; use one of {', '.join(KINDS)}.", code="wrong_value")
        within(self.frequency_hz, 0.1, 1e5, f"{self.kind} frequency", "Hz")
        within(self.q, 0.05, 100.0, f"{self.kind} Q", "")
        within(self.gain_db or 0.0, -60.0, 60.0, f"{self.kind} gain", "dB")
        if self.kind == "pole shift":
            within(self.from_hz or 0.0, 0.1, 1e5, "pole shift, present frequency", "Hz")
            within(self.from_q or 0.0, 0.05, 100.0, "pole shift, present Q", "")

    def polynomials(self) -> tuple[Real, Real]:
        """Numerator and denominator, highest power first, in s over the section's angular frequency; each (3,)."""
        a, q = 10.0 ** ((self.gain_db or 0.0) / 40.0), self.q
        root = math.sqrt(a) / q
        ratio = (self.from_hz or 0.0) / self.frequency_hz
        numerator, denominator = {
            "peaking": ((1.0, a / q, 1.0), (1.0, 1.0 / (a * q), 1.0)),
            "low shelf": ((a, a * root, a * a), (a, root, 1.0)),
            "high shelf": ((a * a, a * root, a), (1.0, root, a)),
            "high-pass": ((1.0, 0.0, 0.0), (1.0, 1.0 / q, 1.0)),
            "low-pass": ((0.0, 0.0, 1.0), (1.0, 1.0 / q, 1.0)),
            "pole shift": ((1.0, ratio / (self.from_q or 1.0), ratio**2), (1.0, 1.0 / q, 1.0)),
        }[self.kind]
        return np.array(numerator), np.array(denominator)

    def response(self, frequency_hz: ArrayLike) -> Complex:
        """Complex gain at each frequency, any shape."""
        s = 1j * np.asarray(frequency_hz, dtype=float) / self.frequency_hz
        numerator, denominator = self.polynomials()
        return np.asarray(np.polyval(numerator, s) / np.polyval(denominator, s))

    def biquad(self, sample_rate_hz: float) -> tuple[Real, Real]:
        """Coefficients b (3,) and a (3,), a[0] = 1, of the digital section.
        Raises ``wrong_value`` when the section's frequency is not below half of the rate.
        """
        if not self.frequency_hz < 0.5 * sample_rate_hz:
            raise TsfitError(
                f"equaliser: {self.frequency_hz:g} Hz cannot be had at a rate of {sample_rate_hz:g} Hz; take a higher one.",
                code="wrong_value",
            )
        k = 1.0 / math.tan(math.pi * self.frequency_hz / sample_rate_hz)
        powers = np.array([[k * k, -2.0 * k * k, k * k], [k, 0.0, -k], [1.0, 2.0, 1.0]])
        b, a = (polynomial @ powers for polynomial in self.polynomials())
        return b / a[0], a / a[0]

    @property
    def biquads(self) -> dict[str, Biquad]:
        """Digital sections by sampling rate, Hz, where its frequency is below half of that."""
        pairs = {f"{rate:g}": self.biquad(rate) for rate in SAMPLE_RATES_HZ if self.frequency_hz < 0.5 * rate}
        return {rate: Biquad(tuple(b), tuple(a[1:])) for rate, (b, a) in pairs.items()}

    @property
    def words(self) -> str:
        """What `str` prints."""
        return str(self)

    def __str__(self) -> str:
        words = f"{self.kind} {in_figures(self.frequency_hz, 4)} Hz, Q {in_figures(self.q, 3)}"
        if self.kind == "pole shift":
            return (
                f"pole shift from {in_figures(self.from_hz, 4)} Hz, Q {in_figures(self.from_q, 3)} to "
                f"{in_figures(self.frequency_hz, 4)} Hz, Q {in_figures(self.q, 3)}"
            )
        return words + (f", {self.gain_db or 0.0:+.1f} dB" if "pass" not in self.kind else "")


def gain_db(sections: Sequence[FilterSection], frequency_hz: ArrayLike) -> Real:
    """Gain of all `sections` together, dB."""
    total = np.ones(np.shape(frequency_hz), dtype=complex)
    for section in sections:
        total = total * section.response(frequency_hz)
    return np.asarray(20.0 * np.log10(np.maximum(np.abs(total), 1e-30)))


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
