"""Solve one choice of models, and choose among them.

The discrepancy floor ε is found with the fit: real drivers differ from any lumped model by a little, and without it noise
weights would let the cleanest points drag the parameters. Coil and suspension models compete by the Bayesian information
criterion (Schwarz, Annals of Statistics 6(2), 1978) on the likelihood with each model's own ε.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tsfit.circuit.coil import COIL_MODELS
from tsfit.circuit.response import Circuit
from tsfit.circuit.suspension import SUSPENSION_MODELS
from tsfit.fitting.model import LINEAR, JointModel, Known, Sweep
from tsfit.fitting.start import coil_start

MAX_FLOOR = 0.1
FLOOR_ROUNDS = 6
CLOCK = 5e-5
"""Relative standard uncertainty of a sound card's sample clock, which Fs inherits: common practice, no source."""
LONGEST_LAG = 100
TOLERANCE = 1e-8
OUT_OF_EVALUATIONS = 5
MAX_EVALUATIONS = 60
"""A sound choice needs about ten; one that wanders is short of a parameter that the data determine."""
SCOUT = "ladder-2"
"""The coil model that is fitted first, whose Re and Qs then show the others their blocked impedance."""
WORTH_TRYING = 2.0
COIL_LOSS_AT_FS = 0.1
"""Resistance of the coil model at Fs, as a share of Re, from which it cannot be told from Re."""
UNDETERMINED = 1.0
"""Standard deviation of a logarithm from which a shape parameter counts as not determined by the data."""


@dataclass(frozen=True)
class Candidate:
    """One fitted choice of models.

    Attributes
    ----------
    model : JointModel, with its floor set
    x : (n_variables,) best variables
    covariance : (n_variables, n_variables)
    bic : float, lower is better
    fault : str or None, why the choice cannot stand, in words
    """

    model: JointModel
    x: NDArray[np.float64]
    covariance: NDArray[np.float64]
    bic: float
    fault: str | None

    @property
    def circuit(self) -> Circuit:
        """The choice of models."""
        return self.model.circuit


def solve(model: JointModel, start: Mapping[str, float]) -> Candidate:
    """Fit `model` from SI start values, finding the discrepancy floor along the way.

    Returns
    -------
    Candidate
        Its `fault` is set when the minimiser finds no end, a parameter is not determined, or the values make no sense.
    """
    from scipy.optimize import leastsq

    x = model.start(start)
    for _ in range(FLOOR_ROUNDS):
        x, _, info, _, ending = leastsq(
            model.residual,
            x,
            Dfun=model.jacobian,
            col_deriv=True,
            full_output=True,
            ftol=TOLERANCE,
            xtol=TOLERANCE,
            maxfev=MAX_EVALUATIONS,
        )
        before, model.floor = model.floor, _floor(model, x)
        if abs(model.floor - before) <= 0.02 * model.floor or info["nfev"] >= MAX_EVALUATIONS:
            break
    covariance = _covariance(model, x)
    covariance[model.names.index("Fs"), model.names.index("Fs")] += CLOCK**2
    return Candidate(model, x, covariance, _bic(model, x), _fault(model, x, covariance, ending))


def lmfit_result(candidate: Candidate) -> Any:
    """Return the fit as an lmfit result, for its reports and its ways of exploring a minimum.

    The parameters are the variables of the fit (logarithms; priors in standard deviations), named as lmfit takes names.
    """
    import lmfit

    model = candidate.model
    parameters = lmfit.Parameters()
    for name, value in zip(model.names, candidate.x, strict=True):
        parameters.add("".join(letter if letter.isalnum() else "_" for letter in name), value=float(value))

    def vector(p: Any) -> NDArray[np.float64]:
        return np.array([parameter.value for parameter in p.values()])

    minimizer = lmfit.Minimizer(lambda p: model.residual(vector(p)), parameters, scale_covar=False)
    return minimizer.leastsq(Dfun=lambda p: model.jacobian(vector(p)), col_deriv=True)


