"""What is unknown of a finished box and of the drivers in it, as a problem for the core of the fit, and its numbers.

The driver is known from its fit, as far as that knows it: unit normals turn the logarithms of its parameters, with the
covariance of the fit as prior. Beside them stand the sizes and losses of the box, as logarithms with wide priors, what the
box adds to the air that moves with the cone, as in the fit of a test box, and what else may be wrong with the curve. Sizes
are volumes and the tuning; of a passive radiator its compliance too, as a share of that of the box, which sets its own
resonance: fp = fb/√(1 + C_AP/C_AB). Every value of the circuit but the added mass goes with powers of the unknowns, so the
derivative follows from tables of powers.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from tsfit.base.arrays import Complex, Number, Real
from tsfit.box.enclosure import Enclosure, Kind
from tsfit.box.numbers import resonance_with_losses
from tsfit.circuit import load
from tsfit.circuit.load import BOX_AIR_LOAD, Load, Losses
from tsfit.circuit.response import impedance_gradient
from tsfit.driver.covariance import covariance_of, root_of
from tsfit.driver.fit_result import FitResult
from tsfit.driver.formulas import closed_box_ratio, mechanical_resistance, resonance
from tsfit.driver.parameters import BASIC
from tsfit.driver.record import Driver
from tsfit.fitting.least_squares import Misfit

WITHOUT_FIT = {"Re": 0.03, "Fs": 0.08, "Qms": 0.2, "Qes": 0.1, "Mms": 0.05, "Sd": 0.03}
"""Relative standard uncertainties of a driver that comes without a fit; coil terms have `COIL_WITHOUT_FIT`. Common
practice, no source."""
COIL_WITHOUT_FIT = 0.3
RE_LATER = 0.15
"""How much resistance leads and a warm coil may add: 40 K of copper, 0.5 ohm to a coil of 3. Common practice, no source."""
TYPICAL_LOSS = 0.02
"""A loss (1/Q) from which the search starts."""
NO_LOSS = 1e-9
MUCH, LITTLE, HOLE_LOSS = 0.15, 0.04, 1.0
"""Standard deviations of priors of losses (1/Q) about none, so that what is not there pulls at nothing: of what may lose
much, of absorption and friction in a vented chamber, where the leaks usually count, of the air in a hole."""
HOLE_OVER_FS, HOLE_SPREAD = 0.3, 1.5
"""What an opening is first taken to tune the box to, over Fs, and the standard deviation of the logarithm of that. Wide."""
SIZE_SPREAD = 0.7
"""Standard deviation of the logarithm of a size about the plan. Wide."""
LOSSES: dict[Kind, tuple[tuple[str, ...], ...]] = {
    "closed": (("absorption_q", "leak_q"), ("absorption_q", "leak_q", "hole", "port_q")),
    "vented": (("leak_q", "absorption_q", "port_q"),),
    "passive": (("leak_q", "absorption_q", "port_q"),),
    "bandpass": (("leak_q", "absorption_q", "port_q", "rear_absorption_q", "rear_leak_q"),),
}
"""Losses of a box: all that there can be, since leaving one out would make the others err; the curve says how far it tells
them apart. What leaks from a closed box may as well be a hole, an opening with air in it that resonates with the box."""
IN_THE_CIRCUIT = {
    "Bl": {"Re": 0.5, "Fs": 0.5, "Mms": 0.5, "Qes": -0.5},
    "Cms": {"Fs": -2.0, "Mms": -1.0},
    "Rms": {"Fs": 1.0, "Mms": 1.0, "Qms": -1.0},
}
"""Powers of the driver's parameters in those values of the circuit that are not among them."""
IN_THE_LOAD = {
    "compliance": {"volume": 1.0},
    "absorption": {"volume": -1.0, "tuning": -1.0, "absorption_q": -1.0},
    "leak_conductance": {"volume": 1.0, "tuning": 1.0, "leak_q": -1.0},
    "port_mass": {"volume": -1.0, "tuning": -2.0},
    "port_resistance": {"volume": -1.0, "tuning": -1.0, "port_q": -1.0},
    "passive_compliance": {"volume": 1.0, "compliance_share": 1.0},
}
"""Powers of the sizes and losses of a chamber in its branches. Losses of one without a port hold at a fixed frequency."""


@dataclass(frozen=True)
class CabinetSweep:
    """The part of a curve that is used: frequencies (n,), impedance, E|δZ|², shifts (m, n) for one standard uncertainty."""

    frequency_hz: Real
    impedance_ohm: Complex
    variance_ohm2: Real
    shifts_ohm: Complex


