"""The vented box that is best by a stated aim within stated limits.

Two numbers describe the box, volume and tuning; `closing_in` looks for them. Passive radiators are searched likewise.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.base.forms import IF_TOLD
from tsfit.box.design.closing_in import closing_in
from tsfit.box.enclosure import KIND_NAMES, Enclosure
from tsfit.box.limits import Ratings, maximum_output
from tsfit.box.numbers import Merits, merit_frequencies, merits
from tsfit.box.ports import Port
from tsfit.circuit import load
from tsfit.driver.formulas import closed_box_ratio
from tsfit.driver.record import Driver

Aim = Literal["lowest f3", "least ripple", "most output"]
SAME_RIPPLE_DB = 0.01
"""Boxes whose ripple differs by less are equally even; the lower f3 decides."""
DEFAULT_RIPPLE_DB = 0.5
"""Ripple allowed when none is stated (common practice, no source)."""
SHOWN = 1e-3
"""Logarithm by which a limit is exceeded from which its figures differ."""
MORE_VOLUME = "allow more volume"
NEARLY = 0.99
"""Share of the largest volume from which a box is as large as it may be."""
FAR_WITHIN = -10.0
PLAIN_PORT = Port(diameter=0.1)
"""Stands for a round port of any size."""


@dataclass(frozen=True)
class Limits:
    """What a vented box may be, SI.

    Without `port_length` a port takes what `depth` leaves with one diameter free behind it, else the edge of a cube of the
    box's volume.
    """

    volume: tuple[float, float]  # smallest and largest that acts, m³
    tuning: tuple[float, float]  # Hz
    ripple_db: float = DEFAULT_RIPPLE_DB  # a level that lingers below the mid-band is a dip (`Merits.unevenness_db`)
    delay: float = math.inf  # largest group delay at any frequency, s
    port: Port | None = None  # None takes a plain round one where `port_speed` tells how wide
    fixed_port: bool = True  # False scales the section of `port` to the narrowest that keeps `port_speed`
    port_length: float | None = None  # longest port, m
    depth: float | None = None  # inner depth of the box along the port, m
    port_speed: float = math.inf  # fastest air in the port, m/s peak, at the drive
    # Whether what is displaced, and so left out of `volume`, is told and has the port in it.
    port_counted: bool = field(default=False, metadata=IF_TOLD)

    @property
    def scaled_port(self) -> Port | None:
        """The port that `port_speed` scales; None where its size is fixed, or nothing is known of it."""
        free = self.port is None or not self.fixed_port
        return (self.port or PLAIN_PORT) if free and math.isfinite(self.port_speed) else None


def usual_limits(driver: Driver, largest_volume: float | None = None) -> Limits:
    """Return limits wide enough for any vented box: up to 3 Vas (or `largest_volume`, m³), tuned to 0.3 to 3 times Fs."""
    largest = 3.0 * driver.Vas if largest_volume is None else largest_volume
    return Limits((largest / 50.0, largest), (0.3 * driver.Fs, 3.0 * driver.Fs))


@dataclass(frozen=True)
class Candidates:
    """Boxes of one grid; each array has the shape of `volume`."""

    volume: Real  # m³
    tuning: Real  # Hz
    merits: Merits
    port_scale: Real  # times the sides of the port's section; NaN without a port of known size
    port_length: Real  # m; NaN as well
    exceeded: dict[str, Real]  # by limit, the logarithm (of ripple the dB) by which it is exceeded, negative within

    @property
    def excess(self) -> Real:
        """Sum of what is exceeded."""
        return np.asarray(sum(np.maximum(over, 0.0) for over in self.exceeded.values()))


@dataclass(frozen=True)
class VentedSearch:
    """Drivers as if in a baffle, the losses of their box (Q at the tuning), and limits to keep."""

    bare: Enclosure
    limits: Limits
    losses: load.Losses = load.LOSSLESS

    @property
    def port(self) -> Port:
        """The port whose section `Candidates.port_scale` scales."""
        return self.limits.scaled_port or self.limits.port or PLAIN_PORT

    def evaluate(self, volume: Real, tuning: Real) -> Candidates:
        """Evaluate boxes of `volume` (m³) and `tuning` (Hz), arrays of one shape ``(n,)``."""
        driver, limits = self.bare.driver, self.limits
        grid = merit_frequencies(
            min(driver.Fs, float(np.min(tuning))),
            math.hypot(driver.Fs * closed_box_ratio(driver.Vas, float(np.min(volume))), float(np.max(tuning))),
        )
        found = merits(grid, self.boxes(volume, tuning))
        scale, length = self._port(volume, tuning, found.port_flow)
        width = self.port.across * scale
        longest = np.cbrt(volume) if limits.depth is None else limits.depth - width
        if limits.port_length is not None:
            longest = np.full_like(volume, limits.port_length)
        exceeded = {
            "f3": np.where(np.isnan(found.f3_hz), 10.0, FAR_WITHIN),
            "ripple": found.unevenness_db - limits.ripple_db,
            "group delay": _over(found.delay_s, limits.delay),
        }
        if not np.all(np.isnan(length)):
            speed = found.port_flow / (self.port.area * scale**2)
            if limits.scaled_port is None:
                exceeded["port speed"] = _over(speed, limits.port_speed * (1.0 + 1e-9))
            exceeded |= {
                "port length": _over(length, longest),
                # A port that would need a negative length is too wide.
                "port width": (2.0 * self.port.flare - length) / width,
            }
            if not limits.port_counted:
                taken = self.port.displaced(np.maximum(length, 0.0), scale=scale)
                exceeded["volume with its port"] = _over(volume + taken, limits.volume[1])
        return Candidates(volume, tuning, found, scale, length, exceeded)

    def boxes(self, volume: Real, tuning: Real, port_area: Real | None = None) -> Enclosure:
        """Return such boxes as parameter sets of one."""
        added = self.bare.load.added_mass
        there = load.vented_box(volume, tuning, self.bare.driver.air, added_mass=added, losses=self.losses)
        return replace(self.bare, load=there, port_area=port_area)

    def _port(self, volume: Real, tuning: Real, flow: Real) -> tuple[Real, Real]:
        if self.limits.scaled_port is not None:
            scale = np.sqrt(flow / self.limits.port_speed / self.port.area)
        elif self.limits.port is not None:
            scale = np.ones_like(volume)
        else:
            return np.full_like(volume, np.nan), np.full_like(volume, np.nan)
        mass = load.vented_box(volume, tuning, self.bare.driver.air).port_mass
        return scale, np.asarray(self.port.any_length(mass, self.bare.driver.air, scale))


@dataclass(frozen=True, kw_only=True)
class PassiveSearch(VentedSearch):
    """The same of boxes with passive radiators, `radiators` together, whose mass brings the tuning.

    `most_added` (kg, of all together) may be added to them.
    """

    radiators: load.PassiveRadiator
    most_added: float = math.inf

    def evaluate(self, volume: Real, tuning: Real) -> Candidates:
        """Evaluate boxes as `VentedSearch.evaluate` does."""
        found, bare = super().evaluate(volume, tuning), self.radiators.mass
        whole = np.asarray(self.boxes(volume, tuning).load.port_mass * self.radiators.area**2)
        exceeded = {
            "radiator's own mass": _over(np.asarray(bare / whole), 1.0),
            "mass added": _over(whole, bare + self.most_added),
        }
        return replace(found, exceeded=found.exceeded | exceeded)

    def boxes(self, volume: Real, tuning: Real, port_area: Real | None = None) -> Enclosure:
        """Return such boxes as parameter sets of one."""
        air, one = self.bare.driver.air, self.radiators
        springs = 1.0 / one.compliance + one.area**2 / load.box_compliance(volume, air)
        moving = replace(one, mass=springs / (2.0 * math.pi * tuning) ** 2)
        added = self.bare.load.added_mass
        there = load.passive_radiator_box(volume, moving, air, losses=self.losses, added_mass=added)
        return replace(self.bare, load=there, port_area=one.area)


def _over(value: Real, limit: Real | float) -> Real:
    """Logarithm by which a value is over its limit; what has no value, or no limit, is far within."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.fmax(np.log(np.maximum(value, 1e-300) / limit), FAR_WITHIN)


