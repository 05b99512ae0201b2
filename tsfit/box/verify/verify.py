"""A finished cabinet against its plan: one impedance curve at the terminals, and what was built follows from it.

Box and drivers are a function of what is unknown of them (`verify.unknowns`), and one circuit has the planned load.
The inverse information matrix at the minimum is the covariance of all of them (JCGM 100), so what the driver's uncertainty
does to the volume is in it. The Bayesian information criterion decides which losses the curve can tell apart.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tsfit.base.errors import TsfitError
from tsfit.box.passive import PassivePlan
from tsfit.box.plan import BoxPlan
from tsfit.box.verify.findings import TOLERANCES, BuiltBox, advice, compare, remarks
from tsfit.box.verify.unknowns import LOSSES, Unknowns, impedance_of, numbers
from tsfit.driver.curve import ImpedanceCurve
from tsfit.driver.fit_result import Estimate, FitResult
from tsfit.driver.record import Driver

Array = NDArray[np.float64]
UP_TO = 8.0
"""Highest frequency used, per highest resonance; above, panels and coil speak. Common practice, no source."""
SURE = 10.0
"""By how much the criterion must favour one more loss."""
SMALLEST_FLOOR = 1e-3
"""Share of |Z| that no lumped circuit describes, at least."""
TOO_LARGE_MISFIT = 0.05
"""RMS share of |Z| above which this is another driver or another box. Common practice, no source."""
DOUBTFUL_MISFIT, LOOSER = 0.01, 10.0
"""Misfit from which a driver is tried that is so many times further from its fit than that allows."""
LEAKY_Q = {"closed": 40.0, "vented": 5.0, "passive": 5.0, "bandpass": 5.0}
"""Leak Q below which a box is called leaky: ordinary vented boxes have 7 to 20. Common practice, no source."""
UNITS = (
    dict.fromkeys(("volume", "rear_volume", "front_volume"), "m³")
    | dict.fromkeys(("fc", "fb", "fL", "fH", "fp", "hole"), "Hz")
    | {"radiator_mass": "kg"}
)
VOLUME_STARTS = (0.5, 0.7, 0.85, 1.0, 1.2, 1.5, 2.0)
STARTS = {"fb": (0.6, 0.75, 0.87, 1.0, 1.15, 1.33, 1.6), "compliance_share": (1.0,)}
"""Shares of the plan from which the search starts."""
STATED = ("leak_q", "absorption_q", "port_q", "rear_leak_q", "rear_absorption_q")
"""Losses that a plan may state."""
UNTOLD = 0.3
"""Relative standard uncertainty from which a number is not told: it would be little more than what was assumed."""


def _minimum(
    model: Unknowns, losses: tuple[str, ...], starts: list[Array], f: Array, z: Any, sigma: Array, share: float
) -> tuple[Array, float, Array]:
    """Variables, twice the negative log posterior without constants, and covariance at the best minimum."""
    from scipy.optimize import least_squares

    centre, width, weight = model.start(losses), model.widths(losses), math.sqrt(share) / sigma

    def residual(theta: Array) -> Array:
        off = (model.impedance(f, theta, losses) - z) * weight
        return np.concatenate([off.real, off.imag, (theta - centre) / width])

    found = [least_squares(residual, start, x_scale=width, max_nfev=60) for start in starts]
    best = min(found, key=lambda one: float(one.cost))
    jacobian: Array = np.asarray(best.jac, dtype=np.float64)
    covariance: Any = np.linalg.inv(jacobian.T @ jacobian)
    return best.x, 2.0 * float(best.cost), covariance


def _settle(
    model: Unknowns, candidates: tuple[tuple[str, ...], ...], f: Array, z: Any, noise: Array
) -> tuple[tuple[str, ...], Array, Array]:
    """Losses, variables and covariance of the best of the candidates.

    The floor, what no circuit describes, and how many points share one error are those of the closest candidate: a poor one
    would make all of them look alike.
    """
    kept, size = model.latent + len(model.sizes), np.abs(z)
    starts = _starts(model, candidates[0], f, z)
    sigma, share = np.hypot(np.sqrt(noise), 0.01 * size), 0.1
    found: dict[tuple[str, ...], tuple[Array, float, Array]] = {}
    for _ in range(2):
        for losses in candidates:
            news = [np.concatenate([start[:kept], model.start(losses)[kept:]]) for start in starts]
            found[losses] = _minimum(model, losses, [found[losses][0]] if losses in found else news, f, z, sigma, share)
            starts = [found[losses][0]] if losses == candidates[0] else starts
        closest = min(found, key=lambda losses: found[losses][1])
        off = (model.impedance(f, found[closest][0], closest) - z) / size
        excess = 0.5 * float(np.mean(np.abs(off) ** 2)) - float(np.mean(noise / size**2))
        share = 1.0 / _sharing(off)
        sigma = np.sqrt(noise + max(excess, SMALLEST_FLOOR**2) * size**2)
    best = candidates[0]
    for losses in candidates[1:]:
        gain = found[best][1] - found[losses][1]
        if gain > SURE + (len(losses) - len(best)) * math.log(2.0 * share * f.size):
            best = losses
    theta, _, covariance = found[best]
    return best, theta, covariance


def _sharing(misfit: Any) -> float:
    """How many points share one error: twice the sum of the misfit's autocorrelation up to where it is gone, less one."""
    lags = np.correlate(misfit, misfit, mode="full")[misfit.size - 1 :].real
    correlation = lags / lags[0]
    end = int(np.argmax(np.append(correlation, 0.0) < 0.05))
    return 2.0 * float(np.sum(correlation[:end])) - 1.0