@dataclass(frozen=True)
class DriverPrior:
    """The driver's uncertain parameters (k,), and the root (k, k) of their logarithms' covariance."""

    names: tuple[str, ...]
    root: Real

    def looser(self, factor: float) -> "DriverPrior":
        """Return the same with uncertainties `factor` times as large."""
        return replace(self, root=factor * self.root)


def driver_prior(driver: Driver, fit: FitResult | None) -> "DriverPrior":
    """What is known of `driver` from its `fit`, or what is usual without one."""
    terms = {**driver.coil_values, **driver.suspension_values}
    names = [name for name in (*BASIC, *terms) if terms.get(name, getattr(driver, name, None))]
    if fit is None:
        covariance = np.diag([WITHOUT_FIT.get(name, COIL_WITHOUT_FIT) ** 2 for name in names])
    else:
        names = [name for name in names if name in fit.parameters and fit.parameters[name].value > 0.0]
        covariance = covariance_of(fit, names, [fit.parameters[name].stdev / fit.parameters[name].value for name in names])
    return DriverPrior(tuple(names), root_of(covariance))


@dataclass(frozen=True)
class Unknowns:
    """A finished box that shows one curve: a `least_squares.Problem` of unit normals alone.

    `cone_air` is the mass, kg, of the air that a baffle adds to all cones; `losses` names those that it may have.
    """

    planned: Enclosure
    prior: DriverPrior
    cone_air: float
    losses: tuple[str, ...]
    sweep: CabinetSweep

    @cached_property
    def _centres(self) -> dict[str, tuple[float, float]]:
        """Centre and spread of the logarithms of sizes, a hole's tuning among them."""
        found = {name: (math.log(size), SIZE_SPREAD) for name, size in sizes(self.planned).items()}
        return found | {"hole": (math.log(HOLE_OVER_FS * self.planned.driver.Fs), HOLE_SPREAD)} if self._holed else found

    @property
    def _holed(self) -> bool:
        return "hole" in self.losses

    @cached_property
    def _spreads(self) -> dict[str, float]:
        """Spread of each loss, 1/Q."""
        vented = self.planned.kind in ("vented", "bandpass")
        little = {"absorption_q", "port_q"} if vented else {"absorption_q"} if self.planned.kind == "passive" else set()
        spreads = {name: LITTLE if name in little else MUCH for name in self.losses if name != "hole"}
        return spreads | {"port_q": HOLE_LOSS} if self._holed else spreads

    @cached_property
    def names(self) -> tuple[str, ...]:
        """The variables: of the driver, shifts of the curve, resistance that came later, the air load, sizes, losses."""
        driver = [f"driver:{place}" for place in range(len(self.prior.names))]
        shifts = [f"systematic:{place}" for place in range(len(self.sweep.shifts_ohm))]
        return (*driver, *shifts, "resistance", "air load", *self._centres, *self._spreads)

    @property
    def n_priors(self) -> int:
        """All variables have priors."""
        return len(self.names)

    @property
    def noise(self) -> tuple[Real]:
        """E|δZ|² of the curve, (n,), ohm²."""
        return (self.sweep.variance_ohm2,)

    @cached_property
    def size(self) -> tuple[Real]:
        """|Z|², (n,), ohm², to which the floor is relative."""
        return (np.asarray(np.abs(self.sweep.impedance_ohm) ** 2),)

    def variables(self, shares: Mapping[str, float]) -> Real:
        """The plan as variables, with usual losses, but for `shares` of its sizes."""
        begun = {name: TYPICAL_LOSS / spread for name, spread in self._spreads.items()}
        begun |= {name: math.log(share) / self._centres[name][1] for name, share in shares.items()}
        return np.array([begun.get(name, 0.0) for name in self.names])

    def enclosure(self, x: Real) -> Enclosure:
        """Build the box with what `x` says of it and of the drivers."""
        v = dict(zip(self.names, x.tolist(), strict=True))
        shift = self.prior.root @ x[: len(self.prior.names)]
        factors = dict(zip(self.prior.names, np.exp(shift).tolist(), strict=True))
        for name in ("Re", "Qes"):  # more resistance leaves the motor as it is
            factors[name] = factors.get(name, 1.0) * math.exp(RE_LATER * v["resistance"])
        driver = self.planned.driver

        def moved(values: Mapping[str, float]) -> dict[str, float]:
            return {name: value * factors.get(name, 1.0) for name, value in values.items()}

        terms = moved(driver.coil_values), moved(driver.suspension_values)
        basic = moved({name: getattr(driver, name) for name in BASIC})
        driver = replace(driver, **basic, coil_values=terms[0], suspension_values=terms[1])  # type: ignore[arg-type]
        box = {name: math.exp(centre + spread * v[name]) for name, (centre, spread) in self._centres.items()}
        box |= {name: 1.0 / (spread * _some(v[name])) for name, spread in self._spreads.items()}
        # Smooth even below no air: at a stop its slope would be lost, and with it what it shares with fc.
        mass = self.cone_air * (BOX_AIR_LOAD[0] + BOX_AIR_LOAD[1] * v["air load"])
        return replace(self.planned, driver=driver, load=self.load(box, mass))

    def load(self, box: Mapping[str, Number], mass: float) -> Load:
        """Load of a box of sizes and losses by name; those of a closed box or chamber hold at fc of the plan."""
        kind, air = self.planned.kind, self.planned.driver.air

        def losses(prefix: str = "") -> Losses:
            names = ("leak_q", "absorption_q", "port_q")
            return Losses(**{name: box[prefix + name] for name in names if prefix + name in box})

        if kind in ("closed", "bandpass") and "hole" not in box:
            prefix = "rear_" if kind == "bandpass" else ""
            volume = box[prefix + "volume"]
            rear = load.closed_box(volume, air, resonance=self.fc, losses=losses(prefix), added_mass=mass)
            if kind == "closed":
                return rear
            return load.band_pass_box(rear, load.vented_box(box["front_volume"], box["fb"], air, losses=losses()))
        tuning = box["hole" if kind == "closed" else "fb"]
        ported = load.vented_box(box["volume"], tuning, air, losses=losses(), added_mass=mass)
        if kind != "passive":
            return ported
        share = box["compliance_share"]
        return replace(
            ported, port_mass=ported.port_mass * (1.0 + 1.0 / share), passive_compliance=share * ported.compliance
        )

    @cached_property
    def fc(self) -> float:
        """Fc (Hz) of the plan without losses: of a closed box, or of the chamber behind the cone."""
        return closed_resonance(self.planned)

    def misfits(self, x: Real) -> list[Misfit]:
        """What the curve is missed by, and the derivative by every variable."""
        box = self.enclosure(x)
        part, values = box.load, box.parameters
        z, d = impedance_gradient(self.sweep.frequency_hz, values, box.models, part)
        rows: dict[str, Number | Complex] = {}
        for name, value in values.items():
            _add(rows, IN_THE_CIRCUIT.get(name, {name: 1.0}), value * d[name])
        for name, branch in part.parameters().items():
            if name != "added_mass":
                _add(rows, self._powers(name, part), branch * d[name])
        slopes = np.zeros((len(self.names), len(z)), dtype=np.complex128)
        k, m = len(self.prior.names), len(self.sweep.shifts_ohm)
        slopes[:k] = self.prior.root.T @ np.array([np.broadcast_to(rows[name], z.shape) for name in self.prior.names])
        slopes[k : k + m] = self.sweep.shifts_ohm
        slopes[k + m] = RE_LATER * (rows["Re"] + rows["Qes"])
        slopes[k + m + 1] = BOX_AIR_LOAD[1] * self.cone_air * d["added_mass"]
        for place, (name, (_, spread)) in enumerate(self._centres.items(), k + m + 2):
            slopes[place] = spread * rows[name]
        for place, name in enumerate(self._spreads, len(self.names) - len(self._spreads)):
            slopes[place] = -rows[name] / _some(x[place])
        shown = z + x[k : k + m] @ self.sweep.shifts_ohm
        return [Misfit(shown - self.sweep.impedance_ohm, slopes)]

    def _powers(self, name: str, part: Load) -> dict[str, float]:
        """Powers of the unknowns in a value of `part`."""
        front, kind = name.startswith("front_"), self.planned.kind
        found: dict[str, float] = dict(IN_THE_LOAD[name.removeprefix("front_")])
        if name == "port_mass" and part.sprung:
            found["compliance_share"] = -1.0 / (1.0 + float(part.passive_compliance / part.compliance))
        if kind == "bandpass":
            own = {"volume": "front_volume", "tuning": "fb"} if front else {one: f"rear_{one}" for one in found}
        else:
            own = {"tuning": "hole" if kind == "closed" else "fb"}
        named = {own.get(one, one): power for one, power in found.items()}
        return {one: power for one, power in named.items() if one in self._centres or one in self._spreads}

    def closest(self, shares: Mapping[str, tuple[float, ...]], number: int) -> list[Real]:
        """Variables of the `number` boxes whose curves come closest, of all whose sizes are those `shares` of the plan."""
        sized = {name: math.exp(self._centres[name][0]) for name in shares}
        grid = np.stack([one.ravel() for one in np.meshgrid(*shares.values())])
        boxes: dict[str, Number] = {name: math.exp(centre) for name, (centre, _) in self._centres.items()}
        boxes |= dict.fromkeys(self._spreads, 1.0 / TYPICAL_LOSS)
        boxes |= {name: size * factors for (name, size), factors in zip(sized.items(), grid, strict=True)}
        many = replace(self.planned, load=self.load(boxes, self.cone_air * BOX_AIR_LOAD[0]))
        z = many.impedance(self.sweep.frequency_hz)
        off = np.mean(np.log(np.abs(z / self.sweep.impedance_ohm)) ** 2, axis=-1)
        return [
            self.variables(dict(zip(shares, grid[:, place].tolist(), strict=True))) for place in np.argsort(off)[:number]
        ]