def best_vented(
    search: VentedSearch, aim: Aim = "lowest f3", *, ratings: Ratings | None = None, output_hz: float | None = None
) -> Candidates:
    """Return the one box (arrays of shape ``(1,)``) that serves `aim` best within the limits of `search`.

    With "least ripple" the limit on ripple does not count, and of equally even boxes (0.01 dB) the one with the lowest f3
    is taken. "most output" is the loudest that `ratings` allow at `output_hz` (Hz).
    Raises ``unreachable_limits`` when no box keeps them all; names those that the closest one exceeds. ``usage`` when
    "most output" comes without a frequency or a rating.
    """
    objective = _quietness(search, ratings, output_hz) if aim == "most output" else lambda boxes: boxes.merits.f3_hz
    if aim == "least ripple":
        free = _with_ripple(search, math.inf)
        least = _search(free, lambda boxes: boxes.merits.unevenness_db).merits.unevenness_db[0]
        search = _with_ripple(search, float(least) + SAME_RIPPLE_DB)
    found = _search(search, objective)
    if found.excess[0] > 0.0:
        limits, length = search.limits, 100.0 * float(found.port_length[0])
        longest = length / math.exp(float(found.exceeded.get("port length", np.zeros(1))[0]))
        most = 1e3 * limits.volume[1]
        whole = most * math.exp(float(found.exceeded.get("volume with its port", np.zeros(1))[0]))
        speed = limits.port_speed * math.exp(float(found.exceeded.get("port speed", np.zeros(1))[0]))
        told = {
            "port speed": f" ({in_figures(speed)} m/s, limit {in_figures(limits.port_speed)}: --port-speed-m-s)",
            "ripple": f" ({found.merits.unevenness_db[0]:.3f} dB with the coil counted, limit {limits.ripple_db:g}: "
            "--ripple-db)",
            "group delay": f" ({in_figures(1e3 * found.merits.delay_s[0], 4)} ms, limit {in_figures(1e3 * limits.delay)}: "
            "--group-delay-ms)",
            "port length": f" ({in_figures(length, 4)} cm, limit {in_figures(longest, 4)}: --longest-port-cm)",
            "volume with its port": f" ({in_figures(whole, 4)} l, limit {in_figures(most, 4)}: --largest-volume-l)",
        }
        # What no digit shows is not told beside what one does.
        shown = min(SHOWN, max(float(over[0]) for over in found.exceeded.values()))
        names = [limit for limit, over in found.exceeded.items() if over[0] >= shown]
        missed, litres = [limit + told.get(limit, "") for limit in names], f"{in_figures(1e3 * found.volume[0], 3)} l"
        remedies = [MORE_VOLUME]
        if "port speed" in names:
            side = "diameter" if search.port.width is None else "width"
            # Air is slower in a wider port; a larger box alone helps only where the closest is as large as it may be.
            alone = names == ["port speed"] and found.volume[0] < NEARLY * limits.volume[1]
            remedies = [f"take a wider port (--port-{side}-cm)", *[MORE_VOLUME] * (not alone)]
        raise unreachable(search.bare, litres, float(found.tuning[0]), missed, ", or ".join(remedies))
    return found