def _misfit(model: Unknowns, f: Array, z: Any, theta: Array, losses: tuple[str, ...]) -> float:
    return math.sqrt(0.5 * float(np.mean(np.abs(model.impedance(f, theta, losses) / z - 1.0) ** 2)))


def _starts(model: Unknowns, losses: tuple[str, ...], f: Array, z: Any) -> list[Array]:
    """The three best of a grid of volumes and tunings about the plan; the compliance of a radiator follows by itself."""
    centre = model.start(losses)
    axes = [np.log(STARTS.get(name, VOLUME_STARTS)) for name in model.sizes]
    grid = []
    for shift in product(*axes):
        theta = centre.copy()
        theta[model.latent : model.latent + len(axes)] += shift
        misfit = float(np.mean(np.abs(np.log(np.abs(model.impedance(f, theta, losses) / z))) ** 2))
        grid.append((misfit, theta))
    return [theta for _, theta in sorted(grid, key=lambda one: one[0])[:3]]


def _estimates(of: Callable[[Array], dict[str, float]], theta: Array, covariance: Array) -> dict[str, Estimate]:
    """Propagate `covariance` to the logarithms of what `of` gives, by central differences."""
    values = of(theta)
    steps = 0.1 * np.sqrt(np.diag(covariance))
    rows = []
    for k, step in enumerate(steps):
        shift = np.zeros_like(theta)
        shift[k] = step
        up, down = of(theta + shift), of(theta - shift)
        rows.append(
            [math.log(up.get(name, value) / down.get(name, value)) / (2.0 * step) for name, value in values.items()]
        )
    slope = np.array(rows)
    stdev = np.sqrt(np.einsum("ki,kl,li->i", slope, covariance, slope))
    return {
        name: Estimate(
            value,
            value * float(s),
            (value * math.exp(-1.96 * s), value * math.exp(1.96 * s)),
            UNITS.get(name, ""),
        )
        for (name, value), s in zip(values.items(), stdev, strict=True)
    }


