"""A finished cabinet against its plan: one impedance curve at the terminals, and what was built follows from it.

The driver is known from its fit, as far as that knows it: the logarithms of its parameters are variables with the
covariance of the fit as prior, beside volume, tuning and losses of the box, which are free. What the box adds to the air
that moves with the cone is a variable too, as in the fit of a test box. One circuit, the planned load.
The inverse information matrix at the minimum is the covariance of all of them (JCGM 100), so what the driver's uncertainty
does to the volume is in it. The Bayesian information criterion decides which losses the curve can tell apart.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tsfit.box.design import resonance_with_losses
from tsfit.box.plan import BoxPlan
from tsfit.box.response import Enclosure
from tsfit.box.tolerance import TUNING_ERROR, VOLUME_ERROR
from tsfit.box_findings import BuiltBox, advice, compare, remarks
from tsfit.circuit import load
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver import Driver, closed_box_ratio
from tsfit.errors import TsfitError
from tsfit.fitting.model import BOX_AIR_LOAD
from tsfit.records import Estimate, FitResult, ImpedanceCurve

Array = NDArray[np.float64]
BASIC = ("Re", "Fs", "Qms", "Qes", "Mms", "Sd")
WITHOUT_FIT = {"Re": 0.03, "Fs": 0.08, "Qms": 0.2, "Qes": 0.1, "Mms": 0.05, "Sd": 0.03}
"""Relative standard uncertainties of a driver that comes without a fit; coil terms have `COIL_WITHOUT_FIT`. Common
practice, no source."""
COIL_WITHOUT_FIT = 0.3
RE_LATER = 0.01
"""How far Re of another day, through other leads, differs (2.5 K of copper). Common practice, no source."""
TYPICAL_Q, Q_SPREAD = 15.0, 1.5
"""Prior of a loss factor: its typical value, and the standard deviation of its logarithm. Wide; it only keeps a loss that
the curve does not show from running away."""
SIZE_SPREAD = 0.7
"""Standard deviation of the logarithm of volume and tuning about the plan. Wide."""
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
LEAKY_Q = {"closed": 40.0, "vented": 5.0}
"""Leak Q below which a box is called leaky: ordinary vented boxes have 7 to 20. Common practice, no source."""
LOSSES = {
    "closed": (("absorption_q",), ("leak_q",), ("absorption_q", "leak_q"), ("hole", "port_q")),
    "vented": (("leak_q",), ("leak_q", "absorption_q"), ("leak_q", "port_q")),
}
"""Losses that are tried, the plainest first. A hole is an opening with air in it that resonates with the box."""
UNITS = {"volume": "m³"} | dict.fromkeys(("fc", "fb", "fL", "fH", "hole"), "Hz")


def read_cabinet(path: Path, rig: Path | None) -> ImpedanceCurve:
    """Read the curve of a finished cabinet: text or Touchstone, or a recording that was made on `rig`.

    Raises
    ------
    TsfitError
        As the readers.
    """
    if rig is None:
        from tsfit.fitting.curve import read_curve

        return read_curve(path)
    from tsfit.capture.impedance import impedance_from_recording
    from tsfit.capture.rig import read_rig

    return impedance_from_recording(path, read_rig(rig))


class _Model:
    """Box and drivers as functions of the variables ``theta``: unit normals of driver and curve, logarithms of the box."""

    def __init__(self, planned: Enclosure, one: Driver, fit: FitResult | None, directions: list[Any]) -> None:
        self.planned, self.directions = planned, directions
        self.names, self.root = _prior(one, fit)
        # The last one is what the box adds to the air that moves with the cone.
        self.latent = len(self.names) + len(directions) + 1
        cones = planned.driver.values()["Sd"] / one.values()["Sd"]
        self.air = cones * float(load.air_load_change(one.values()["Sd"], planned.driver.air))
        self.acting = float(planned.load.compliance * planned.driver.air.stiffness)
        self.sizes = [math.log(self.acting)]
        if planned.kind == "vented":
            box = planned.load
            self.sizes.append(-0.5 * math.log(box.port_mass * box.compliance) - math.log(2.0 * math.pi))

    def start(self, losses: tuple[str, ...]) -> Array:
        centres = [math.log(TYPICAL_Q if name != "hole" else 0.3 * self.planned.driver.Fs) for name in losses]
        return np.array([*[0.0] * self.latent, *self.sizes, *centres])

    def widths(self, losses: tuple[str, ...]) -> Array:
        return np.array([*[1.0] * self.latent, *[SIZE_SPREAD] * len(self.sizes), *[Q_SPREAD] * len(losses)])

    def enclosure(self, theta: Array, losses: tuple[str, ...]) -> Enclosure:
        shifts = dict(zip(self.names, np.exp(self.root @ theta[: len(self.names)]), strict=True))
        driver = self.planned.driver

        def shifted(name: str, value: float) -> float:
            return value * float(shifts.get(name, 1.0))

        basic: dict[str, Any] = {name: shifted(name, getattr(driver, name)) for name in BASIC}
        driver = replace(
            driver,
            **basic,
            coil_values={name: shifted(name, value) for name, value in driver.coil_values.items()},
            suspension_values={name: shifted(name, value) for name, value in driver.suspension_values.items()},
        )
        volume, *tuning = np.exp(theta[self.latent : self.latent + len(self.sizes)])
        factors = dict(zip(losses, np.exp(theta[self.latent + len(self.sizes) :]), strict=True))
        mass = self.air * max(BOX_AIR_LOAD[0] + BOX_AIR_LOAD[1] * float(theta[self.latent - 1]), 0.0)
        if tuning or "hole" in factors:
            frequency = tuning[0] if tuning else factors.pop("hole")
            box = load.vented_box(volume, frequency, driver.air, added_mass=mass, **factors)
        else:
            fc = driver.Fs * closed_box_ratio(driver.Vas, volume)
            box = load.closed_box(volume, driver.air, resonance=fc, added_mass=mass, **factors)
        return replace(self.planned, driver=driver, load=box)

    def impedance(self, frequency_hz: Array, theta: Array, losses: tuple[str, ...]) -> Any:
        z = _impedance(frequency_hz, self.enclosure(theta, losses))
        for place, direction in enumerate(self.directions, len(self.names)):
            z = z + theta[place] * direction
        return z


def _impedance(frequency_hz: Array, box: Enclosure) -> Any:
    return impedance(frequency_hz, box.driver.values(), Circuit(box.driver.coil, box.driver.suspension), box.load)


def _prior(driver: Driver, fit: FitResult | None) -> tuple[list[str], Array]:
    """Names of the driver's uncertain parameters, and a root of their logarithms' covariance."""
    terms = {**driver.coil_values, **driver.suspension_values}
    values = {name: value for name in (*BASIC, *terms) if (value := terms.get(name, getattr(driver, name, None)))}
    if fit is None:
        names = list(values)
        spread = np.array([WITHOUT_FIT.get(name, COIL_WITHOUT_FIT) for name in names])
        correlation = np.eye(len(names))
    else:
        names = [name for name in values if name in fit.parameters and fit.parameters[name].value > 0.0]
        spread = np.array([fit.parameters[name].stdev / fit.parameters[name].value for name in names])
        known = {name: fit.correlation_names.index(name) for name in names if name in fit.correlation_names}
        correlation = np.eye(len(names))
        for row, first in enumerate(names):
            for column, second in enumerate(names):
                if first in known and second in known:
                    correlation[row, column] = fit.correlation[known[first], known[second]]
    covariance = correlation * np.outer(spread, spread)
    if "Re" in names:
        covariance[names.index("Re"), names.index("Re")] += RE_LATER**2
    powers, axes = np.linalg.eigh(covariance)
    return names, axes * np.sqrt(np.maximum(powers, 0.0))


def _minimum(
    model: _Model, losses: tuple[str, ...], starts: list[Array], f: Array, z: Any, sigma: Array, share: float
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
    model: _Model, candidates: tuple[tuple[str, ...], ...], f: Array, z: Any, noise: Array
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


def _misfit(model: _Model, f: Array, z: Any, theta: Array, losses: tuple[str, ...]) -> float:
    return math.sqrt(0.5 * float(np.mean(np.abs(model.impedance(f, theta, losses) / z - 1.0) ** 2)))


def _starts(model: _Model, losses: tuple[str, ...], f: Array, z: Any) -> list[Array]:
    """The three best of a grid of volumes and tunings about the plan."""
    centre = model.start(losses)
    grid = []
    for volume in np.log([0.5, 0.7, 0.85, 1.0, 1.2, 1.5, 2.0]):
        for tuning in np.log([0.6, 0.75, 0.87, 1.0, 1.15, 1.33, 1.6]) if len(model.sizes) > 1 else [0.0]:
            theta = centre.copy()
            theta[model.latent : model.latent + len(model.sizes)] += [volume, tuning][: len(model.sizes)]
            misfit = float(np.mean(np.abs(np.log(np.abs(model.impedance(f, theta, losses) / z))) ** 2))
            grid.append((misfit, theta))
    return [theta for _, theta in sorted(grid, key=lambda one: one[0])[:3]]


def _numbers(box: Enclosure, losses: tuple[str, ...], filling: float) -> dict[str, float]:
    """Volume and resonances of a box, and its losses by name."""
    air, compliance = box.driver.air, float(box.load.compliance)
    numbers = {"volume": compliance * air.stiffness / filling}
    omega = 0.0
    if box.load.port_mass is not None:
        omega = 1.0 / math.sqrt(box.load.port_mass * compliance)
        numbers["hole" if box.kind == "closed" else "fb"] = omega / (2.0 * math.pi)
    if box.kind == "closed":
        found = resonance_with_losses(box)
        if found is not None:
            numbers |= dict(zip(("fc", "qtc"), found, strict=True))
        omega = omega or 2.0 * math.pi * box.driver.Fs * float(closed_box_ratio(box.driver.Vas, compliance * air.stiffness))
    else:
        numbers |= dict(zip(("fL", "fH"), _peaks(box, numbers["fb"]), strict=True))
    each = {
        "leak_q": lambda: omega * compliance / box.load.leak_conductance,
        "absorption_q": lambda: 1.0 / (omega * compliance * box.load.absorption),
        "port_q": lambda: 1.0 / (omega * compliance * box.load.port_resistance),
    }
    return numbers | {name: float(each[name]()) for name in losses if name in each}


def _peaks(box: Enclosure, fb: float) -> tuple[float, float]:
    """Frequencies of the two peaks of the motional impedance, below and above the tuning."""
    still = {**box.driver.values(), "Le": 0.0}
    found = []
    for low, high in ((0.1 * fb, fb), (fb, 10.0 * fb)):
        f = np.geomspace(low, high, 600)
        size = np.abs(impedance(f, still, Circuit("simple", box.driver.suspension), box.load))
        at = min(max(int(np.argmax(size)), 1), len(f) - 2)
        a, b, c = size[at - 1 : at + 2]
        bend = a - 2.0 * b + c
        found.append(float(f[at] * (f[1] / f[0]) ** (0.5 * (a - c) / bend if bend else 0.0)))
    return found[0], found[1]


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
        Closed or vented.
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
        raise TsfitError(f"a {plan.kind} box cannot be verified; closed and vented ones can.", code="usage")
    planned = plan.build(driver).enclosure
    filling = float(plan.values.get("filling", 1.0))
    stated = tuple(name for name in ("leak_q", "absorption_q", "port_q") if math.isfinite(plan.values.get(name, math.inf)))
    before = _numbers(planned, stated, filling)
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
    model = _Model(planned, driver, fit, [direction[used] for direction in curve.systematic.values()])
    losses, theta, covariance = _settle(model, LOSSES[plan.kind], f, z, noise)
    misfit, moved = _misfit(model, f, z, theta, losses), None
    if misfit > DOUBTFUL_MISFIT:
        loose = _Model(planned, driver, fit, model.directions)
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
    numbers = _estimates(lambda at: _numbers(model.enclosure(at, losses), losses, filling), theta, covariance)
    comparisons = [compare("volume", before["volume"], numbers["volume"], VOLUME_ERROR)]
    if plan.kind == "vented":
        comparisons.append(compare("fb", before["fb"], numbers["fb"], TUNING_ERROR))
    leak = "hole" in numbers or ("leak_q" in numbers and numbers["leak_q"].interval95[1] < LEAKY_Q[plan.kind])
    return BuiltBox(
        name=driver.name,
        kind=plan.kind,
        numbers=numbers,
        planned=before,
        comparisons=tuple(comparisons),
        leak=leak,
        misfit=misfit,
        advice=advice(
            plan, built, before, numbers, {one.name: one.deviation for one in comparisons if one.worth_changing}, leak
        ),
        notes=remarks(moved, misfit, fit, numbers),
        curve=curve,
        used=used,
        fitted_ohm=_impedance(f_all, built),
        planned_ohm=_impedance(f_all, planned),
    )