def unreachable(
    bare: Enclosure, litres: str, tuning: float, missed: Sequence[str], remedy: str = MORE_VOLUME
) -> TsfitError:
    """That no box for `bare` keeps all limits, what the closest is, `litres` at `tuning` (Hz), which it `missed`, and what
    else than to relax them is a `remedy`.
    """
    return TsfitError(
        f"{bare.driver.name}: no {KIND_NAMES[bare.kind]} keeps all the limits; the closest, {litres} tuned to "
        f"{in_figures(tuning, 3)} Hz, misses the limit of {' and '.join(missed)}; relax "
        f"{'it' if len(missed) == 1 else 'one of these'}, or {remedy}.",
        code="unreachable_limits",
    )


def _quietness(search: VentedSearch, ratings: Ratings | None, output_hz: float | None) -> Callable[[Candidates], Real]:
    """Minus the maximum output (dB) of boxes at `output_hz`."""
    if output_hz is None or ratings is None:
        raise TsfitError("The most output needs a frequency and ratings; give both.", code="usage")
    at = np.array([output_hz])

    def quietness(boxes: Candidates) -> Real:
        area = None if np.any(np.isnan(boxes.port_scale)) else search.port.area * boxes.port_scale**2
        most = maximum_output(search.boxes(boxes.volume, boxes.tuning, area), at, ratings)
        if most is None:
            name = search.bare.driver.name
            raise TsfitError(
                f"{name}: nothing limits the output; state Xmax, a rated power or an amplifier's voltage.", code="usage"
            )
        return np.asarray(-most.spl_db[:, 0], dtype=float)

    return quietness


