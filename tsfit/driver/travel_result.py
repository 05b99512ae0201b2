"""How far a driver goes: its curves over travel, and where each of them has fallen too far; also as JSON holds it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, ClassVar, Literal, NamedTuple

from tsfit.base.arrays import Read
from tsfit.base.figures import in_figures
from tsfit.base.forms import IF_TOLD
from tsfit.base.notes import QualityNote
from tsfit.base.views import Viewed, view
from tsfit.driver.fit_result import Estimate
from tsfit.driver.parameters import PARAMETERS
from tsfit.driver.record import NamedDriver
from tsfit.driver.units import shown_decimals, with_decimals

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Side = Literal["outward", "inward"]
SIDES: tuple[Side, Side] = ("outward", "inward")


class Criterion(NamedTuple):
    """A limit of travel: which curve, what is left of it there, and in words."""

    curve: str
    least: float
    words: str

    @property
    def told(self) -> str:
        """What the curve has come to there, in words."""
        off = f"off by {100.0 * (1.0 - self.least):.0f} %" if self.curve in "ZL" else f"down to {100.0 * self.least:.0f} %"
        return f"{self.words} {off}"


CRITERIA = {
    "Bl82": Criterion("Bl", 0.82, "force factor"),
    "C75": Criterion("C", 0.75, "compliance"),
    "Z10": Criterion("Z", 0.90, "impedance of the coil"),
    "L10": Criterion("L", 0.90, "inductance"),
    "Bl70": Criterion("Bl", 0.70, "force factor"),
    "C50": Criterion("C", 0.50, "compliance"),
    "Z17": Criterion("Z", 0.83, "impedance of the coil"),
    "L17": Criterion("L", 0.83, "inductance"),
}
"""Where Bl or compliance have fallen to a part of their value at rest, or the impedance of the held coil at 8.5 Fs, or the
inductance, is off by a part of it (IEC 62458:2010, AES2-2012, from memory)."""
DISTORTION = {"10 %": ("Bl82", "C75", "Z10"), "20 %": ("Bl70", "C50", "Z17")}
"""Which of them count as the travel limit for so much distortion; the inductance itself never does."""


@dataclass(frozen=True)
class TravelLimit:
    """Where a curve has fallen to its limit, m; beyond what was reached only how far it has not (97.5 %)."""

    reached: bool
    value: float | None = field(default=None, metadata=IF_TOLD)
    stdev: float | None = field(default=None, metadata=IF_TOLD)
    interval95: tuple[float, float] | None = field(default=None, metadata=IF_TOLD)
    at_least: float | None = field(default=None, metadata=IF_TOLD)
    by: str | None = field(default=None, metadata=IF_TOLD)  # of several criteria, the one that sets it
    unit: str = "m"

    @property
    def surely(self) -> float:
        """Travel up to which nothing has fallen, at 97.5 %."""
        return float((self.at_least if self.interval95 is None else self.interval95[0]) or 0.0)

    def shown(self) -> str:
        """Return it in millimetres, with its 95 % interval."""
        if self.value is None or self.interval95 is None or self.stdev is None:
            return f"over {in_figures(1e3 * self.surely, 3)}"
        decimals = shown_decimals(1e3 * self.value, 1e3 * self.stdev, "mm", full=False)
        low, value, high = (
            with_decimals(1e3 * each, decimals) for each in (self.interval95[0], self.value, self.interval95[1])
        )
        return f"{value} ({low} … {high})"


@dataclass(frozen=True)
class BothWays:
    """A limit outward and inward."""

    outward: TravelLimit
    inward: TravelLimit


@dataclass(frozen=True)
class TravelCurves:
    """Curves over travel (n,), SI, with standard uncertainties; L is that of the coil and its ring together."""

    x_m: Read
    Bl: Read
    Bl_stdev: Read
    K: Read
    K_stdev: Read
    L: Read
    L_stdev: Read


@dataclass(frozen=True)
class TravelLevel:
    """One level: how far the cone went, m, the coil's resistance, ohm, and what of the current is left unexplained."""

    recording: str
    peak_outward_m: float
    peak_inward_m: float
    Re_ohm: float
    left_percent: float
    noise_percent: float


