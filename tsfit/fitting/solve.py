"""Solve one choice of circuit models: the variables, the discrepancy floor, their covariance, and what is wrong with it.

The discrepancy floor ε is found with the fit: real drivers differ from any lumped model by a little, and without it noise
weights would let the cleanest points drag the parameters.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from tsfit.circuit.coil import COIL_MODELS
from tsfit.circuit.response import Circuit
from tsfit.circuit.suspension import SUSPENSION_MODELS
from tsfit.fitting.model import LINEAR, JointModel

Real = NDArray[np.float64]

LEAST_FLOOR, MAX_FLOOR = 1e-6, 0.1
FLOOR_ROUNDS = 6
NEAR_FLOOR = 0.3
"""Usual change of the logarithm of the floor between two rounds; what is not there is looked for farther off."""
CLOCK = 5e-5
"""Relative standard uncertainty of a sound card's sample clock, which Fs inherits: common practice, no source."""
LONGEST_LAG = 100
FEW_WITNESSES = 1.05
"""Number of points that share one error up to which the priors need not be weighed anew."""
FINE, CLOSE = (1e-3, 1e-8), 1e-6
"""Relative change of the sum of squares at which a search ends: first while the floor is a guess and then at last; where
the end is one of many (trials, intervals)."""
ROUGH_MISS = 1.0
"""How far from its least a search may end that only compares models, in units of BIC; it ends with a step of half that."""
FIRST_STEP = 0.1
"""Longest first step, over the length of the vector of variables: some e-fold. Two terms of a coil that do the same leave
a direction without slope, along which a step of free length leads out of the world."""
RUNG_OVER_FS = 0.5
"""Corner frequency of a rung of the coil, over Fs, below which its resistance cannot be told from Re."""
BOUNDLESS = 30.0
"""Standard deviation of a logarithm that says nothing, and which none exceeds: figures that a dead direction does not
touch would drown in the rounding of a larger one."""
OUT_OF_EVALUATIONS = 5
MAX_EVALUATIONS = 60
"""A sound choice needs about ten; one that wanders is short of a parameter that the data determine."""
UNFINISHED = f"no end after {MAX_EVALUATIONS} evaluations"
COIL_LOSS_AT_FS = 0.3
"""Resistance of the coil model at Fs, as a share of Re, from which it cannot be told from Re."""
UNDETERMINED = 1.0
"""Standard deviation of a logarithm from which a parameter counts as not determined by the data."""


@dataclass(frozen=True)
class Candidate:
    """One fitted choice of models.

    Attributes
    ----------
    model : JointModel, with its floor set
    x : (n_variables,) best variables
    covariance : (n_variables, n_variables)
    deviance : −2 ln L of the data, constants left out
    fault : str or None, why the choice cannot stand, in words
    """

    model: JointModel
    x: Real
    covariance: Real
    deviance: float
    fault: str | None

    @property
    def circuit(self) -> Circuit:
        """The choice of models."""
        return self.model.circuit

    @property
    def witnesses(self) -> float:
        """How many points share one error, at least 1 (`shared_error`)."""
        return self.model.witnesses

    @cached_property
    def open_terms(self) -> list[str]:
        """Coil terms that the data leave open; what they do together is determined all the same."""
        return [name for name in undetermined(self.model, self.covariance) if name in self.model.coil]

    @property
    def free(self) -> int:
        """Number of variables that no prior holds, the floor among them."""
        return len(self.model.names) - len(self.model.priors) + 1

    @property
    def strain(self) -> float:
        """Sum of squares of the priors."""
        return float(np.sum(self.x[len(self.model.names) - len(self.model.priors) :] ** 2))


class Descent(NamedTuple):
    """Where a search came to, how many evaluations it took, and whether it ended there."""

    x: Real
    evaluations: int
    ended: bool


