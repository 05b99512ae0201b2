"""Solve one choice of circuit models, and tell what is wrong with it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from tsfit.base.arrays import Complex, Number, Real
from tsfit.base.engine import descended, minimizer_of
from tsfit.circuit.coil import COIL_MODELS, laplace
from tsfit.circuit.response import Circuit
from tsfit.circuit.sprung import terms_of
from tsfit.circuit.suspension import SUSPENSION_MODELS
from tsfit.driver.formulas import efficiency, equivalent_volume, sensitivity_1w, sensitivity_2v83, total_q
from tsfit.fitting.artefacts import heights_of
from tsfit.fitting.least_squares import FINE, MAX_EVALUATIONS, START_FLOOR, Objective, Solution, settle, target_of
from tsfit.fitting.model import LINEAR, JointModel
from tsfit.fitting.sweep import FitSweep
from tsfit.fitting.validity import SQUARES_BY_CHANCE

if TYPE_CHECKING:
    import lmfit

AT_BOUND = 0.01
"""Share of the width of its bounds within which a variable has reached one, if the sum of squares falls that way."""
RUNG_OVER_FS = 0.5
"""Corner frequency of a rung of the coil, over Fs, below which its resistance cannot be told from Re."""
UNFINISHED = f"no end after {MAX_EVALUATIONS} evaluations"
COIL_LOSS_AT_FS = 0.3
"""Resistance of the coil model at Fs, as a share of Re, from which it cannot be told from Re."""
AS_ONE = 0.01
"""Relative distance of two rungs' corner frequencies up to which they are one: what shows of it goes with its square."""
NEAREST, HEAVIEST, AT_RESONANCE, DULLEST, SHARPEST = 2.5, 0.45, 0.01, 1.0, 100.0
"""Bounds of a sprung part: its resonance over the highest of the driver, its mass over Mms, the share of Mms by which it
changes the moving mass at the driver's resonance, and its Q. Surround, dust cap and edge of the cone ring far above the
resonance, and Fs is within half a percent of where they leave it; nearer or heavier is the second resonance of a box, and
what is duller has no resonance but stands in for losses of coil and suspension."""
LARGE = 0.01
"""RMS misfit over |Z| from which something is missing that is worth a word."""
UNDETERMINED = 1.0
"""Standard deviation of a logarithm from which a parameter counts as not determined by the data."""