@dataclass(frozen=True)
class HeldOffset:
    """What a small-signal sweep says of a cone held aside, SI, with standard uncertainties.

    Attributes
    ----------
    x_m : outward of rest
    K : d(K x)/dx, what small movements meet there
    E_n : by curve, how far that is from what full travel tells, over the expanded uncertainty (k = 2) of their difference
        (ISO 13528, from memory): up to 1 they agree; empty beyond what full travel reached
    """

    recording: str
    x_m: float
    x_stdev_m: float
    Bl: float
    Bl_stdev: float
    K: float
    K_stdev: float
    L: float
    L_stdev: float
    E_n: Mapping[str, float]


GO_LOUDER = (
    "Where it says over, no level moved the cone that far: add a louder one, as far as the driver goes without a knock. "
    "The same `tsfit sweep` goes on after its last level; where its limits stopped it, with a higher --limit-travel-mm "
    "(and --limit-v)."
)

UNSIDED = {"Bl_offset": "middle of Bl, one way", "K_asymmetry": "stiffness, the other less one way"}
"""What parameters are called where nobody knows which way is out."""


@dataclass(frozen=True)
class TravelResult(Viewed):
    """What recordings at full travel tell of a driver.

    Attributes
    ----------
    outward_known : whether a positive voltage is known to move the cone outward; else the sides are only told apart
    limits : by the names of `CRITERIA`
    travel : by the names of `DISTORTION`, the smallest of its criteria each way
    parameters : at rest, by trade name; ``Bl_offset``, m, by which the force factor's middle lies outward of rest; and
        ``K_asymmetry``, by which part of their mean the stiffness inward exceeds that outward
    orders : highest orders of the polynomials
    floor_percent : share of the current that the model leaves open beside noise
    offsets : what sweeps with the cone held aside say of the same curves
    """

    KIND: ClassVar = "travel"

    driver: NamedDriver
    outward_known: bool
    limits: Mapping[str, BothWays]
    travel: Mapping[str, BothWays]
    curves: TravelCurves
    levels: tuple[TravelLevel, ...]
    parameters: Mapping[str, Estimate]
    orders: Mapping[str, int]
    floor_percent: float
    offsets: tuple[HeldOffset, ...] = field(default=(), metadata=IF_TOLD)
    quality: tuple[QualityNote, ...] = ()
    provenance: Mapping[str, object] = field(default_factory=dict)

    def side(self, side: Side) -> str:
        """Name of a side in words."""
        return side if self.outward_known else {"outward": "one way", "inward": "the other way"}[side]

    def called(self, name: str) -> str:
        """Name of a parameter in words, its sides told as `side` tells them."""
        return PARAMETERS[name].called if self.outward_known else UNSIDED.get(name, PARAMETERS[name].called)

    def answers(self) -> list[str]:
        """Say in a sentence how far the driver goes at each distortion, last what to do where no level went so far."""
        found = []
        for name, both in self.travel.items():
            told = []
            for side in SIDES:
                limit = getattr(both, side)
                if limit.value is None:
                    told.append(f"over {in_figures(1e3 * limit.surely, 3)} mm {self.side(side)}")
                else:
                    cause = f", set by the {CRITERIA[limit.by].words}"
                    told.append(f"{limit.shown().split()[0]} mm {self.side(side)}{cause}")
            found.append(f"{name} limit: {'; '.join(told)}.")
        if any(getattr(both, side).value is None for both in self.travel.values() for side in SIDES):
            found.append(GO_LOUDER)
        return found

    def rows(self) -> list[list[str]]:
        """Each limit in words, and where it is reached each way, mm."""
        counted = {name for names in DISTORTION.values() for name in names}
        return [
            [CRITERIA[name].told if name in counted else f"{CRITERIA[name].told}, sets no limit", *(
                getattr(both, side).shown() for side in SIDES
            )]
            for name, both in self.limits.items()
        ]  # fmt: skip

    def plot(self) -> Figure:
        """Draw force factor, compliance and inductance over travel."""
        return view(self, "plot")  # type: ignore[no-any-return]


def smallest(limits: Mapping[str, TravelLimit]) -> TravelLimit:
    """Return the limit that sets the travel, with its name; where one not reached may come first, only what is sure."""
    surely = min(limit.surely for limit in limits.values())
    told = {name: limit for name, limit in limits.items() if limit.value is not None}
    if not told:
        return TravelLimit(False, at_least=surely)
    by = min(told, key=lambda name: told[name].value or 0.0)
    first = told[by]
    open_ = [limit.surely for limit in limits.values() if limit.value is None]
    if open_ and min(open_) < (first.value or 0.0):
        return TravelLimit(False, at_least=surely)
    return TravelLimit(True, first.value, first.stdev, first.interval95, by=by)
