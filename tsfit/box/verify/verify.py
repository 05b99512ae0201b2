"""A finished cabinet against its plan: one impedance curve at the terminals, and what was built follows from it.

What is unknown of box and drivers (`verify.unknowns`) is settled by the core of the fit. Its covariance holds them all
(JCGM 100), so what the driver's uncertainty does to the volume is in it. The Bayesian information criterion decides which
losses the curve can tell apart.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.errors import TsfitError
from tsfit.box.enclosure import Enclosure
from tsfit.box.kinds import PassivePlan
from tsfit.box.numbers import resonance_with_losses
from tsfit.box.plan import BoxPlan
from tsfit.box.verify.findings import TOLERANCES, BuiltBox, BuiltCurve, Parts, advice, compare, remarks
from tsfit.box.verify.unknowns import LOSSES, CabinetSweep, Unknowns, closed_resonance, driver_prior, sizes
from tsfit.circuit.load import air_load_change
from tsfit.driver.curve import ImpedanceCurve
from tsfit.driver.fit_result import Estimate, FitResult
from tsfit.driver.formulas import mechanical_resistance, resonance
from tsfit.driver.record import Driver
from tsfit.fitting.least_squares import Solution, settle
from tsfit.fitting.propagation import propagate
from tsfit.fitting.uncertainty import estimate_of

UP_TO = 8.0
"""Highest frequency used, per highest resonance; above, panels and coil speak. Common practice, no source."""
SURE = 10.0
"""By how much the criterion must favour one more loss."""
TOO_LARGE_MISFIT = 0.05
"""RMS share of |Z| above which this is another driver or another box. Common practice, no source."""
DOUBTFUL_MISFIT, FAR = 0.01, 5.0
"""Misfit, and standard uncertainties of its fit that a driver has moved, from which that is taken for another driver."""
LOOSER, BETTER = 10.0, 0.6
"""How many times further from its fit such a driver may be, and the share of a misfit that it must leave to be believed."""
LEAKY_Q = {"closed": 40.0, "vented": 5.0, "passive": 5.0, "bandpass": 5.0}
"""Leak Q below which a box is called leaky: ordinary vented boxes have 7 to 20. Common practice, no source."""
VOLUME_STARTS = (0.5, 0.7, 0.85, 1.0, 1.2, 1.5, 2.0)
TUNING_STARTS = (0.6, 0.75, 0.87, 1.0, 1.15, 1.33, 1.6)
"""Shares of the plan from which the search starts."""
STARTS = 3
STATED = ("leak_q", "absorption_q", "port_q", "rear_leak_q", "rear_absorption_q")
"""Losses that a plan may state."""
UNTOLD = 0.3
"""Relative standard uncertainty from which a number is not told: it would be little more than what was assumed."""


@dataclass(frozen=True)
class Explanation:
    """Unknowns of a finished box, and what the curve says of them."""

    unknowns: Unknowns
    solution: Solution

    @property
    def misfit(self) -> float:
        """RMS of the misfit of each of real and imaginary part over |Z|."""
        off = self.solution.misfits[0] / self.unknowns.sweep.impedance_ohm
        return math.sqrt(0.5 * float(np.mean(np.abs(off) ** 2)))

    @property
    def pulls(self) -> Real:
        """How far each uncertain parameter of the driver (k,) is from its fit, in standard uncertainties."""
        root = self.unknowns.prior.root
        return np.asarray(np.abs(root @ self.solution.x[: len(root)]) / np.maximum(np.linalg.norm(root, axis=1), 1e-12))

    def criterion(self, points_per_error: float) -> float:
        """Bayesian information criterion with the strain of the priors, where so many points share one error."""
        points = 2.0 * self.unknowns.sweep.frequency_hz.size / points_per_error
        strain = float(np.sum(self.solution.x**2))
        return self.solution.deviance / points_per_error + strain + len(self.unknowns.losses) * math.log(points)

    def estimates(self, filling: float) -> dict[str, Estimate]:
        """Numbers of the box (`numbers`), with their uncertainty propagated as that of logarithms."""
        x, losses = self.solution.x, self.unknowns.losses
        values = numbers(self.unknowns.enclosure(x), losses, filling)

        def logs(many: Real) -> Real:
            found = [numbers(self.unknowns.enclosure(at), losses, filling) for at in many]
            return np.log([[each.get(name, value) for each in found] for name, value in values.items()])

        stdev = np.sqrt(np.diag(propagate(logs, x, self.solution.covariance)))
        return {
            name: estimate_of(value, value * float(relative), UNITS.get(name, ""))
            for (name, value), relative in zip(values.items(), stdev, strict=True)
        }


def explain(unknowns: Unknowns) -> Explanation:
    """Settle the unknowns with each choice of losses that a box of this kind may have, and return the plainest that stands.

    How many points share one error is told by the closest of them: a poor one would make all look alike.
    """
    plainest, *further = (replace(unknowns, losses=losses) for losses in LOSSES[unknowns.planned.kind])
    tried = [Explanation(plainest, settle(plainest, start)) for start in _starts(plainest)]
    found = [min(tried, key=lambda one: one.criterion(one.solution.weights.points_per_error))]
    kept = len(plainest.names) - len(plainest.losses)
    for model in further:
        start = np.concatenate([found[0].solution.x[:kept], np.zeros(len(model.losses))])
        found.append(Explanation(model, settle(model, start)))
    closest = min(found, key=lambda one: one.solution.deviance)
    shared = closest.solution.weights.points_per_error
    best = found[0]
    for one in found[1:]:
        if one.criterion(shared) + SURE < best.criterion(shared):
            best = one
    return best


def _starts(unknowns: Unknowns) -> list[Real]:
    """The best of a grid of volumes and tunings about the plan; the compliance of a radiator follows by itself."""
    sizes = [name for name in unknowns.names if name.endswith("volume") or name == "fb"]
    return unknowns.closest({name: TUNING_STARTS if name == "fb" else VOLUME_STARTS for name in sizes}, STARTS)


def verify(curve: ImpedanceCurve, plan: BoxPlan, driver: Driver, fit: FitResult | None = None) -> BuiltBox:
    """Find what was built, and hold it against `plan`, which is of any kind but the infinite baffle.

    The curve is that at the driver's terminals, without crossover, from well below the lowest resonance to well above the
    highest; `driver` is one driver, as measured before it was built in. Without a fit its parameters count as those of a
    datasheet, and the result says so. Raises ``usage`` for another kind of box; ``too_narrow`` when the curve does not hold
    the resonances; ``no_match`` when no box of this kind explains it; what building the plan raises.
    """
    if plan.kind not in LOSSES:
        raise TsfitError("an infinite baffle cannot be verified; boxes can.", code="usage")
    result = plan.build(driver)
    planned, filling = result.enclosure, plan.contents.factor
    stated = dict(result.losses)
    if isinstance(plan, PassivePlan):
        stated["port_q"] = plan.radiator.qms
    before = numbers(planned, tuple(name for name in STATED if math.isfinite(stated.get(name, math.inf))), filling)
    ends = (before["fc"],) * 2 if plan.kind == "closed" else (before["fL"], before["fH"])
    sweep = _sweep(curve, *ends)
    area = driver.values()["Sd"]
    cone_air = planned.driver.values()["Sd"] / area * float(air_load_change(area, planned.driver.air))
    best, moved = _explained(Unknowns(planned, driver_prior(driver, fit), cone_air, (), sweep))
    built = best.unknowns.enclosure(best.solution.x)
    if best.misfit > TOO_LARGE_MISFIT:
        raise TsfitError(
            f"{curve.source}: no {plan.kind} box with this driver explains the curve (misfit {100 * best.misfit:.0f} %); "
            "measure the driver again, and check that no crossover is in the way, and how several drivers are wired.",
            code="no_match",
        )
    found = best.estimates(filling)
    told = {name: one for name, one in found.items() if one.stdev < UNTOLD * one.value}
    comparisons = [
        compare(name, before[name], told[name], tolerance) for name, tolerance in TOLERANCES.items() if name in told
    ]
    f = sweep.frequency_hz
    curves = sweep.impedance_ohm, built.impedance(f), planned.impedance(f)
    off_plan = {one.name: one.deviation for one in comparisons if one.worth_changing}
    leak = "hole" in found or any(
        name in found and found[name].interval95[1] < most
        for name, most in (("leak_q", LEAKY_Q[plan.kind]), ("rear_leak_q", LEAKY_Q["closed"]))
    )
    return BuiltBox(
        driver=driver.name,
        enclosure=plan.kind,
        built=told,
        planned=before,
        comparisons=tuple(comparisons),
        leak=leak,
        misfit=best.misfit,
        advice=advice(plan, (planned, built), before, found, off_plan, leak),
        notes=remarks(moved, best.misfit, fit, told, tuple(name for name in found if name not in told)),
        curve=BuiltCurve(f, *(Parts(z.real, z.imag) for z in curves)),
    )


def _sweep(curve: ImpedanceCurve, lowest: float, highest: float) -> CabinetSweep:
    """What of a curve tells of a box that resonates between `lowest` and `highest` Hz."""
    f = curve.frequency_hz
    used = f <= UP_TO * highest
    if np.count_nonzero(used) < 20 or f[0] > 0.8 * lowest or f[-1] < 1.3 * highest:
        raise TsfitError(
            f"{curve.source}: runs from {f[0]:.3g} to {f[-1]:.3g} Hz, and the box as planned resonates between "
            f"{lowest:.3g} and {highest:.3g} Hz; measure from half of the lowest to twice the highest.",
            code="too_narrow",
        )
    f, z = f[used], curve.impedance_ohm[used].astype(np.complex128)
    noise = np.zeros(f.size) if curve.variance_ohm2 is None else curve.variance_ohm2[used]
    shifts = np.array([shift[used] for shift in curve.systematic.values()], dtype=np.complex128).reshape(-1, f.size)
    return CabinetSweep(f, z, noise, shifts)


def _explained(unknowns: Unknowns) -> tuple[Explanation, str | None]:
    """The best explanation, and what of the driver left its fit most where that explains the curve much better."""
    best = explain(unknowns)
    far = float(np.max(best.pulls)) > FAR
    if best.misfit <= DOUBTFUL_MISFIT and not far:
        return best, None
    loose = explain(replace(unknowns, prior=unknowns.prior.looser(LOOSER)))
    if loose.misfit >= BETTER * best.misfit and not far:
        return best, None
    return loose, unknowns.prior.names[int(np.argmax(loose.pulls))]


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
