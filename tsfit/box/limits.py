"""How loud a box can play, and what stops it at each frequency.

At each frequency every limit allows some amplifier voltage; the lowest of them counts and gives the level:

- ``power``: √(P·R) at the terminals. R is the resistance with which the rating was made: Re unless another is given. Makers
  often divide by the rated impedance instead, which allows more volts for the same printed watts. It is the continuous
  rating; with ``peak=True`` the short-term one takes its place.
- ``travel``: the peak of the cone's travel reaches Xmax. ``radiator travel``: the same of a passive radiator.
- ``port speed``: the peak of the air speed, mean over the port's section, reaches the limit.
- ``amplifier voltage`` and ``amplifier current``: RMS values of a sine, stated or taken from a rating in watts into ohms.

Everything is linear. Where the power was measured, levels are those of the coil at its temperature (`hot_ratio`); else its
heating (less level at full power, by 20·lg(1 + 0.00393·ΔT) or so) is left out, as the softening of the motor near Xmax is.
"""

import math
from dataclasses import dataclass, field, fields, replace
from typing import Annotated, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from tsfit.base.arrays import Real
from tsfit.base.errors import TsfitError
from tsfit.base.forms import IF_TOLD
from tsfit.box.enclosure import Enclosure
from tsfit.box.told import MM, Told
from tsfit.circuit.response import Squares
from tsfit.driver.formulas import REFERENCE_PRESSURE

LIMITS = ("power", "travel", "radiator travel", "port speed", "amplifier voltage", "amplifier current")
"""Names of the limits, as tables, plots and JSON give them."""


class Counted(NamedTuple):
    """The limit that a rating sets, which rating that is, what it is called, and the option that states it."""

    limit: str
    rating: str
    called: str
    option: str


COUNTED = {
    "heat": Counted("power", "power_w", "rated power", "--rated-power-w"),
    "travel": Counted("travel", "xmax_m", "Xmax", "--xmax-mm"),
}
"""What is counted of loudness only where its rating is known."""
POSSIBLE = 1e-9, 1e9
"""SI, of any kind; what lies beyond is a slip, and its square might be no number."""
Whose = Literal["printed", "measured", "stated"]
"""Of the sheet, of what was measured of the driver, or of the one who asks."""
GIVE_RATINGS = "give --sheet, or --rated-power-w and --xmax-mm"
"""Remedy where nothing is rated; every command that tells how loud a box plays has these options."""
WORST_LOAD = 0.8
"""Least impedance per rated impedance (IEC 60268-5): an amplifier rated for R may meet 0.8·R."""
CHUNK = 24_000
"""Points evaluated at once: few enough for their arrays to stay in a processor's cache."""