@dataclass(frozen=True)
class DesignMap:
    """Boxes over volume and tuning; the arrays of `boxes` have shape ``(n_tuning * n_volume,)``, volume running faster."""

    search: VentedSearch
    volume: Real
    tuning: Real
    boxes: Candidates

    def over(self, values: Real) -> Real:
        """Return one of the arrays of `boxes` in the shape ``(n_tuning, n_volume)``."""
        return values.reshape(self.tuning.size, self.volume.size)


def design_map(search: VentedSearch, around: tuple[float, float], points: int = 100) -> DesignMap:
    """Evaluate some `points` volumes times tunings, evenly spread in their logarithm, and `around` itself among them.

    They reach from a fifth to 2.5 times the volume (m³) and from half to twice the tuning (Hz) of `around`.
    """
    below = round((points - 1) * math.log(5.0) / math.log(12.5))
    volume = around[0] * 5.0 ** (np.arange(-below, points - below) / below)
    tuning = around[1] * np.geomspace(0.5, 2.0, points | 1)  # of an odd number the middle is 1
    across, up = np.meshgrid(volume, tuning)
    boxes = search.evaluate(across.ravel(), up.ravel())
    limits = search.limits
    exceeded = boxes.exceeded | {
        name: np.maximum(_over(value, high), _over(np.full_like(value, low), value))
        for name, value, (low, high) in (("volume", boxes.volume, limits.volume), ("tuning", boxes.tuning, limits.tuning))
    }
    return DesignMap(search, volume, tuning, replace(boxes, exceeded=exceeded))


def _with_ripple(search: VentedSearch, ripple_db: float) -> VentedSearch:
    return replace(search, limits=replace(search.limits, ripple_db=ripple_db))


def _search(search: VentedSearch, objective: Callable[[Candidates], Real]) -> Candidates:
    """Find the feasible box of least `objective`, or the one that exceeds the limits least."""

    def evaluate(points: Real) -> tuple[Candidates, Real, Real]:
        boxes = search.evaluate(*points)
        return boxes, boxes.excess, objective(boxes)

    return _one(*closing_in((search.limits.volume, search.limits.tuning), evaluate))


def _one(boxes: Candidates, k: int) -> Candidates:
    at = slice(k, k + 1)
    merits = Merits(**{name: values[at] for name, values in vars(boxes.merits).items()})
    exceeded = {name: excess[at] for name, excess in boxes.exceeded.items()}
    arrays = (boxes.volume, boxes.tuning), (boxes.port_scale, boxes.port_length)
    (volume, tuning), (scale, length) = ((one[at], other[at]) for one, other in arrays)
    return Candidates(volume, tuning, merits, scale, length, exceeded)