def _some(loss: float) -> float:
    """Return a loss that may be divided by."""
    return loss if abs(loss) > NO_LOSS else NO_LOSS


def _add(rows: dict[str, Number | Complex], powers: Mapping[str, float], row: Complex) -> None:
    for name, power in powers.items():
        rows[name] = rows.get(name, 0.0) + power * row


def closed_resonance(box: Enclosure) -> float:
    """Fc (Hz) without losses of the drivers on the air behind the cone."""
    return box.driver.Fs * float(closed_box_ratio(box.driver.Vas, float(box.load.volume(box.driver.air))))


def sizes(box: Enclosure) -> dict[str, float]:
    """Volumes that act (m³), tuning (Hz) and share of compliance of a box, those that its kind has."""
    air, part = box.driver.air, box.load
    volume = float(part.volume(air))
    if box.kind == "closed":
        return {"volume": volume}
    outlet = part.outlet
    if box.kind == "bandpass":
        return {"rear_volume": volume, "front_volume": float(outlet.volume(air)), "fb": float(outlet.tuning)}
    share = {"compliance_share": float(part.passive_compliance / part.compliance)} if part.sprung else {}
    return {"volume": volume, "fb": float(part.tuning), **share}


UNITS = (
    dict.fromkeys(("volume", "rear_volume", "front_volume"), "m³")
    | dict.fromkeys(("fc", "fb", "fL", "fH", "fp", "hole"), "Hz")
    | {"radiator_mass": "kg"}
)
"""SI units, of those that have one."""
BEYOND, COARSE, FINE = 10.0, 200, 1e-3
"""How far from the tuning a peak is looked for, at how many frequencies, and the step (relative) that then tells it."""