def descend(
    residual: Callable[[Real], Real],
    jacobian: Callable[[Real], Real],
    x: Real,
    near: float,
    evaluations: int = MAX_EVALUATIONS,
) -> Descent:
    """Find the least sum of squares from `x` on (MINPACK's lmder); all variables count alike, as logarithms do.

    Parameters
    ----------
    residual, jacobian : callables of (n,), that return (m,) and (n, m)
    near : float
        Relative change of the sum of squares, and of the variables, at which to stop.
    """
    from scipy.optimize import leastsq

    found, _, info, _, ending = leastsq(
        residual,
        x,
        Dfun=jacobian,
        col_deriv=True,
        full_output=True,
        ftol=near,
        xtol=near,
        maxfev=evaluations,
        diag=np.ones(len(x)),
        factor=FIRST_STEP,
    )
    return Descent(found, info["nfev"], ending not in (0, OUT_OF_EVALUATIONS))


def solve(model: JointModel, start: Mapping[str, float] | Real, *, rough: bool = False) -> Candidate:
    """Fit `model` from SI start values or from variables, finding the discrepancy floor along the way.

    Parameters
    ----------
    rough : bool
        Whether to end within `ROUGH_MISS` of the least.

    Returns
    -------
    Candidate
        Its `fault` is set when the minimiser finds no end, a parameter is not determined, or the values make no sense.
    """
    x = model.start(start) if isinstance(start, Mapping) else start
    left = MAX_EVALUATIONS
    first, last = (0.5 * ROUGH_MISS / len(model.residual(x)),) * 2 if rough else FINE
    model.witnesses = 1.0
    for turn in range(FLOOR_ROUNDS):
        near = last if turn else first
        x, used, ended = descend(model.residual, model.jacobian, x, near, left)
        left -= used
        before, model.floor = model.floor, most_likely_floor(model, x)
        if (near == last and abs(model.floor - before) <= 0.02 * model.floor) or left <= 0:
            break
    model.witnesses = shared_error(model, x)
    if not rough and model.priors and model.witnesses > FEW_WITNESSES and left > 0:
        # Once, and with the floor as it is: in turns the two would talk a contradiction between states into misfit.
        x, _, ended = descend(model.residual, model.jacobian, x, last, left)
    covariance = covariance_at(model, x)
    misfit, noise, size = squares(model, x)
    deviance = _deviance(misfit, noise + model.floor**2 * size)
    return Candidate(model, x, covariance, deviance, _fault(model, x, covariance, ended=ended))


def lmfit_result(candidate: Candidate) -> Any:
    """Return the fit as an lmfit result, for its reports and its ways of exploring a minimum.

    The parameters are the variables of the fit (logarithms; priors in standard deviations), named as lmfit takes names.
    """
    import lmfit

    model = candidate.model
    parameters = lmfit.Parameters()
    for name, value in zip(model.names, candidate.x, strict=True):
        parameters.add("".join(letter if letter.isalnum() else "_" for letter in name), value=float(value))

    def vector(p: Any) -> Real:
        return np.array([parameter.value for parameter in p.values()])

    minimizer = lmfit.Minimizer(lambda p: model.residual(vector(p)), parameters, scale_covar=False)
    return minimizer.leastsq(Dfun=lambda p: model.jacobian(vector(p)), col_deriv=True)


def covariance_at(model: JointModel, x: Real) -> Real:
    """Inverse of the information matrix, by a scaled pseudo-inverse so that a dead direction shows as a large variance."""
    jacobian = model.jacobian(x)
    information = jacobian @ jacobian.T + BOUNDLESS**-2.0 * np.eye(len(jacobian))
    scale = np.sqrt(np.diag(information))
    information = information / np.outer(scale, scale)
    if not np.all(np.isfinite(information)):
        return np.full(information.shape, np.inf)
    values, vectors = np.linalg.eigh(information)
    values = np.maximum(values, 1e-14)
    covariance = np.asarray((vectors / values) @ vectors.T / np.outer(scale, scale))
    covariance[model.names.index("Fs"), model.names.index("Fs")] += CLOCK**2
    return covariance


def shared_error(model: JointModel, x: Real) -> float:
    """How many points share one error: what the circuit misses is smooth in frequency, so neighbours are no new witnesses.

    Integrated autocorrelation of the misfit (1 for independent errors), counted as far as the floor, not the noise, makes
    up the variance.
    """
    lags: Real = np.zeros(LONGEST_LAG)
    shares = []
    for sweep in model.sweeps:
        variance = model.total_variance(sweep)
        e = model.misfit(x, sweep) / np.sqrt(variance)
        shares.append(1.0 - sweep.noise / variance)
        for part in (e.real, e.imag):
            lags += np.correlate(np.append(part, np.zeros(LONGEST_LAG - 1)), part, mode="valid")
    share = float(np.mean(np.concatenate(shares)))
    if not (lags[0] > 0.0 and math.isfinite(lags[0]) and math.isfinite(share)):
        return 1.0
    correlation = lags / lags[0]
    end = int(np.argmax(np.append(correlation, 0.0) < 0.05))
    return 1.0 + share * 2.0 * float(np.sum(correlation[1:end]))