@dataclass(frozen=True)
class Ratings:
    """What driver, port and amplifier stand, SI; None where unknown, which limits nothing.

    Power is the continuous and the short-term rating of one driver into `power_ohm`, its Re where left out; travel and port
    speed are peaks, travel one way; amplifiers are told in V and A RMS, or by a rating, W of a sine into ohm, which also
    tells the current that it is sure to give where no amps are stated. `hot_ratio` is Re at `power_w` over the cold one.
    """

    power_w: Annotated[float | None, Told("drivers.rated_power_w", 1.0, "rated_power_w", above=0.0)] = None
    peak_power_w: Annotated[float | None, Told("drivers.peak_power_w", 1.0, "peak_power_w", above=0.0)] = None
    power_ohm: Annotated[float | None, Told("drivers.rating_ohm", 1.0, "rating_ohm", above=0.0)] = None
    xmax_m: Annotated[float | None, Told("drivers.xmax_mm", MM, "xmax_mm", above=0.0)] = None
    radiator_xmax_m: Annotated[
        float | None, Told("radiator.xmax_mm", MM, "radiator_xmax_mm", above=0.0, beside="radiator")
    ] = None
    port_speed_m_s: Annotated[
        float | None, Told("port.speed_limit_m_s", 1.0, "port_limit_m_s", above=0.0, beside="opening")
    ] = None
    amplifier_v: Annotated[float | None, Told("amplifier.voltage_v", 1.0, "amplifier_v", above=0.0)] = None
    amplifier_a: Annotated[float | None, Told("amplifier.current_a", 1.0, "amplifier_a", above=0.0)] = None
    amplifier_w: Annotated[float | None, Told("amplifier.power_w", 1.0, "amplifier_w", above=0.0)] = None
    amplifier_load_ohm: Annotated[float | None, Told("amplifier.load_ohm", 1.0, "amplifier_load_ohm", above=0.0)] = None
    hot_ratio: Annotated[float | None, Told("drivers.hot_ratio", above=0.0)] = field(default=None, metadata=IF_TOLD)

    def __post_init__(self) -> None:
        for one in fields(self):
            value = getattr(self, one.name)
            if value is not None and not POSSIBLE[0] <= value <= POSSIBLE[1]:
                raise TsfitError(
                    f"{one.name.rsplit('_', 1)[0].replace('_', ' ')}: {value:g} cannot be a rating; "
                    "give a positive one that a driver, a port or an amplifier can have.",
                    code="wrong_value",
                )
        if (self.amplifier_w is None) != (self.amplifier_load_ohm is None):
            raise TsfitError(
                "amplifier: its watts hold into a load; give both the watts and the ohms, or the volts.", code="usage"
            )
        if self.amplifier_w is not None and self.amplifier_v is not None:
            raise TsfitError("amplifier: both volts and watts are given; keep one of them.", code="usage")

    def over(self, other: "Ratings") -> "Ratings":
        """Return these, and where they state nothing those of `other`; an amplifier counts as a whole."""
        given = {name: value for name, value in vars(self).items() if value is not None}
        kept = {name: value for name, value in vars(other).items() if value is not None}
        if any(name.startswith("amplifier") for name in given):
            kept = {name: value for name, value in kept.items() if not name.startswith("amplifier")}
        if "power_w" in given:
            kept.pop("hot_ratio", None)
        return Ratings(**kept | given)

    @property
    def volts(self) -> float | None:
        """Largest V RMS of the amplifier: √(P·R) where watts into ohms are stated."""
        if self.amplifier_w is None or self.amplifier_load_ohm is None:
            return self.amplifier_v
        return math.sqrt(self.amplifier_w * self.amplifier_load_ohm)

    @property
    def amps(self) -> float | None:
        """Largest A RMS of the amplifier; where watts into R are stated and no amps, what 0.8·R takes of those volts."""
        if self.amplifier_a is not None or self.amplifier_w is None or self.amplifier_load_ohm is None:
            return self.amplifier_a
        return math.sqrt(self.amplifier_w / self.amplifier_load_ohm) / WORST_LOAD


@dataclass(frozen=True)
class MaximumOutput:
    """The loudest that the limits allow; arrays of shape ``(..., n_freq)``, parameter sets first."""

    frequency_hz: Real
    spl_db: Real  # at 1 m in half space, re 20 µPa
    voltage_v: Real  # of the amplifier, V RMS
    names: tuple[str, ...]  # those of `LIMITS` that were known
    binding: NDArray[np.int8]  # index into `names` of the limit that stops it

    @property
    def limited_by(self) -> NDArray[np.str_]:
        """Name of the limit that stops it."""
        return np.asarray(self.names)[self.binding]


def ratings_of(enclosure: Enclosure, stated: "Ratings | None" = None) -> "Ratings":
    """Return the ratings that are `stated`, and for the rest those measured of the driver, else those of its sheet."""
    driver = enclosure.driver
    found = driver.measured
    sheet = Ratings(
        power_w=found.power_w or (None if driver.Pe is None else driver.Pe / enclosure.count),
        peak_power_w=None if driver.Ppeak is None else driver.Ppeak / enclosure.count,
        xmax_m=found.xmax_m or driver.Xmax,
        hot_ratio=found.hot_ratio,
    )
    return sheet if stated is None else stated.over(sheet)


def whose(enclosure: Enclosure, ratings: "Ratings") -> dict[str, Whose]:
    """Return by whom travel and power of `ratings` are, by their names there; none of what is not rated."""
    driver, found = enclosure.driver, enclosure.driver.measured
    known = {
        "xmax_m": (found.xmax_m, driver.Xmax),
        "power_w": (found.power_w, None if driver.Pe is None else driver.Pe / enclosure.count),
    }
    told: dict[str, Whose] = {}
    for name, (measured, printed) in known.items():
        if (value := getattr(ratings, name)) is not None:
            same = [other is not None and math.isclose(value, other) for other in (measured, printed)]
            told[name] = "measured" if same[0] else "printed" if same[1] else "stated"
    return told


def not_counted(ratings: "Ratings") -> str | None:
    """Return which of "heat" and "travel", or both, nothing that is told of loudness counts, for it has no rating."""
    lacking = [what for what, each in COUNTED.items() if getattr(ratings, each.rating) is None]
    return " and ".join(lacking) or None


def unrated(ratings: "Ratings") -> list[str]:
    """Say which of power and travel is not rated while the other is, and the remedy."""
    one = COUNTED.get(not_counted(ratings) or "")
    if one is None:
        return []
    return [f"{one.limit.capitalize()} has no limit here and is not counted: give {one.option}, or --sheet."]