def numbers(box: Enclosure, losses: tuple[str, ...], filling: float) -> dict[str, float]:
    """Net volumes and resonances of a box, and its losses by name; where there are several, their sum at fb too."""
    part, fc = box.load.outlet, closed_resonance(box)
    found = sizes(box)
    found.pop("compliance_share", None)
    found[next(iter(found))] /= filling
    if part.sprung and box.port_area is not None:
        found["fp"] = float(resonance(part.port_mass, part.passive_compliance))
        found["radiator_mass"] = float(part.port_mass * box.port_area**2)
    if box.kind == "closed":
        if part.ported:
            found["hole"] = float(part.tuning)
        boxed = resonance_with_losses(box)
        if boxed is not None:
            found |= dict(zip(("fc", "qtc"), boxed, strict=True))
    else:
        found |= {"fL": _peak(box, found["fb"], 1.0 / BEYOND), "fH": _peak(box, found["fb"], BEYOND)}
    at = found.get("fb") or found.get("hole") or fc
    factors = {
        name: float(part.loss_factor(name, at)) for name in losses if name != "hole" and not name.startswith("rear_")
    }
    if box.kind != "closed" and len(factors) > 1:
        found["box_q"] = 1.0 / sum(1.0 / factor for factor in factors.values())
    if part.sprung and factors.pop("port_q", None) is not None:
        # A radiator's Q is stated at its own resonance.
        factors["radiator_q"] = float(mechanical_resistance(found["fp"], part.port_mass, part.port_resistance))
    rear = [name for name in losses if name.startswith("rear_")]
    return found | factors | {name: float(box.load.loss_factor(name.removeprefix("rear_"), fc)) for name in rear}


def _peak(box: Enclosure, fb: float, reach: float) -> float:
    """Frequency (Hz) of the peak of the motional impedance between fb and `reach` times that."""
    still = box.without_coil

    def top(log: Real) -> float:
        """Logarithm of frequency where a parabola through the highest point and its neighbours has its top."""
        z = np.abs(still.impedance(np.exp(log)))
        at = min(max(int(np.argmax(z)), 1), len(log) - 2)
        before, here, after = z[at - 1 : at + 2]
        bend = before - 2.0 * here + after
        return float(log[at] + (log[1] - log[0]) * (0.5 * (before - after) / bend if bend < 0.0 else 0.0))

    near = top(np.log(np.geomspace(min(fb, reach * fb), max(fb, reach * fb), COARSE)))
    # Once more about what the first parabola tells, so that the result does not jump where another point is the highest.
    return float(np.exp(top(np.array([near - FINE, near, near + FINE]))))