def verify(curve: ImpedanceCurve, plan: BoxPlan, driver: Driver, fit: FitResult | None = None) -> BuiltBox:
    """Find what was built, and hold it against `plan`.

    Parameters
    ----------
    curve : ImpedanceCurve
        At the driver's terminals, without crossover, from well below the lowest resonance to well above the highest.
    plan : BoxPlan
        Of any kind but the infinite baffle.
    driver : Driver
        One driver, as measured before it was built in.
    fit : FitResult, optional
        Its fit; without one its parameters count as a datasheet's, and the result says so.

    Raises
    ------
    TsfitError
        ``usage`` for another kind of box; ``too_narrow`` when the curve does not hold the resonances; ``no_match`` when no
        box of this kind explains it; what building the plan raises.
    """
    if plan.kind not in LOSSES:
        raise TsfitError("an infinite baffle cannot be verified; boxes can.", code="usage")
    result = plan.build(driver)
    planned, filling = result.enclosure, plan.contents.factor
    stated = dict(result.losses)
    if isinstance(plan, PassivePlan):
        stated["port_q"] = plan.radiator.qms
    before = numbers(planned, tuple(name for name in STATED if math.isfinite(stated.get(name, math.inf))), filling)
    lowest, highest = (before["fc"], before["fc"]) if plan.kind == "closed" else (before["fL"], before["fH"])
    f_all, z_all = curve.frequency_hz, curve.impedance_ohm
    used = f_all <= UP_TO * highest
    if np.count_nonzero(used) < 20 or f_all[0] > 0.8 * lowest or f_all[-1] < 1.3 * highest:
        raise TsfitError(
            f"{curve.source}: runs from {f_all[0]:.3g} to {f_all[-1]:.3g} Hz, and the box as planned resonates between "
            f"{lowest:.3g} and {highest:.3g} Hz; measure from half of the lowest to twice the highest.",
            code="too_narrow",
        )
    f, z = f_all[used], z_all[used]
    noise = np.zeros(f.size) if curve.variance_ohm2 is None else 0.5 * curve.variance_ohm2[used]
    model = Unknowns(planned, driver, fit, [direction[used] for direction in curve.systematic.values()])
    losses, theta, covariance = _settle(model, LOSSES[plan.kind], f, z, noise)
    misfit, moved = _misfit(model, f, z, theta, losses), None
    if misfit > DOUBTFUL_MISFIT:
        loose = Unknowns(planned, driver, fit, model.directions)
        loose.root = LOOSER * model.root
        other = _settle(loose, LOSSES[plan.kind], f, z, noise)
        closer = _misfit(loose, f, z, other[1], other[0])
        if closer < 0.6 * misfit:
            model, misfit, (losses, theta, covariance) = loose, closer, other
            moves = LOOSER * model.root @ theta[: len(model.names)] / np.sqrt(np.sum(model.root**2, axis=1))
            moved = model.names[int(np.argmax(np.abs(moves)))]
    built = model.enclosure(theta, losses)
    if misfit > TOO_LARGE_MISFIT:
        raise TsfitError(
            f"{curve.source}: no {plan.kind} box with this driver explains the curve (misfit {100 * misfit:.0f} %); "
            "measure the driver again, and check that no crossover is in the way, and how several drivers are wired.",
            code="no_match",
        )
    found = _estimates(lambda at: numbers(model.enclosure(at, losses), losses, filling), theta, covariance)
    told = {name: one for name, one in found.items() if one.stdev < UNTOLD * one.value}
    comparisons = [
        compare(name, before[name], told[name], tolerance) for name, tolerance in TOLERANCES.items() if name in told
    ]
    leak = "hole" in found or any(
        name in found and found[name].interval95[1] < most
        for name, most in (("leak_q", LEAKY_Q[plan.kind]), ("rear_leak_q", LEAKY_Q["closed"]))
    )
    return BuiltBox(
        name=driver.name,
        kind=plan.kind,
        numbers=told,
        planned=before,
        comparisons=tuple(comparisons),
        leak=leak,
        misfit=misfit,
        advice=advice(
            plan,
            (planned, built),
            before,
            found,
            {one.name: one.deviation for one in comparisons if one.worth_changing},
            leak,
        ),
        notes=remarks(moved, misfit, fit, told, tuple(name for name in found if name not in told)),
        curve=curve,
        used=used,
        fitted_ohm=impedance_of(built, f_all),
        planned_ohm=impedance_of(planned, f_all),
    )