@dataclass(frozen=True)
class Solved:
    """One fitted choice of models."""

    model: JointModel
    solution: Solution
    fault: str | None  # why the choice cannot stand, in words
    pinned: tuple[str, ...] = ()  # names of parameters that reached a bound, and are held there

    @property
    def circuit(self) -> Circuit:
        """The choice of models."""
        return self.model.circuit

    @property
    def x(self) -> Real:
        """Best variables, (n_variables,)."""
        return self.solution.x

    @cached_property
    def values(self) -> Mapping[str, float]:
        """What they are, SI, by name, as `JointModel.values` has them."""
        return {name: float(value) for name, value in self.model.values(self.x).items()}

    @cached_property
    def figures(self) -> Mapping[str, float]:
        """What the states can tell there, SI, by name, as `trade_parameters` has them."""
        return {name: float(value) for name, value in trade_parameters(self.model, self.x).items()}

    @property
    def covariance(self) -> Real:
        """Their covariance, (n_variables, n_variables)."""
        return self.solution.covariance

    @property
    def floor(self) -> float:
        """Discrepancy floor ε, relative to |Z|."""
        return self.solution.weights.floor

    @property
    def share_of_floor(self) -> float:
        """Share of the floor in the variance of a usual point, the rest of which is noise."""
        variances = np.concatenate(self.solution.weights.variances(self.model))
        return float(np.mean(self.floor**2 * np.concatenate(self.model.size) / variances))

    @property
    def points_per_error(self) -> float:
        """How many points share one error, at least 1."""
        return self.solution.weights.points_per_error

    @cached_property
    def open_terms(self) -> list[str]:
        """Coil terms that the data leave open; what they do together is determined all the same."""
        return [name for name in undetermined(self.model, self.covariance) if name in self.model.coil]

    @property
    def as_one(self) -> bool:
        """Whether two rungs of the coil have become one, which a coil of fewer has as well."""
        v = self.values
        return "L3" in v and abs(math.log(v["R2"] * v["L3"] / (v["L2"] * v["R3"]))) < AS_ONE

    @property
    def free(self) -> int:
        """Number of variables that no prior holds, the floor among them."""
        return len(self.model.names) - self.model.n_priors + len(self.pinned) + 1

    @property
    def strain(self) -> float:
        """Sum of squares of the priors."""
        return float(np.sum(self.x[len(self.x) - self.model.n_priors :] ** 2))

    def at(self, names: Sequence[str]) -> Real:
        """Variables of those `names` (n,); 0 for those that this fit has not."""
        here = dict(zip(self.model.names, self.x, strict=True))
        return np.array([here.get(name, 0.0) for name in names])

    @property
    def objective(self) -> Objective:
        """What the minimum is of, with the weights that were found."""
        return Objective(self.model, self.solution.weights)

    @cached_property
    def residual(self) -> Real:
        """Weighted misfits and priors (m,) at the minimum, of which `solution.jacobian` is the derivative."""
        return self.objective.weighed(self.solution.misfits, self.x)

    @cached_property
    def beyond_noise(self) -> Mapping[int, Real]:
        """Squared misfit less the noise of the recording, over |Z|², (n,) by the number of the sweep."""
        pairs = zip(self.model.sweeps, self.solution.misfits, strict=True)
        return {sweep.number: (np.abs(misfit) ** 2 - sweep.noise) / sweep.size for sweep, misfit in pairs}

    @cached_property
    def sure_misfits(self) -> Mapping[int, float]:
        """RMS misfit over |Z| of the points that are `known`, less their noise and what that makes of it by chance, by the
        number of the sweep.
        """
        found = {}
        for sweep in self.model.sweeps:
            square, noise = self.beyond_noise[sweep.number][sweep.known], sweep.relative_noise[sweep.known]
            chance = SQUARES_BY_CHANCE * math.sqrt(noise @ noise) / len(noise)
            found[sweep.number] = math.sqrt(max(float(square.mean()) - chance, 0.0))
        return found

    @property
    def poorly_met(self) -> list[FitSweep]:
        """Sweeps that are missed by more than `LARGE`."""
        return [sweep for sweep in self.model.sweeps if self.sure_misfits[sweep.number] >= LARGE]

    @cached_property
    def heights(self) -> Mapping[int, Real]:
        """How far each point stands out of a smooth misfit, as `artefacts.heights_of`, (n,) by the number of the sweep."""
        return {
            sweep.number: heights_of(sweep.frequency_hz, self.misfit(sweep) / np.sqrt(self.variance(sweep)))
            for sweep in self.model.sweeps
        }

    def misfit(self, sweep: FitSweep) -> Complex:
        """Model plus systematic error minus measured, ohm, (n,), of one of the sweeps."""
        return self.solution.misfits[self._place(sweep)]

    def variance(self, sweep: FitSweep) -> Real:
        """E|δZ|² of noise and floor together, ohm², (n,), of one of the sweeps."""
        return self.solution.weights.variances(self.model)[self._place(sweep)]

    def _place(self, sweep: FitSweep) -> int:
        return [each.number for each in self.model.sweeps].index(sweep.number)


def solve(
    model: JointModel, start: Mapping[str, float] | Real, floor: float = START_FLOOR, *, rough: bool = False
) -> Solved:
    """Fit `model` from SI start values or from variables; `floor` and `rough` are as of `least_squares.settle`.

    `fault` is set when the minimiser finds no end, a parameter is not determined, or the values make no sense.
    """
    x = model.start(start) if isinstance(start, Mapping) else start
    solution = settle(model, x, floor, rough=rough, limits=model.limits)
    pinned = _pinned(model, solution)
    if pinned:
        left = np.array([name not in pinned for name in model.names])
        model = model.pinned(pinned)
        solution = settle(model, solution.x[left], solution.weights.floor, rough=rough, limits=model.limits)
    why = fault(model, solution.x, solution.covariance, ended=solution.ended)
    return Solved(model, solution, why, tuple(pinned))


def _pinned(model: JointModel, solution: Solution) -> dict[str, float]:
    """Bounds, SI, at which parameters stand and beyond which the sum of squares would fall further."""
    if not model.demands.bounds:
        return {}
    slopes = solution.jacobian @ Objective(model, solution.weights).residual(solution.x)
    found = {}
    for name, (low, high) in model.limits.items():
        place = model.names.index(name)
        value, margin = solution.x[place], AT_BOUND * (high - low)
        if value < low + margin and slopes[place] > 0.0:
            found[name] = model.demands.bounds[name][0]
        elif value > high - margin and slopes[place] < 0.0:
            found[name] = model.demands.bounds[name][1]
    return found


def engine_of(solved: Solved) -> tuple[lmfit.Minimizer, lmfit.minimizer.MinimizerResult]:
    """Return the fit as lmfit has it: its Minimizer, and what that found at the minimum.

    The parameters are the variables of the fit (logarithms; priors in standard deviations), named as lmfit takes names,
    and beside them what is held.
    """
    x, objective = solved.x, solved.objective
    target = target_of(objective, solved.model, x)
    spare = len(solved.solution.jacobian[0]) + len(target.begun) + 1 - len(x) - solved.solution.least
    target = replace(target, constant=math.sqrt(max(spare, 0.0)))
    hold = {name: value if name in LINEAR else math.log(value) for name, value in solved.model.demands.hold.items()}
    minimizer = minimizer_of(target, x, solved.model.limits, hold)
    return minimizer, descended(minimizer, FINE, MAX_EVALUATIONS)


