"""All sweeps of one driver as one weighted least-squares problem.

Shared by all sweeps: Re, Fs, Qms, Qes, Mms (where the states can tell it), coil, suspension. Per sweep: a drift of Re.
Known with uncertainty (mass, volume, Sd, reference resistor, change of air load in a box): each a standard normal variable
whose prior stands beside the data, so that the covariance of the fit holds type A and type B together (JCGM 100).
Positive parameters are fitted as logarithms. The derivative is analytic throughout.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tsfit.circuit.coil import COIL_MODELS, Complex
from tsfit.circuit.load import (
    BAFFLE_AIR_LOAD,
    BOX_AIR_LOAD,
    Load,
    added_mass,
    air_load_change,
    closed_box,
    free_air,
    infinite_baffle,
)
from tsfit.circuit.response import Circuit, impedance, impedance_gradient
from tsfit.circuit.suspension import SUSPENSION_MODELS
from tsfit.driver.air import Air
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.formulas import (
    COIL_COUPLING,
    COPPER_PER_K,
    Wiring,
    compliance,
    force_factor,
    mechanical_resistance,
    wiring_factors,
)

RE_DRIFT = 0.01
"""Standard deviation of ln Re between sweeps of one driver (2.5 K of coil, contacts): common practice, no source."""
COUPLING = (COIL_COUPLING, 0.15)
"""Coupling of two coils on one former, from side by side to wound together: common practice, no source."""
PIVOT_OMEGA = 2.0 * math.pi * 1000.0
"""Angular frequency at which the magnitudes of power laws are fitted, where they are least tied to the exponent."""
PIVOTED = {"K": "n", "Kr": "Xr", "Kx": "Xx"}
FARTHEST = 150.0
"""Logarithm of an SI value, either way, at which a search that runs away is held: nothing overflows up to there."""
LINEAR = ("n", "Xr", "Xx", "order")


@dataclass(frozen=True)
class Known:
    """A value with its standard uncertainty, SI."""

    value: float
    uncertainty: float


@dataclass(frozen=True)
class Sweep:
    """One sweep as the fit sees it: the curve within the range used, its state, its number in the bench file."""

    frequency_hz: NDArray[np.float64]
    impedance_ohm: NDArray[np.complex128]
    noise: NDArray[np.float64]
    systematic: Mapping[str, NDArray[np.complex128]]
    """Per cause, the (3,) coefficients of the shift of Z for one standard uncertainty, as a polynomial in Z. Every linear
    fault of a bench is bilinear in Z, so its derivative is quadratic; taken at the model's Z and not at the noisy measured
    one, the shift cannot lower the misfit by shrinking the noise."""
    state: State
    number: int

    @cached_property
    def size(self) -> NDArray[np.float64]:
        """|Z|², ohm², shape (n,)."""
        return np.asarray(np.abs(self.impedance_ohm) ** 2)


def make_sweep(curve: ImpedanceCurve, state: State, number: int, used: NDArray[np.bool_]) -> Sweep:
    """Keep the points of `curve` that are `used` (n,)."""
    noise = np.zeros(len(curve.frequency_hz)) if curve.variance_ohm2 is None else curve.variance_ohm2
    z = curve.impedance_ohm[used].astype(np.complex128)
    powers = np.stack([np.ones_like(z), z, z**2], axis=1) / np.abs(z)[:, None]
    systematic: dict[str, NDArray[np.complex128]] = {
        name: np.linalg.lstsq(powers, shift[used] / np.abs(z), rcond=None)[0].astype(np.complex128)
        for name, shift in curve.systematic.items()
    }
    return Sweep(curve.frequency_hz[used], z, noise[used], systematic, state, number)


@dataclass
class JointModel:
    """The sweeps of one driver under one choice of coil and suspension model.

    Attributes
    ----------
    sweeps : sequence of Sweep
    circuit : Circuit
    sd : Known or None
    with_mass : bool
        Whether the states can tell Mms; without it the motional branch is scaled to 1 kg, which free air cannot notice.
    floor : float
        Model-discrepancy floor ε, relative to |Z|.
    witnesses : float
        How many points share one error, found with the fit: so many times less each counts against the priors.
    wiring : Wiring or None
        Of a driver with two coils, that for which the variables hold: that of the first sweep.
    names : list of str
        The variables, in the order of every vector and matrix here.
    """

    sweeps: Sequence[Sweep]
    circuit: Circuit
    sd: Known | None
    with_mass: bool
    floor: float = 3e-3
    witnesses: float = 1.0
    wiring: Wiring | None = field(init=False)
    names: list[str] = field(init=False)
    priors: list[str] = field(init=False)
    _seen: tuple[bytes, dict[int, tuple[Complex, dict[str, Complex]]]] | None = field(default=None, init=False)
    _weighted: tuple[tuple[bytes, float, float], NDArray[np.float64], NDArray[np.float64]] | None = field(
        default=None, init=False
    )
    _weights: tuple[tuple[float, float], list[Complex]] | None = field(default=None, init=False)

    def __post_init__(self) -> None:
        coil = [parameter.name for parameter in COIL_MODELS[self.circuit.coil].parameters]
        extra = [parameter.name for parameter in SUSPENSION_MODELS[self.circuit.suspension].extra]
        shared = ["Re", "Fs", "Qms", "Qes", *(["Mms"] if self.with_mass else []), *coil, *extra]
        self.coil, self.shape = coil, [*coil, *extra]
        self.coil_scale = [name for name in coil if name not in LINEAR]
        self.wiring = self.sweeps[0].state.wiring
        priors = (name for sweep in self.sweeps for name in self._priors_of(sweep))
        self.priors = list(
            dict.fromkeys((*(["sd"] if self.sd is not None else []), *(["coupling"] if self.wiring else []), *priors))
        )
        self.names = [*shared, *self.priors]
        self._plain = {*LINEAR, *self.priors}

    def _priors_of(self, sweep: Sweep) -> list[str]:
        state = sweep.state
        names = [f"systematic:{name}" for name in sweep.systematic]
        if sweep.number != self.sweeps[0].number:
            names.append(f"drift:{sweep.number}")
        if state.kind == "added mass" and state.mass_uncertainty:
            names.append(f"mass:{state.mass}")
        if self._boxed(sweep):
            names.append(f"air load:{state.kind}")
            if state.kind == "closed box" and state.volume_uncertainty:
                names.append(f"volume:{state.volume}")
        return names

    def _boxed(self, sweep: Sweep) -> bool:
        return self.with_mass and sweep.state.kind in ("closed box", "infinite baffle")

    def start(self, values: Mapping[str, float]) -> NDArray[np.float64]:
        """Return the vector of variables for SI `values` by name; priors start at their centre."""
        return np.array([self._inward(name, values) for name in self.names])

    def _inward(self, name: str, values: Mapping[str, float]) -> float:
        if name in self.priors:
            return 0.0
        if name in LINEAR:
            return values[name]
        if name in PIVOTED:
            return math.log(values[name]) + values[PIVOTED[name]] * math.log(PIVOT_OMEGA)
        return math.log(values[name])

    def values(self, x: NDArray[np.float64]) -> dict[str, Any]:
        """SI values by name from variables of shape (..., n_variables), shape (...) each; numbers from (n_variables,)."""
        columns: Any = x.T if x.ndim < 3 else np.moveaxis(x, -1, 0)
        powers: Any = np.exp(np.minimum(np.maximum(columns, -FARTHEST), FARTHEST))
        if x.ndim == 1:
            # Plain numbers are several times faster than arrays of one.
            columns, powers = columns.tolist(), powers.tolist()
        out: dict[str, Any] = {
            name: column if name in self._plain else power
            for name, column, power in zip(self.names, columns, powers, strict=True)
        }
        for name, exponent in PIVOTED.items():
            if name in out:
                out[name] = np.exp(columns[self.names.index(name)] - out[exponent] * math.log(PIVOT_OMEGA))
        out.setdefault("Mms", np.ones(x.shape[:-1])[()])
        if self.sd is not None:
            out["Sd"] = self.sd.value * np.exp(out["sd"] * self.sd.uncertainty / self.sd.value)
        return out

    def circuit_values(self, v: Mapping[str, Any], sweep: Sweep | None = None) -> dict[str, Any]:
        """Return what the circuit needs; Re as it was during `sweep`."""
        re, fs, mms = v["Re"], v["Fs"], v["Mms"]
        values = {
            "Re": re if sweep is None else re * np.exp(self._drift(v, sweep)),
            "Bl": force_factor(fs, mms, re, v["Qes"]),
            "Mms": mms,
            "Cms": compliance(fs, mms),
            "Rms": mechanical_resistance(fs, mms, v["Qms"]),
            "Sd": v.get("Sd", 0.0),
        }
        values |= {name: v[name] for name in self.shape}
        return values if sweep is None else self.rewired(values, v, sweep.state.wiring)

    def rewired(self, values: Mapping[str, Any], v: Mapping[str, Any], wiring: str | None) -> dict[str, Any]:
        """Turn circuit values that hold for `self.wiring` into those of another `wiring`; every coil term scales alike."""
        if wiring == self.wiring:
            return dict(values)
        coupling = self.coupling(v)
        (re, bl, coil), before = wiring_factors(wiring, coupling), wiring_factors(self.wiring, coupling)
        scaled = dict.fromkeys(self.coil_scale, coil / before[2])
        scaled |= {"Re": re / before[0], "Bl": bl / before[1]}
        return dict(values) | {name: factor * values[name] for name, factor in scaled.items()}

    @staticmethod
    def coupling(v: Mapping[str, Any]) -> Any:
        """Coupling of the two coils."""
        return COUPLING[0] + COUPLING[1] * v["coupling"]

    def _drift(self, v: Mapping[str, Any], sweep: Sweep) -> Any:
        first = self.sweeps[0].state.coil_temperature_c
        here = sweep.state.coil_temperature_c
        centre = 0.0
        if first is not None and here is not None:
            centre = math.log((1 + COPPER_PER_K * (here - 20.0)) / (1 + COPPER_PER_K * (first - 20.0)))
        return centre + RE_DRIFT * v.get(f"drift:{sweep.number}", 0.0)

    def load(self, v: Mapping[str, Any], sweep: Sweep) -> Load:
        """Return the acoustic load during `sweep`."""
        state = sweep.state
        if state.mass is not None:
            return added_mass(state.mass + _off(state.mass_uncertainty, v.get(f"mass:{state.mass}")))
        if not self._boxed(sweep):
            return free_air()
        air_load = self._air_load(v, state.kind)
        if state.volume is None:
            return infinite_baffle(v["Sd"], state.air, air_load)
        gain = air_load * air_load_change(v["Sd"], state.air)
        return closed_box(self._volume(v, state.volume, state), state.air, added_mass=gain)

    def _air_load(self, v: Mapping[str, Any], kind: str) -> Any:
        centre, spread = BOX_AIR_LOAD if kind == "closed box" else BAFFLE_AIR_LOAD
        return centre + spread * v[f"air load:{kind}"]

    def _volume(self, v: Mapping[str, Any], stated: float, state: State) -> Any:
        return stated + _off(state.volume_uncertainty, v.get(f"volume:{stated}"))

    def fitted(self, x: NDArray[np.float64], sweep: Sweep, frequency_hz: NDArray[np.float64]) -> Complex:
        """Impedance of the model in the state of `sweep`, shape (n,), systematic errors of the bench left out."""
        v = self.values(x)
        return impedance(frequency_hz, self.circuit_values(v, sweep), self.circuit, self.load(v, sweep))

    def misfit(self, x: NDArray[np.float64], sweep: Sweep) -> Complex:
        """Model plus systematic error minus measured, ohm, shape (n,), of one of the sweeps."""
        return self._at(x)[sweep.number][0]

    def _as_measured(
        self, v: Mapping[str, Any], sweep: Sweep, z: Complex
    ) -> tuple[Complex, Complex | None, dict[str, Complex]]:
        """Z as the bench with its systematic errors would show it, the derivative of that by Z (None is 1), and by each."""
        if not sweep.systematic:
            return z, None, {}
        shown, slope = z, np.ones_like(z)
        shifts = {}
        for name, (constant, linear, square) in sweep.systematic.items():
            key = f"systematic:{name}"
            shifts[key] = constant + z * (linear + z * square)
            shown = shown + v[key] * shifts[key]
            slope = slope + v[key] * (linear + 2.0 * square * z)
        return shown, slope, shifts

    def total_variance(self, sweep: Sweep) -> NDArray[np.float64]:
        """E|δZ|² of noise and model floor together, ohm², shape (n,)."""
        return np.asarray(sweep.noise + self.floor**2 * self.size(sweep))

    def size(self, sweep: Sweep) -> NDArray[np.float64]:
        """|Z|², ohm², shape (n,), to which the floor is relative."""
        return sweep.size

    def residual(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Weighted residuals of all sweeps, then the priors."""
        return self._evaluate(x)[0]

    def jacobian(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Derivative of `residual` by every variable, shape (n_variables, n_residuals)."""
        return self._evaluate(x)[1]

    def _evaluate(self, x: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        key = (x.tobytes(), self.floor, self.witnesses)
        if self._weighted is not None and self._weighted[0] == key:
            return self._weighted[1], self._weighted[2]
        seen = self._at(x)
        points, first = sum(len(misfit) for misfit, _ in seen.values()), len(self.names) - len(self.priors)
        r, j = np.empty(2 * points + len(self.priors)), np.empty((len(self.names), 2 * points + len(self.priors)))
        start = 0
        for weight, (misfit, rows) in zip(self._weighing(), seen.values(), strict=True):
            here = slice(start, start := start + 2 * len(misfit))
            np.multiply(misfit, weight, out=r[here].view(complex))
            by = j[:, here].view(complex)
            for index, name in enumerate(self.names):
                if name in rows:
                    np.multiply(rows[name], weight, out=by[index])
                else:
                    by[index] = 0.0
        r[start:] = x[first:]
        j[:, start:] = 0.0
        np.fill_diagonal(j[first:, start:], 1.0)
        self._weighted = (key, r, j)
        return r, j

    def _weighing(self) -> list[Complex]:
        """What turns the misfit of each sweep into residuals, (n,); complex, so that nothing is converted each time."""
        key = (self.floor, self.witnesses)
        if self._weights is None or self._weights[0] != key:
            variances = (self.witnesses * self.total_variance(sweep) for sweep in self.sweeps)
            self._weights = key, [np.sqrt(2.0 / variance).astype(np.complex128) for variance in variances]
        return self._weights[1]

    def _at(self, x: NDArray[np.float64]) -> dict[int, tuple[Complex, dict[str, Complex]]]:
        """Misfit (n,) and its derivatives (n,) by name, of every sweep by its number; the last answer is kept."""
        key = x.tobytes()
        if self._seen is None or self._seen[0] != key:
            v = self.values(x)
            self._seen = key, {sweep.number: self._sweep_gradient(v, sweep) for sweep in self.sweeps}
        return self._seen[1]

    def _sweep_gradient(self, v: Mapping[str, Any], sweep: Sweep) -> tuple[Complex, dict[str, Complex]]:
        """Misfit of one sweep, and the derivative of what the bench shows by every variable that it hangs on, (n,) each."""
        p = self.circuit_values(v, sweep)
        load = self.load(v, sweep)
        z, d = impedance_gradient(sweep.frequency_hz, p, self.circuit, load)
        half_bl = 0.5 * p["Bl"] * d["Bl"]
        by_re = p["Re"] * d["Re"]
        cms, rms = p["Cms"] * d["Cms"], p["Rms"] * d["Rms"]
        rows = {
            "Re": by_re + half_bl,
            "Fs": half_bl - 2.0 * cms + rms,
            "Qms": -rms,
            "Qes": -half_bl,
            "Mms": p["Mms"] * d["Mms"] - cms + rms + half_bl,
            f"drift:{sweep.number}": RE_DRIFT * by_re,
        }
        for name in self.shape:
            rows[name] = d[name] if name in LINEAR else d[name] * p[name]
        for name, exponent in PIVOTED.items():
            if name in rows:
                rows[exponent] = rows[exponent] - rows[name] * math.log(PIVOT_OMEGA)
        if "coupling" in self.priors:
            rows["coupling"] = self._coupling_slope(v, sweep) * sum(p[name] * d[name] for name in self.coil_scale)
        rows |= self._load_rows(v, sweep, load, p, d)
        shown, slope, shifts = self._as_measured(v, sweep, z)
        if slope is not None:
            rows = {name: row * slope for name, row in rows.items()} | shifts
        return np.asarray(shown - sweep.impedance_ohm), rows

    def _coupling_slope(self, v: Mapping[str, Any], sweep: Sweep) -> float:
        """Relative change of all coil terms during `sweep` for one standard uncertainty of the coupling."""
        mutual = ("series", "parallel")
        change = (sweep.state.wiring in mutual) - (self.wiring in mutual)
        return float(COUPLING[1] * change / (1.0 + self.coupling(v)))

    def _load_rows(
        self, v: Mapping[str, Any], sweep: Sweep, load: Load, p: Mapping[str, Any], d: Mapping[str, Any]
    ) -> dict[str, Any]:
        state = sweep.state
        if state.kind == "added mass":
            return {f"mass:{state.mass}": _off(state.mass_uncertainty, d["added_mass"])}
        if not self._boxed(sweep) or self.sd is None:
            return {}
        _, spread = BOX_AIR_LOAD if state.kind == "closed box" else BAFFLE_AIR_LOAD
        rows = {
            "sd": self.sd.uncertainty / self.sd.value * (p["Sd"] * d["Sd"] + 1.5 * load.added_mass * d["added_mass"]),
            f"air load:{state.kind}": spread * air_load_change(v["Sd"], state.air) * d["added_mass"],
        }
        if state.volume is not None:
            per_volume = load.compliance / self._volume(v, state.volume, state)
            rows[f"volume:{state.volume}"] = _off(state.volume_uncertainty, per_volume * d["compliance"])
        return rows

    @property
    def air(self) -> Air:
        """Air of the first sweep, to which Vas and efficiency refer."""
        return self.sweeps[0].state.air


def _off(uncertainty: float | None, pull: Any) -> Any:
    """What is added to a stated value that is `pull` standard uncertainties off; nothing where none is stated."""
    return uncertainty * pull if uncertainty else 0.0