def _covariance(model: JointModel, x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Inverse of the information matrix, by a scaled pseudo-inverse so that a dead direction shows as a huge variance."""
    jacobian = model.jacobian(x).copy()
    jacobian[:, : jacobian.shape[1] - len(model.priors)] /= math.sqrt(_inflation(model, x))
    scale = np.linalg.norm(jacobian, axis=1)
    scale[~(scale > 0.0)] = 1e-12
    information = (jacobian / scale[:, None]) @ (jacobian / scale[:, None]).T
    if not np.all(np.isfinite(information)):
        return np.full(information.shape, np.inf)
    values, vectors = np.linalg.eigh(information)
    values = np.maximum(values, 1e-14)
    return np.asarray((vectors / values) @ vectors.T / np.outer(scale, scale))


def _inflation(model: JointModel, x: NDArray[np.float64]) -> float:
    """How many points share one error: what the circuit misses is smooth in frequency, so neighbours are no new witnesses.

    Integrated autocorrelation of the misfit (1 for independent errors), counted as far as the floor, not the noise, makes
    up the variance.
    """
    lags: NDArray[np.float64] = np.zeros(LONGEST_LAG)
    shares = []
    for sweep in model.sweeps:
        variance = model.total_variance(sweep)
        e = model.misfit(x, sweep) / np.sqrt(variance)
        shares.append(1.0 - sweep.noise / variance)
        for part in (e.real, e.imag):
            along = np.correlate(part, part, mode="full")[len(part) - 1 :][:LONGEST_LAG]
            lags[: len(along)] += along
    if not lags[0] > 0.0:
        return 1.0
    correlation = lags / lags[0]
    end = int(np.argmax(np.append(correlation, 0.0) < 0.05))
    return 1.0 + float(np.mean(np.concatenate(shares))) * 2.0 * float(np.sum(correlation[1:end]))


def _squares(model: JointModel, x: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
    """|misfit|², noise variance and |Z|² of all points in one row each."""
    misfit = np.concatenate([np.abs(model.misfit(x, sweep)) ** 2 for sweep in model.sweeps])
    noise = np.concatenate([sweep.noise for sweep in model.sweeps])
    size = np.concatenate([np.abs(sweep.impedance_ohm) ** 2 for sweep in model.sweeps])
    return misfit, noise, size


def _deviance(misfit: NDArray[np.float64], variance: NDArray[np.float64]) -> float:
    """−2 ln L of circular complex normal errors, constants left out."""
    return 2.0 * float(np.sum(misfit / variance + np.log(variance)))


def _floor(model: JointModel, x: NDArray[np.float64]) -> float:
    """Most likely discrepancy floor ε for the misfit at `x`; the degrees of freedom that the fit used up are given back."""
    from scipy.optimize import minimize_scalar

    misfit, noise, size = _squares(model, x)
    misfit = misfit * 2 * len(misfit) / max(2 * len(misfit) - len(model.names) + len(model.priors), 1)
    if not np.all(np.isfinite(misfit)):
        return MAX_FLOOR
    found = minimize_scalar(
        lambda log: _deviance(misfit, noise + math.exp(2.0 * log) * size),
        bounds=(math.log(1e-6), math.log(MAX_FLOOR)),
        method="bounded",
        options={"xatol": 1e-3},
    )
    return math.exp(float(found.x))


def _bic(model: JointModel, x: NDArray[np.float64]) -> float:
    misfit, noise, size = _squares(model, x)
    free = len(model.names) - len(model.priors) + 1
    prior = float(np.sum(x[len(model.names) - len(model.priors) :] ** 2))
    deviance = _deviance(misfit, noise + model.floor**2 * size) + prior
    return deviance + free * math.log(2 * len(misfit)) if math.isfinite(deviance) else math.inf


def _fault(model: JointModel, x: NDArray[np.float64], covariance: NDArray[np.float64], ending: int) -> str | None:
    if ending == OUT_OF_EVALUATIONS:
        return f"no end after {MAX_EVALUATIONS} evaluations"
    if not (np.all(np.isfinite(x)) and np.all(np.isfinite(covariance))):
        return "the fit ran away"
    stdev = np.sqrt(np.diag(covariance))
    for name, spread in zip(model.names, stdev, strict=True):
        if name not in model.priors and spread > UNDETERMINED:
            return f"{name} is not determined by the data"
    v = {name: float(value) for name, value in model.values(x).items()}
    if any(not 0.0 < v[name] < 1.6 for name in LINEAR if name in v):
        return "an exponent left its range"
    ws = 2.0 * math.pi * v["Fs"]
    columns = {name: np.array([v[name]]) for name in model.shape}
    coil, _ = COIL_MODELS[model.circuit.coil].evaluate(np.array([1j * ws]), columns)
    if coil[0].real > COIL_LOSS_AT_FS * v["Re"] or any(v[f"R{k}"] < ws * v[f"L{k}"] for k in (2, 3) if f"R{k}" in v):
        return "a coil term stands in for Re"
    w = 2.0 * math.pi * v["Fs"] * np.geomspace(1e-3, 1e3, 60)
    p = model.circuit_values(v)
    z, _ = SUSPENSION_MODELS[model.circuit.suspension].evaluate(1j * w, ws, p)
    if np.any(z.real < 0.0) or np.any(z.imag > 0.0):
        return "the suspension would need negative friction or stiffness"
    return None


# A trial step may overflow; what comes of it is judged by `_fault`.
@np.errstate(all="ignore")
def candidates(
    sweeps: Sequence[Sweep],
    start: Mapping[str, float],
    sd: Known | None,
    with_mass: bool,
    coil: str | None = None,
    suspension: str | None = None,
) -> list[Candidate]:
    """Fit the choices of coil and suspension worth trying, and return them best first, faulty ones last.

    Every coil is tried with an ideal suspension (or the forced one); then every suspension with those coils whose misfit is
    within `WORTH_TRYING` times the least, since a better suspension cannot make up for more.

    Parameters
    ----------
    sweeps : sequence of Sweep
    start : mapping
        SI values of Re, Fs, Qms, Qes and, if `with_mass`, Mms.
    sd : Known or None
    with_mass : bool
    coil, suspension : str, optional
        Names that are forced.
    """
    first = _free_air_like(sweeps)

    def attempt(circuit: Circuit, at: Mapping[str, float]) -> Candidate:
        return solve(JointModel(sweeps, circuit, sd, with_mass), _suspension_start(at) | dict(at))

    scout = attempt(Circuit(SCOUT, suspension or "ideal"), dict(start) | _blocked_start(SCOUT, first, start))
    start = _found_at(scout, start) if scout.fault is None else start
    starts = {name: dict(start) | _blocked_start(name, first, start) for name in ([coil] if coil else COIL_MODELS)}
    found = [scout if name == SCOUT else attempt(Circuit(name, suspension or "ideal"), at) for name, at in starts.items()]
    if suspension is None:
        limit = WORTH_TRYING * min(_misfit(candidate) for candidate in found)
        for plain in [candidate for candidate in found if not _misfit(candidate) > limit]:
            at = starts[plain.circuit.coil]
            at = _found_at(plain, at) if plain.fault is None else at
            found += [attempt(Circuit(plain.circuit.coil, other), at) for other in SUSPENSION_MODELS if other != "ideal"]
    return sorted(found, key=_rank)


def _found_at(candidate: Candidate, names: Iterable[str]) -> dict[str, float]:
    """SI values of `names` that a candidate ended at."""
    values = candidate.model.values(candidate.x)
    return {name: float(values[name]) for name in names}


def _misfit(candidate: Candidate) -> float:
    """RMS of misfit over |Z|."""
    misfit, _, size = _squares(candidate.model, candidate.x)
    return math.sqrt(float(np.mean(misfit / size)))


def _rank(candidate: Candidate) -> tuple[bool, float]:
    return candidate.fault is not None, candidate.bic


def _free_air_like(sweeps: Sequence[Sweep]) -> Sweep:
    return next((sweep for sweep in sweeps if sweep.state.kind == "free air"), sweeps[0])


def _suspension_start(start: Mapping[str, float]) -> dict[str, float]:
    """A mild touch of each suspension effect, for a tenth of the friction or less."""
    fs, qms, mms = start["Fs"], start["Qms"], start.get("Mms", 1.0)
    structural = 0.1 * (2.0 * math.pi * fs) ** 2 * mms / qms
    return {"creep": 0.1 / qms, "order": 0.9, "Lambda": structural}


def _blocked_start(coil: str, sweep: Sweep, start: Mapping[str, float]) -> dict[str, float]:
    """Coil terms from what the sweep shows above resonance once Re and the motional branch are taken away."""
    bare = JointModel([sweep], Circuit("simple"), None, with_mass=False)
    plain = {**start, "Le": 1e-9}
    motional = bare.fitted(bare.start(plain), bare.sweeps[0], sweep.frequency_hz) - start["Re"]
    blocked = sweep.impedance_ohm - start["Re"] - motional
    high = sweep.frequency_hz > min(3.0 * start["Fs"], 0.3 * sweep.frequency_hz[-1])
    return coil_start(coil, sweep.frequency_hz[high], blocked[high])