def squares(model: JointModel, x: Real) -> tuple[Real, ...]:
    """|misfit|², noise variance and what the floor is relative to, |Z|², of all points in one row each."""
    misfit = np.concatenate([np.abs(model.misfit(x, sweep)) ** 2 for sweep in model.sweeps])
    noise = np.concatenate([sweep.noise for sweep in model.sweeps])
    size = np.concatenate([model.size(sweep) for sweep in model.sweeps])
    return misfit, noise, size


def _deviance(misfit: Real, variance: Real) -> float:
    """−2 ln L of circular complex normal errors, constants left out."""
    return 2.0 * float(np.sum(misfit / variance + np.log(variance)))


def most_likely_floor(model: JointModel, x: Real) -> float:
    """Most likely discrepancy floor ε for the misfit at `x`; the degrees of freedom that the fit used up are given back."""
    from scipy.optimize import brentq

    misfit, noise, size = squares(model, x)
    misfit = misfit * 2 * len(misfit) / max(2 * len(misfit) - len(model.names) + len(model.priors), 1)
    if not np.all(np.isfinite(misfit)):
        return MAX_FLOOR

    def slope(log: float) -> float:
        extra = math.exp(2.0 * log) * size
        variance = noise + extra
        return float(np.sum(extra / variance * (1.0 - misfit / variance)))

    least, most, at = math.log(LEAST_FLOOR), math.log(MAX_FLOOR), math.log(model.floor)
    for reach in (NEAR_FLOOR, most - least):
        low, high = max(least, at - reach), min(most, at + reach)
        if slope(low) < 0.0 < slope(high):
            return math.exp(brentq(slope, low, high, xtol=1e-4))
    return MAX_FLOOR if slope(most) <= 0.0 else LEAST_FLOOR


def undetermined(model: JointModel, covariance: Real) -> list[str]:
    """Names of the variables, priors left out, that the data leave open by more than a factor of e."""
    stdev = np.sqrt(np.diag(covariance))
    return [
        name
        for name, spread in zip(model.names, stdev, strict=True)
        if name not in model.priors and not spread <= UNDETERMINED
    ]


def _fault(model: JointModel, x: Real, covariance: Real, *, ended: bool) -> str | None:
    if not (np.all(np.isfinite(x)) and np.all(np.isfinite(covariance))):
        return "the fit ran away"
    # A coil term too many is the information criterion's matter (`Candidate.open_terms`).
    for name in undetermined(model, covariance):
        if name not in model.coil:
            return f"{name} is not determined by the data"
    if not ended:
        return UNFINISHED
    v = {name: float(value) for name, value in model.values(x).items()}
    if any(not 0.0 < v[name] < 1.6 for name in LINEAR if name in v):
        return "an exponent left its range"
    ws = 2.0 * math.pi * v["Fs"]
    columns = {name: np.array([v[name]]) for name in model.shape}
    coil, _ = COIL_MODELS[model.circuit.coil].evaluate(np.array([1j * ws]), columns)
    low = RUNG_OVER_FS * ws
    if coil[0].real > COIL_LOSS_AT_FS * v["Re"] or any(v[f"R{k}"] < low * v[f"L{k}"] for k in (2, 3) if f"R{k}" in v):
        return "a coil term stands in for Re"
    if model.circuit.suspension == "ideal":
        return None
    w = 2.0 * math.pi * v["Fs"] * np.geomspace(1e-3, 1e3, 60)
    p = model.circuit_values(v)
    z, _ = SUSPENSION_MODELS[model.circuit.suspension].evaluate(1j * w, ws, p)
    if np.any(z.real < 0.0) or np.any(z.imag > 0.0):
        return "the suspension would need negative friction or stiffness"
    return None