def _allowed(enclosure: Enclosure, ratings: "Ratings", answer: Squares, *, peak: bool) -> dict[str, Real]:
    """Squares of the voltages that each known limit allows, from the answer to 1 V; infinite where it never limits."""
    allowed: dict[str, Real] = {}
    power = ratings.peak_power_w if peak else ratings.power_w
    if power is not None:
        ohm = enclosure.parameters["Re"] if ratings.power_ohm is None else ratings.power_ohm * enclosure.ohm_factor
        square = np.asarray(enclosure.count * power * ohm)[..., np.newaxis]
        if np.any(enclosure.source_ohm):
            square = square / (answer.current * answer.impedance)
        allowed["power"] = square
    if ratings.xmax_m is not None:
        allowed["travel"] = 0.5 * ratings.xmax_m**2 / answer.travel
    if enclosure.port_area is not None:
        area = np.asarray(enclosure.port_area)[..., np.newaxis]
        if enclosure.kind == "passive" and ratings.radiator_xmax_m is not None:
            swept = ratings.radiator_xmax_m * area * 2.0 * math.pi * answer.frequency_hz
            allowed["radiator travel"] = 0.5 * swept**2 / answer.port
        if enclosure.kind != "passive" and ratings.port_speed_m_s is not None:
            allowed["port speed"] = 0.5 * (ratings.port_speed_m_s * area) ** 2 / answer.port
    if ratings.volts is not None:
        allowed["amplifier voltage"] = np.array([ratings.volts**2])
    if ratings.amps is not None:
        allowed["amplifier current"] = ratings.amps**2 / answer.current
    return allowed


def maximum_output(
    enclosure: Enclosure, frequency_hz: Real, ratings: Ratings, *, peak: bool = False, answer: Squares | None = None
) -> MaximumOutput | None:
    """Return the loudest that `ratings` allow at each frequency (n_freq,); None when none of them limits anything.

    The values of `enclosure.load`, its port area and `enclosure.sets` may be arrays of parameter sets ``(n_sets,)``;
    results then have shape ``(n_sets, n_freq)``. `peak` takes the short-term power rating in place of the continuous one.
    `answer` is that of `enclosure` to 1 V there, where it is at hand.
    """
    frequency = np.asarray(frequency_hz, dtype=float)
    enclosure = replace(enclosure, voltage=1.0)
    if ratings.hot_ratio is not None and not peak:
        enclosure, answer = enclosure.heated(ratings.hot_ratio), None
    if answer is not None:
        found = _evaluate(enclosure, answer, ratings, peak=peak)
        return found if found.names else None
    sets, step = enclosure.set_count, max(1, CHUNK // frequency.size)
    some = [enclosure] if sets is None else [enclosure.take(slice(k, k + step)) for k in range(0, sets, step)]
    parts = [_evaluate(part, part.squares(frequency), ratings, peak=peak) for part in some]
    first = parts[0] if parts[0].names else None
    if sets is None or first is None:
        return first
    level, volts = (np.concatenate([getattr(part, name) for part in parts]) for name in ("spl_db", "voltage_v"))
    return MaximumOutput(frequency, level, volts, first.names, np.concatenate([part.binding for part in parts]))


def loudest(
    enclosure: Enclosure, frequency_hz: Real, ratings: Ratings, *, peak: bool = False, answer: Squares | None = None
) -> MaximumOutput | None:
    """As `maximum_output`, and None too where a port alone limits: without a rating nobody knows how loud it plays."""
    found = maximum_output(enclosure, frequency_hz, ratings, peak=peak, answer=answer)
    return None if found is None or set(found.names) <= {"port speed"} else found


def _evaluate(enclosure: Enclosure, answer: Squares, ratings: Ratings, *, peak: bool) -> MaximumOutput:
    pressure = answer.pressure
    binding = np.zeros(pressure.shape, dtype=np.int8)
    with np.errstate(divide="ignore"):
        allowed = _allowed(enclosure, ratings, answer, peak=peak)
        squares = iter(allowed.values())
        lowest = np.broadcast_to(next(squares, np.inf), pressure.shape).copy()
        for index, square in enumerate(squares, start=1):
            # A later limit has the higher index: of two small arrays the larger is found faster than a masked copy.
            np.maximum(binding, np.int8(index) * (square < lowest).view(np.int8), out=binding)
            np.minimum(square, lowest, out=lowest)
        level = np.multiply(pressure, lowest)
        np.log(level, out=level)
    level *= 10.0 / math.log(10.0)
    level -= 20.0 * math.log10(REFERENCE_PRESSURE)
    return MaximumOutput(answer.frequency_hz, level, np.sqrt(lowest, out=lowest), tuple(allowed), binding)
