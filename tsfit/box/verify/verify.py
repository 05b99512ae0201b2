"""A finished cabinet against its plan: one impedance curve at the terminals, and what was built follows from it.

What is unknown of box and drivers (`verify.unknowns`) is settled by the core of the fit. Its covariance holds them all
(JCGM 100), so what the driver's uncertainty does to the volume is in it. The Bayesian information criterion decides which
losses the curve can tell apart.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import chain, combinations

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.box.enclosure import Enclosure
from tsfit.box.kinds import PassivePlan
from tsfit.box.plan import BoxPlan
from tsfit.box.result import BoxResult
from tsfit.box.told import LITRE, within
from tsfit.box.verify.findings import (
    BuiltBox,
    BuiltCurve,
    Comparison,
    Parts,
    deviations,
    leaks,
    more_resistance,
    other_driver,
    radiators_suspension,
    remarks,
)
from tsfit.box.verify.remedies import VOLUMES, Boxes, Way, WayBack, remedy, unlikely, ways
from tsfit.box.verify.unknowns import (
    LOSSES,
    RE_LATER,
    UNITS,
    CabinetSweep,
    DriverPrior,
    Unknowns,
    driver_prior,
    numbers,
    sizes,
)
from tsfit.circuit.leads import LEADS, put_back
from tsfit.circuit.load import air_load_change
from tsfit.driver.curve import ImpedanceCurve
from tsfit.driver.fit_result import Estimate, FitResult
from tsfit.driver.parameters import BASIC
from tsfit.driver.record import Driver
from tsfit.fitting.least_squares import Solution, covariance_of, settle
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
AIR_FAR = 3.5
"""The same for the air on the cone, beyond which there is none or thrice as much as usual."""
FAR_FROM_SHEET = 3.0
"""The same where only a sheet tells of the driver."""
RE_OF_FITTED, RE_OF_SHEET = (0.95, 1.35), (0.88, 1.45)
"""Share of its Re that a driver may have in the box: a cooler or warmer coil, leads. Common practice, no source."""
CLEARLY, SMALL = 0.03, 1e-12
"""Relative change from which a parameter is named beside the one that left its fit most."""
LOOSER, BETTER = 10.0, 0.6
"""How many times further from its fit such a driver may be, and the share of a misfit that it must leave to be believed."""
VOLUME_STARTS = (0.5, 0.7, 0.85, 1.0, 1.2, 1.5, 2.0)
TUNING_STARTS = (0.6, 0.75, 0.87, 1.0, 1.15, 1.33, 1.6)
"""Shares of the plan from which the search starts."""
STARTS = 3
STATED = ("leak_q", "absorption_q", "port_q", "rear_leak_q", "rear_absorption_q")
"""Losses that a plan may state."""
ABSENT, RESOLVED = 0.0, 0.2
"""Evidence against losses from which they are left out, and the uncertainty, in those of their priors, up to which a curve
tells them from one another: only then does it show that one is not there."""
HARDLY = 9.0
"""Relative standard uncertainty of what is as good as unknown."""
MOST_TOLD = 0.8
"""Share of the errors of a curve that its unknowns may take."""
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

    def without_what_is_not_there(self) -> "Explanation":
        """Settle again without the losses that the evidence is against: of all combinations of them the likeliest.

        The ratio of evidences is that of posterior to prior density where they vanish (Dickey, Annals of Mathematical
        Statistics 42, 1971, from memory). Losses are no gains, so the prior is twice as dense there.
        """
        unknowns, x, covariance = self.unknowns, self.solution.x, self.solution.covariance
        kept = ("hole", "port_q") if "hole" in unknowns.losses else ()
        told = {name for name, variance in zip(unknowns.names, np.diag(covariance), strict=True) if variance < RESOLVED**2}
        losses = [name for name in unknowns.losses if name in told and name not in kept]
        if not losses:
            return self

        def against(gone: tuple[str, ...]) -> float:
            at = [unknowns.names.index(name) for name in gone]
            block = covariance[np.ix_(at, at)]
            log_det = float(np.linalg.slogdet(block)[1])
            losses = np.maximum(x[at], 0.0)
            return float(losses @ np.linalg.solve(block, losses)) + log_det + 2.0 * len(gone) * math.log(2.0)

        gone = min(chain.from_iterable(combinations(losses, k) for k in range(1, len(losses) + 1)), key=against)
        if against(gone) > -ABSENT:
            return self
        fewer = replace(unknowns, losses=tuple(name for name in unknowns.losses if name not in gone))
        start = x[[unknowns.names.index(name) for name in fewer.names]]
        return explanation(fewer, start)

    def criterion(self, points_per_error: float) -> float:
        """Bayesian information criterion with the strain of the priors, where so many points share one error."""
        points = 2.0 * self.unknowns.sweep.frequency_hz.size / points_per_error
        strain = float(np.sum(self.solution.x**2))
        return self.solution.deviance / points_per_error + strain + len(self.unknowns.losses) * math.log(points)

    def advised(
        self, plan: BoxPlan, planned: Enclosure, comparisons: Sequence[Comparison]
    ) -> tuple[list[str], list[WayBack]]:
        """What to do about that which surely differs: sentences, and the ways from the box as found to its plan."""
        litres = {one.name: (one.planned / LITRE, one.built.value / LITRE) for one in comparisons if one.name in VOLUMES}
        off = {one.name: one.deviation for one in comparisons if one.worth_changing}
        never = unlikely(litres, off)
        if never:
            return [never], []
        boxes = Boxes(planned, self.unknowns.enclosure(self.solution.x), self._as_planned([*litres, "fb"]))
        found = [
            remedy(plan, boxes, Way(names, self._as_planned(names)), litres) for names in ways(sizes(boxes.built), off)
        ]
        if len(found) == 2:
            return [f"One way: {found[0].says}.", f"Another way: {found[1].says}."], found
        return [f"{one.says[0].upper()}{one.says[1:]}." for one in found], found

    def _as_planned(self, names: Sequence[str]) -> Enclosure:
        """The box with these sizes as planned; a passive radiator keeps its compliance, whatever the volume."""
        x, places = self.solution.x.copy(), {name: place for place, name in enumerate(self.unknowns.names)}
        if "compliance_share" in places and "volume" in names:
            x[places["compliance_share"]] += x[places["volume"]]
        x[[places[name] for name in names if name in places]] = 0.0
        return self.unknowns.enclosure(x)

    def estimates(self, filling: float) -> dict[str, Estimate]:
        """Numbers of the box (`numbers`), with their uncertainty propagated as that of logarithms."""
        x, losses = self.solution.x, self.unknowns.losses
        values = numbers(self.unknowns.enclosure(x), losses, filling)

        def logs(many: Real) -> Real:
            found = [numbers(self.unknowns.enclosure(at), losses, filling) for at in many]
            # What comes out as a gain is no loss that the curve tells.
            return np.log(np.abs([[each.get(name, value) for each in found] for name, value in values.items()]))

        stdev = np.sqrt(np.diag(propagate(logs, x, self.solution.covariance)))
        # What comes out as a gain, or as good as none, is told nothing about.
        return {
            name: estimate_of(value, abs(value) * min(float(relative), HARDLY), UNITS.get(name, ""))
            for (name, value), relative in zip(values.items(), stdev, strict=True)
        }


def explanation(unknowns: Unknowns, start: Real) -> Explanation:
    """Settle the unknowns from `start` on, and give back the degrees of freedom that they take from the curve's misfit.

    Of so many errors as the points share, as many as there are unknowns that the curve tells went into these; so the misfit
    that is left is smaller than the errors by their share, as far as it, not the noise, makes up the weights.
    """
    solution = settle(unknowns, start)
    noise, weights = unknowns.noise[0], solution.weights
    errors = 2.0 * noise.size / weights.points_per_error
    told = max(len(unknowns.names) - float(np.trace(solution.covariance)), 0.0)
    share = float(np.mean(1.0 - noise / weights.variances(unknowns)[0]))
    smaller = 1.0 - share * min(told / errors, MOST_TOLD)
    jacobian = solution.jacobian.copy()
    jacobian[:, : 2 * noise.size] *= math.sqrt(smaller)
    return Explanation(unknowns, replace(solution, covariance=covariance_of(jacobian, unknowns.n_priors)))


def explain(unknowns: Unknowns) -> Explanation:
    """Settle the unknowns with each choice of losses that a box of this kind may have, and return the plainest that stands.

    How many points share one error is told by the closest of them: a poor one would make all look alike.
    """
    plainest, *further = (replace(unknowns, losses=losses) for losses in LOSSES[unknowns.planned.kind])
    tried = [explanation(plainest, start) for start in _starts(plainest)]
    found = [min(tried, key=lambda one: one.criterion(one.solution.weights.points_per_error))]
    for model in further:
        before = dict(zip(plainest.names, found[0].solution.x, strict=True))
        start = np.array([before.get(name, usual) for name, usual in zip(model.names, model.variables({}), strict=True)])
        found.append(explanation(model, start))
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


def verify(
    curve: ImpedanceCurve, plan: BoxPlan, driver: Driver, fit: FitResult | None = None, *, lead_ohm: float = 0.0
) -> BuiltBox:
    """Find what was built, and hold it against `plan`, which is of any kind but the infinite baffle.

    The curve is that at the driver's terminals, without crossover, from well below the lowest resonance to well above the
    highest; `driver` is one driver, as measured before it was built in. Without a fit its parameters count as those of a
    datasheet, and the result says so. `lead_ohm` is taken off the curve; more of it, or a warm coil, is found with the box.
    Raises ``usage`` for another kind of box; ``too_narrow`` when the curve does not hold the resonances; ``no_match`` when
    no box of this kind explains it; what building the plan raises.
    """
    if plan.kind not in LOSSES:
        raise TsfitError("an infinite baffle cannot be verified; boxes can.", code="usage")
    result = plan.build(driver)
    planned, filling = result.enclosure, plan.contents.factor
    before = numbers(planned, _stated(plan, result), filling)
    ends = (before["fc"],) * 2 if plan.kind == "closed" else (before["fL"], before["fH"])
    curve = _at_the_driver(curve, lead_ohm, UP_TO * ends[1])
    sweep = _sweep(curve, *ends)
    unknowns = Unknowns(planned, driver_prior(driver, fit), _cone_air(planned.driver, driver), (), sweep)
    best, absent, moved = _explained(unknowns, FAR if fit else FAR_FROM_SHEET)
    built = best.unknowns.enclosure(best.solution.x)
    if best.misfit > TOO_LARGE_MISFIT:
        raise TsfitError(
            f"{curve.source}: no {plan.kind} box with this driver explains the curve (misfit {100 * best.misfit:.0f} %); "
            "measure the driver again, and check that no crossover is in the way, and how several drivers are wired.",
            code="no_match",
        )
    found = best.estimates(filling)
    told = {name: one for name, one in found.items() if 0.0 < one.stdev < UNTOLD * one.value}
    comparisons = deviations(told, before)
    leak = leaks(plan.kind, found)
    other = other_driver(_not_as_told(unknowns.prior, best, driver, fit, moved), fit is not None)
    sentences = [one for one in (other, leak) if one]
    remedies: list[WayBack] = []
    if not sentences:
        suspension = radiators_suspension(planned, built, told, before["fp"]) if plan.kind == "passive" else None
        sentences, remedies = best.advised(plan, planned, comparisons)
        sentences += [suspension] if suspension else []
    renamed = {"port_q": "radiator_q"} if plan.kind == "passive" else {}
    untold = (*(name for name in found if name not in told), *(renamed.get(name, name) for name in absent))
    return BuiltBox(
        driver=driver.name,
        enclosure=plan.kind,
        built=told,
        planned=before,
        comparisons=comparisons,
        leak=leak is not None,
        other_driver=other is not None,
        misfit=best.misfit,
        advice=tuple(sentences),
        remedies=tuple(remedies),
        notes=(
            *(note for note in curve.notes if note.code == LEADS),
            *remarks(best.misfit, fit, told, untold),
            *more_resistance(planned.driver.Re, built.driver.Re),
        ),
        curve=_beside(sweep, built, planned),
    )


def _beside(sweep: CabinetSweep, built: Enclosure, planned: Enclosure) -> BuiltCurve:
    f = sweep.frequency_hz
    curves = sweep.impedance_ohm, built.impedance(f), planned.impedance(f)
    return BuiltCurve(f, *(Parts(z.real, z.imag) for z in curves))


def _at_the_driver(curve: ImpedanceCurve, lead_ohm: float, up_to_hz: float) -> ImpedanceCurve:
    """The curve without `lead_ohm`, and with what was taken off its magnitude alone put right."""
    lead = within(lead_ohm, 0.0, 0.9 * float(np.min(np.abs(curve.impedance_ohm))), "resistance of the leads", "ohm")
    curve = put_back(curve, curve.frequency_hz <= up_to_hz)
    return replace(curve, impedance_ohm=curve.impedance_ohm - lead)


def _stated(plan: BoxPlan, result: BoxResult) -> tuple[str, ...]:
    """Losses that a plan states; of a passive radiator its own stand for those of a port."""
    stated = dict(result.losses)
    if isinstance(plan, PassivePlan):
        stated["port_q"] = plan.radiator.qms
    return tuple(name for name in STATED if math.isfinite(stated.get(name, math.inf)))


def _cone_air(together: Driver, one: Driver) -> float:
    """Change of the moving mass, kg, of all drivers `together` from free air to their place in a box."""
    area = one.values()["Sd"]
    return together.values()["Sd"] / area * float(air_load_change(area, together.air))


def _sweep(curve: ImpedanceCurve, lowest: float, highest: float) -> CabinetSweep:
    """What of a curve tells of a box that resonates between `lowest` and `highest` Hz."""
    f = curve.frequency_hz
    used = f <= UP_TO * highest
    if np.count_nonzero(used) < 20 or f[0] > 0.8 * lowest or f[-1] < 1.3 * highest:
        raise TsfitError(
            f"{curve.source}: runs from {in_figures(f[0], 3)} to {in_figures(f[-1], 3)} Hz, and the box as "
            f"planned resonates between "
            f"{in_figures(lowest, 3)} and {in_figures(highest, 3)} Hz; measure from half of the lowest to twice "
            f"the highest.",
            code="too_narrow",
        )
    f, z = f[used], curve.impedance_ohm[used].astype(np.complex128)
    noise = np.zeros(f.size) if curve.variance_ohm2 is None else curve.variance_ohm2[used]
    shifts = np.array([shift[used] for shift in curve.systematic.values()], dtype=np.complex128).reshape(-1, f.size)
    return CabinetSweep(f, z, noise, shifts)


def _explained(unknowns: Unknowns, far: float) -> tuple[Explanation, tuple[str, ...], bool]:
    """The best explanation, losses that it does without, and whether the driver left its fit for it."""
    best, moved = explain(unknowns), False
    # Where only mass and spring together are told, as in a closed box, another driver pulls the air on its cone instead.
    air = best.solution.x[unknowns.names.index("air load")]
    pulled = float(np.max(best.pulls)) > far or abs(air) > AIR_FAR
    if best.misfit > DOUBTFUL_MISFIT or pulled:
        loose = explain(replace(unknowns, prior=unknowns.prior.looser(LOOSER)))
        moved = loose.misfit < BETTER * best.misfit or pulled
        best = loose if moved else best
    fewer = best.without_what_is_not_there()
    return fewer, tuple(name for name in best.unknowns.losses if name not in fewer.unknowns.losses), moved


def _not_as_told(
    prior: DriverPrior, best: Explanation, driver: Driver, fit: FitResult | None, moved: bool
) -> dict[str, tuple[float, float]]:
    """Parameters of the driver, as told and as found, of those that left their fit most; Re where no lead explains it."""
    shift = best.unknowns.prior.root @ best.solution.x[: len(prior.names)]
    later = best.unknowns.names.index("resistance")
    told = {**driver.coil_values, **driver.suspension_values, **{name: getattr(driver, name) for name in BASIC}}
    pulls = np.abs(shift) / np.maximum(np.linalg.norm(prior.root, axis=1), SMALL)
    ranked = [int(place) for place in np.argsort(-pulls)[:3]] if moved else []
    off = [place for place in ranked if place == ranked[0] or abs(shift[place]) > CLEARLY]
    found = {
        prior.names[place]: (told[prior.names[place]], told[prior.names[place]] * math.exp(shift[place])) for place in off
    }
    re = math.exp(RE_LATER * best.solution.x[later] + dict(zip(prior.names, shift, strict=True)).get("Re", 0.0))
    least, most = RE_OF_FITTED if fit else RE_OF_SHEET
    return found if least < re < most else {**found, "Re": (driver.Re, driver.Re * re)}