def undetermined(model: JointModel, covariance: Real) -> list[str]:
    """Names of the variables, priors left out, that the data leave open by more than a factor of e."""
    stdev = np.sqrt(np.diag(covariance))[: len(model.names) - model.n_priors]
    return [name for name, spread in zip(model.names, stdev, strict=False) if not spread <= UNDETERMINED]


def fault(model: JointModel, x: Real, covariance: Real, *, ended: bool) -> str | None:
    """Why the minimum at `x` (n_variables,) cannot stand, in words; None where it can."""
    if not (np.all(np.isfinite(x)) and np.all(np.isfinite(covariance))):
        return "the fit ran away"
    # A coil term too many is the information criterion's matter (`Solved.open_terms`).
    for name in undetermined(model, covariance):
        if name not in model.coil:
            return f"{name} is not determined by the data"
    if not ended:
        return UNFINISHED
    v = {name: float(value) for name, value in model.values(x).items()}
    if any(not 0.0 < v[name] < 1.6 for name in LINEAR if name in v):
        return "an exponent left its range"
    if not all(_in_reach(model, v, *terms_of(label)) for label in model.circuit.parts):
        return "a sprung part left its range"
    ws = 2.0 * math.pi * v["Fs"]
    columns = {name: np.array([v[name]]) for name in model.shape}
    coil, _ = COIL_MODELS[model.circuit.coil].evaluate(np.array([1j * ws]), columns)
    low = RUNG_OVER_FS * ws
    if coil[0].real > COIL_LOSS_AT_FS * v["Re"] or any(v[f"R{k}"] < low * v[f"L{k}"] for k in (2, 3) if f"R{k}" in v):
        return "a coil term stands in for Re"
    if model.circuit.suspension == "ideal":
        return None
    s = laplace(v["Fs"] * np.geomspace(1e-3, 1e3, 60))
    p = model.circuit_values(v)
    z, _ = SUSPENSION_MODELS[model.circuit.suspension].evaluate(s, ws, p)
    if np.any(z.real < 0.0) or np.any(z.imag > 0.0):
        return "the suspension would need negative friction or stiffness"
    return None


def trade_parameters(model: JointModel, x: Real) -> dict[str, Number]:
    """Everything the states can tell, SI, by name; variables (..., n_variables) give values of shape (...)."""
    v = model.values(x)
    p = model.circuit_values(v)
    figures: dict[str, Number] = {name: v[name] for name in ("Re", "Fs", "Qms", "Qes")}
    figures["Qts"] = total_q(v["Qms"], v["Qes"])
    if model.with_mass:
        figures |= {name: p[name] for name in ("Mms", "Cms", "Rms", "Bl")}
    if model.sd is not None:
        figures["Sd"] = np.broadcast_to(v["Sd"], x.shape[:-1])
        if model.with_mass:
            figures["Vas"] = equivalent_volume(p["Cms"], v["Sd"], model.air)
            figures["eta0"] = efficiency(v["Fs"], figures["Vas"], v["Qes"], model.air)
            figures["sensitivity_1W"] = sensitivity_1w(figures["eta0"], model.air)
            figures["sensitivity_2V83"] = sensitivity_2v83(figures["eta0"], v["Re"], model.air)
    shape = model.shape if model.with_mass else [name for name in model.shape if name != "Lambda"]
    figures |= {name: v[name] for name in shape}
    columns = {name: np.asarray(v[name])[..., np.newaxis] for name in model.shape}
    coil, _ = COIL_MODELS[model.circuit.coil].evaluate(np.array([2000j * math.pi]), columns)
    figures["Le_1kHz"] = coil[..., 0].imag / (2000.0 * math.pi)
    return figures


def highest_resonance(model: JointModel, fs: float) -> float:
    """Highest resonance of the driver in any state, Hz, where that in free air is `fs`."""
    return max([fs, *(sweep.resonance_hz for sweep in model.sweeps if sweep.resonance_hz is not None)])


def _in_reach(model: JointModel, v: Mapping[str, float], hz: str, share: str, q: str) -> bool:
    """Whether a sprung part is one, clear of every resonance of the driver and within the sweeps."""
    nearness = highest_resonance(model, v["Fs"]) / v[hz]
    top = max(float(sweep.frequency_hz[-1]) for sweep in model.sweeps)
    small = v[share] <= HEAVIEST and v[share] * nearness**2 <= AT_RESONANCE
    return small and nearness <= 1.0 / NEAREST and v[hz] <= top and DULLEST <= v[q] <= SHARPEST
