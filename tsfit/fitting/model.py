"""All sweeps of one driver as one weighted least-squares problem.

Shared by all sweeps: Re, Fs, Qms, Qes, Mms (where the states can tell it), coil, suspension. Per sweep: a drift of Re.
Known with uncertainty (mass, volume, Sd, reference resistor, change of air load in a box, sample clock): each a standard
normal variable whose prior stands beside the data, so that the covariance of the fit holds type A and type B together
(JCGM 100). Positive parameters are fitted as logarithms. The derivative is analytic throughout.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from tsfit.base.arrays import Complex, Number, Real
from tsfit.base.engine import Limits
from tsfit.base.figures import in_figures
from tsfit.circuit.coil import COIL_MODELS, Values
from tsfit.circuit.load import (
    BAFFLE_AIR_LOAD,
    BOX_AIR_LOAD,
    BOX_LOSS,
    Load,
    added_mass,
    air_load_change,
    closed_box,
    infinite_baffle,
    leaking,
)
from tsfit.circuit.response import FREE_AIR, Circuit, impedance, impedance_gradient
from tsfit.circuit.sprung import BOX, LABELS, of_box, terms_of
from tsfit.circuit.suspension import SUSPENSION_MODELS
from tsfit.driver.air import Air
from tsfit.driver.formulas import COIL_COUPLING, Wiring, compliance, force_factor, mechanical_resistance, wiring_factors
from tsfit.fitting.demands import BOX_LOSSES, NOTHING, Demands
from tsfit.fitting.least_squares import Misfit
from tsfit.fitting.sweep import FitSweep, Known, Prior, Scatter

RE_DRIFT = 0.01
"""Standard deviation of ln Re between sweeps of one driver (2.5 K of coil, contacts): common practice, no source."""
COUPLING = (COIL_COUPLING, 0.15)
"""Coupling of two coils on one former, from side by side to wound together: common practice, no source."""
CLOCK = 5e-5
"""Relative standard uncertainty of a sound card's sample clock, by which all its frequencies are off together: common
practice, no source."""
PIVOT_OMEGA = 2.0 * math.pi * 1000.0
"""Angular frequency at which the magnitudes of power laws are fitted, where they are least tied to the exponent."""
PIVOTED = {"K": "n", "Kr": "Xr", "Kx": "Xx"}
POWERS_OF_TIME = {
    **dict.fromkeys(("Mms", "Cms", "Le", "L2", "L3", "Leb", "added_mass", "compliance"), 1.0), "Kss": 0.5,
    **dict.fromkeys(("Lambda", "Fp1", "Fp2", "Fpb"), -1.0),
}  # fmt: skip
"""Power of the time scale with which each value of the circuit goes that has one: it is that of frequency with which a
change of all frequencies acts through it."""
FARTHEST = 90.0
"""Logarithm of an SI value, either way, at which a search that runs away is held: no product overflows up to there."""
LINEAR = ("n", "Xr", "Xx", "order")


@dataclass(frozen=True)
class JointModel:
    """The sweeps of one driver under one choice of coil and suspension model: a `least_squares.Problem`."""

    sweeps: Sequence[FitSweep]
    circuit: Circuit
    sd: Known | None
    # Whether the states can tell Mms; without it the motional branch is scaled to 1 kg, which free air cannot notice.
    with_mass: bool
    demands: Demands = NOTHING  # of its parameters; what is held is no variable
    scatter: Scatter | None = None  # of the suspension, where repeats tell that it did not stay the same

    @cached_property
    def coil(self) -> list[str]:
        """Names of the coil's terms."""
        return [parameter.name for parameter in COIL_MODELS[self.circuit.coil].parameters]

    @cached_property
    def shape(self) -> list[str]:
        """Names of the terms of coil, suspension and sprung parts of the cone."""
        parts = (name for label in self.circuit.parts if label in LABELS for name in terms_of(label))
        return [*self.coil, *(each.name for each in SUSPENSION_MODELS[self.circuit.suspension].extra), *parts]

    @cached_property
    def coil_scale(self) -> list[str]:
        """Names of the coil's terms that go with its impedance."""
        return [name for name in self.coil if name not in LINEAR]

    @property
    def wiring(self) -> Wiring | None:
        """That of two coils for which the variables hold, the first sweep's."""
        return self.sweeps[0].state.wiring

    @property
    def air(self) -> Air:
        """Air of the first sweep, to which Vas and efficiency refer."""
        return self.sweeps[0].state.air

    @cached_property
    def priors(self) -> tuple[Prior, ...]:
        """The inputs known with uncertainty, in the order of their variables."""
        found = [] if self.sd is None else [Prior("area", "sd", "effective area", self.sd.value, self.sd.uncertainty)]
        if self.wiring is not None:
            found.append(Prior("coupling", "coupling", "coupling of the coils", *COUPLING))
        found += [prior for sweep in self.sweeps for prior in self._priors_of(sweep)]
        found.append(Prior("clock", "clock", "sample clock", 1.0, CLOCK))
        return tuple({prior.key: prior for prior in found}.values())

    def _priors_of(self, sweep: FitSweep) -> list[Prior]:
        state = sweep.state
        found = [Prior("bench", f"systematic:{name}", name, 0.0, 1.0) for name in sweep.systematic]
        if sweep.number != self.sweeps[0].number:
            heat, label = sweep.heat_since(self.sweeps[0]), "coil heat and contacts between sweeps"
            found.append(Prior("drift", f"drift:{sweep.number}", label, heat, RE_DRIFT))
        if self.scatter is not None:
            found += self.scatter.priors(sweep.number)
        if state.mass is not None and state.mass_uncertainty:
            label = f"mass of {in_figures(1e3 * state.mass, 4)} g"
            found.append(Prior("mass", f"mass:{state.mass}", label, state.mass, state.mass_uncertainty))
        if self._boxed(sweep):
            usual = BOX_AIR_LOAD if state.kind == "closed box" else BAFFLE_AIR_LOAD
            found.append(Prior("air load", f"air load:{state.kind}", f"air load, {state.kind}", *usual))
            if state.volume is not None and state.volume_uncertainty:
                label = f"volume of {in_figures(1e3 * state.volume, 4)} l"
                found.append(Prior("volume", f"volume:{state.volume}", label, state.volume, state.volume_uncertainty))
        if sweep.resonance_hz is not None and self.with_mass:
            label = f"losses of the box, sweep {sweep.number + 1}"
            free = [name for name in BOX_LOSSES if name not in self.demands.hold]
            found += [Prior("loss", f"{name}:{sweep.number}", label, 0.0, BOX_LOSS) for name in free]
        return found

    @cached_property
    def _by_key(self) -> dict[str, Prior]:
        return {prior.key: prior for prior in self.priors}

    @cached_property
    def names(self) -> tuple[str, ...]:
        """The variables, in the order of every vector and matrix here."""
        mass = ["Mms"] if self.with_mass else []
        found = ("Re", "Fs", "Qms", "Qes", *mass, *self.shape, *self._further(), *self._by_key)
        return tuple(name for name in found if name not in self.demands.hold)

    @cached_property
    def pivots(self) -> dict[str, str]:
        """Magnitudes of power laws that are fitted at `PIVOT_OMEGA`, with their exponent; not where one is bounded."""
        return {name: end for name, end in PIVOTED.items() if name in self.shape and name not in self.demands.names}

    @property
    def limits(self) -> Limits:
        """Lowest and highest value of bounded variables, by name."""
        return {name: (_inward(name, low), _inward(name, high)) for name, (low, high) in self.demands.bounds.items()}

    def pinned(self, values: Mapping[str, float]) -> JointModel:
        """Return the model with more of its parameters held, at SI `values`."""
        bounds = {name: ends for name, ends in self.demands.bounds.items() if name not in values}
        return replace(self, demands=Demands({**self.demands.hold, **values}, bounds))

    def _further(self) -> Sequence[str]:
        """Names of variables that a further model has, or the box of one sweep."""
        return [name for label in self.circuit.parts if label not in LABELS for name in terms_of(label)]

    def box_part(self, sweep: FitSweep) -> dict[str, str]:
        """Terms of the circuit that are a sprung part of the box of `sweep`, and the variables that they are."""
        parts = self.circuit.parts
        label = of_box(sweep.number) if parts else ""
        return dict(zip(terms_of(BOX), terms_of(label), strict=True)) if label in parts else {}

    @property
    def n_priors(self) -> int:
        """Number of the last variables, which are unit normals."""
        return len(self.priors)

    @cached_property
    def noise(self) -> tuple[Real, ...]:
        """E|δZ|² of the recordings, ohm², per sweep (n,)."""
        return tuple(sweep.noise for sweep in self.sweeps)

    @cached_property
    def size(self) -> tuple[Real, ...]:
        """|Z|², ohm², per sweep (n,), to which the floor is relative."""
        return tuple(sweep.size for sweep in self.sweeps)

    @cached_property
    def _plain(self) -> set[str]:
        return {*LINEAR, *self._by_key}

    def _boxed(self, sweep: FitSweep) -> bool:
        return self.with_mass and sweep.state.kind in ("closed box", "infinite baffle")

    def start(self, values: Mapping[str, float]) -> Real:
        """Return the vector of variables for SI `values` by name; priors start at their centre."""
        known = {**values, **self.demands.hold}
        x = np.array([0.0 if name in self._by_key else _inward(name, known[name]) for name in self.names])
        for name, exponent in self.pivots.items():
            x[self.names.index(name)] += known[exponent] * math.log(PIVOT_OMEGA)
        return x

    def values(self, x: Real) -> dict[str, Number]:
        """SI values by name from variables of shape (..., n_variables), shape (...) each; numbers from (n_variables,)."""
        plain, one = self._plain, x.ndim == 1
        columns = x.T if x.ndim < 3 else np.moveaxis(x, -1, 0)
        powers = np.exp(np.minimum(np.maximum(columns, -FARTHEST), FARTHEST))
        if one:
            # Plain numbers are several times faster than arrays of one.
            columns, powers = columns.tolist(), powers.tolist()
        both = zip(self.names, columns, powers, strict=True)
        out = {name: column if name in plain else power for name, column, power in both}
        for name, value in self.demands.hold.items():
            out[name] = value if one else np.full(x.shape[:-1], value)
        for name, exponent in self.pivots.items():
            out[name] = np.exp(columns[self._places[name]] - out[exponent] * math.log(PIVOT_OMEGA))
        out.setdefault("Mms", 1.0 if one else np.ones(x.shape[:-1]))
        if self.sd is not None:
            out["Sd"] = self.sd.value * np.exp(out["sd"] * self.sd.uncertainty / self.sd.value)
        return out

    def circuit_values(self, v: Values, sweep: FitSweep | None = None) -> dict[str, Number]:
        """Return what the circuit needs; Re as it was during `sweep`."""
        re, fs, mms = v["Re"], v["Fs"], v["Mms"]
        values = {
            "Re": re if sweep is None else re * np.exp(self.drift(v, sweep)),
            "Bl": force_factor(fs, mms, re, v["Qes"]),
            "Mms": mms,
            "Cms": compliance(fs, mms),
            "Rms": mechanical_resistance(fs, mms, v["Qms"]),
            "Sd": v.get("Sd", 0.0),
        }
        values |= {name: v[name] for name in self.shape}
        if sweep is None:
            return values
        if self.scatter is not None:
            values["Cms"] *= np.exp(self._stated(v, f"compliance:{sweep.number}", 0.0))
            values["Rms"] *= np.exp(self._stated(v, f"friction:{sweep.number}", 0.0))
            values["Bl"] *= np.exp(self._stated(v, f"motor:{sweep.number}", 0.0))
        return self.rewired(values | {term: v[name] for term, name in self.box_part(sweep).items()}, v, sweep.state.wiring)

    def rewired(self, values: Values, v: Values, wiring: str | None) -> dict[str, Number]:
        """Turn circuit values that hold for `self.wiring` into those of another `wiring`; every coil term scales alike."""
        if wiring == self.wiring:
            return dict(values)
        coupling = self.coupling(v)
        (re, bl, coil), before = wiring_factors(wiring, coupling), wiring_factors(self.wiring, coupling)
        scaled = dict.fromkeys(self.coil_scale, coil / before[2])
        scaled |= {"Re": re / before[0], "Bl": bl / before[1]}
        return dict(values) | {name: factor * values[name] for name, factor in scaled.items()}

    @staticmethod
    def coupling(v: Values) -> Number:
        """Coupling of the two coils."""
        return COUPLING[0] + COUPLING[1] * v["coupling"]

    def drift(self, v: Values, sweep: FitSweep) -> Number:
        """Logarithm of Re during `sweep` over that of the first."""
        return self._stated(v, f"drift:{sweep.number}", 0.0)

    def _stated(self, v: Values, key: str, value: float) -> Number:
        """Value of an input at the variables `v`; `value` where it counts as exact."""
        prior = self._by_key.get(key)
        return value if prior is None else prior.at(v[key])

    def load(self, v: Values, sweep: FitSweep) -> Load:
        """Return the acoustic load during `sweep`."""
        state = sweep.state
        if state.mass is not None:
            return added_mass(self._stated(v, f"mass:{state.mass}", state.mass))
        if not self._boxed(sweep):
            return FREE_AIR
        air_load = self._stated(v, f"air load:{state.kind}", 1.0)
        if state.volume is None:
            return infinite_baffle(v["Sd"], state.air, air_load)
        gain = air_load * air_load_change(v["Sd"], state.air)
        box = closed_box(self._stated(v, f"volume:{state.volume}", state.volume), state.air, added_mass=gain)
        if sweep.resonance_hz is None:
            return box
        return leaking(box, sweep.resonance_hz, *(self.box_loss(v, sweep, name) for name in BOX_LOSSES))

    def box_loss(self, v: Values, sweep: FitSweep, name: str) -> Number:
        """1/Q of one of `BOX_LOSSES` during `sweep`, at the resonance that its curve shows."""
        return self._stated(v, f"{name}:{sweep.number}", 1.0 / self.demands.hold.get(name, math.inf))

    def fitted(self, x: Real, sweep: FitSweep, frequency_hz: Real) -> Complex:
        """Impedance of the model in the state of `sweep`, shape (n,), systematic errors of the bench left out."""
        v = self.values(x)
        z = impedance(frequency_hz, self.circuit_values(v, sweep), self.circuit, self.load(v, sweep))
        return z.astype(np.complex128, copy=False)

    def misfits(self, x: Real) -> list[Misfit]:
        """Model plus systematic error minus measured, of every sweep, and the derivative by every variable."""
        v = self.values(x)
        found = []
        for sweep in self.sweeps:
            z, rows = self._rows(v, sweep)
            slopes = np.empty((len(self.names), len(z)), dtype=np.complex128)
            for slope, name in zip(slopes, self.names, strict=True):
                slope[:] = rows.get(name, 0.0)
            if sweep.systematic:
                z, slope, shifts = self._as_measured(v, sweep, z)
                slopes *= slope
                slopes[[self._places[f"systematic:{name}"] for name in sweep.systematic]] = shifts
            found.append(Misfit(z - sweep.impedance_ohm, slopes))
        return found

    @cached_property
    def _places(self) -> dict[str, int]:
        return {name: place for place, name in enumerate(self.names)}

    def _as_measured(self, v: Values, sweep: FitSweep, z: Complex) -> tuple[Complex, Complex, Complex]:
        """Z as the bench with its systematic errors would show it, the derivative of that by Z, and by each, (k, n)."""
        off = np.array([v[f"systematic:{name}"] for name in sweep.systematic], dtype=np.complex128)
        half = 0.5 * off**2
        constant, linear, square = sweep.shifts
        twice = 2.0 * square
        shift, by_z = constant + z * (linear + z * square), linear + twice * z
        # Gains and delays multiply the ratio: Z goes on as it sets out. Of a delay the square counts at the upper end.
        shown = z + off @ shift + half @ (shift * by_z)
        slope = 1.0 + off @ by_z + half @ (by_z * by_z + twice * shift)
        return shown, slope, shift * (1.0 + off[:, None] * by_z)

    def _rows(self, v: Values, sweep: FitSweep) -> tuple[Complex, dict[str, Complex]]:
        """Z of the circuit in one sweep, and its derivative by every variable that it hangs on, (n,) each."""
        p = self.circuit_values(v, sweep)
        load = self.load(v, sweep)
        clock = self._by_key["clock"].at(v["clock"])
        z, d = impedance_gradient(clock * sweep.frequency_hz, p, self.circuit, load)
        half_bl = 0.5 * p["Bl"] * d["Bl"]
        by_re = p["Re"] * d["Re"]
        cms, rms, mms = p["Cms"] * d["Cms"], p["Rms"] * d["Rms"], p["Mms"] * d["Mms"]
        terms = {name: d[name] if name in LINEAR else d[name] * p[name] for name in self.shape}
        own = {term: d[term] * p[term] for term in self.box_part(sweep)}
        rows = {
            "Re": by_re + half_bl,
            "Fs": half_bl - 2.0 * cms + rms,
            "Qms": -rms,
            "Qes": -half_bl,
            f"drift:{sweep.number}": RE_DRIFT * by_re,
            "clock": CLOCK / clock * (mms + cms + self._by_frequency(p, terms | own, load, d)),
        }
        rows |= {"Mms": mms - cms + rms + half_bl} if self.with_mass else {}
        if self.scatter is not None:
            rows[f"compliance:{sweep.number}"] = self.scatter.compliance * cms
            rows[f"friction:{sweep.number}"] = self.scatter.friction * rms
            rows[f"motor:{sweep.number}"] = self.scatter.motor * 2.0 * half_bl
        rows |= terms | {name: own[term] for term, name in self.box_part(sweep).items()}
        for name, exponent in self.pivots.items():
            rows[exponent] = rows[exponent] - rows[name] * math.log(PIVOT_OMEGA)
        if self.wiring is not None:
            rows["coupling"] = np.asarray(self._coupling_slope(v, sweep) * sum(terms[name] for name in self.coil_scale))
        rows |= self._load_rows(v, sweep, load, p, d)
        return z.astype(np.complex128, copy=False), rows

    def _by_frequency(self, p: Values, terms: Mapping[str, Complex], load: Load, d: Mapping[str, Complex]) -> Complex:
        """Derivative of Z by the logarithm of frequency through coil, suspension terms and load.

        Z of scaled frequencies is Z of values that are scaled by their power of time.
        """
        found = [POWERS_OF_TIME[name] * row for name, row in terms.items() if name in POWERS_OF_TIME]
        found += [p[exponent] * terms[name] for name, exponent in PIVOTED.items() if name in terms]
        through = {"added_mass": load.added_mass, "compliance": load.compliance if load.boxed else 0.0}
        found += [value * d[name] for name, value in through.items() if value]
        return np.asarray(sum(found[1:], found[0]))

    def _coupling_slope(self, v: Values, sweep: FitSweep) -> float:
        """Relative change of all coil terms during `sweep` for one standard uncertainty of the coupling."""
        change = (sweep.state.wiring != "one coil") - (self.wiring != "one coil")
        return float(COUPLING[1] * change / (1.0 + self.coupling(v)))

    def _load_rows(self, v: Values, sweep: FitSweep, load: Load, p: Values, d: Mapping[str, Complex]) -> dict[str, Complex]:
        if (state := sweep.state).kind == "free air":
            return {}
        spread = {key: prior.spread for key, prior in self._by_key.items()}
        if state.kind == "added mass" and (key := f"mass:{state.mass}") in spread:
            return {key: spread[key] * d["added_mass"]}
        if not self._boxed(sweep) or self.sd is None:
            return {}
        key = f"air load:{state.kind}"
        rows = {
            "sd": self.sd.uncertainty / self.sd.value * (p["Sd"] * d["Sd"] + 1.5 * load.added_mass * d["added_mass"]),
            key: spread[key] * air_load_change(v["Sd"], state.air) * d["added_mass"],
        }
        if state.volume is None:
            return rows
        if sweep.resonance_hz is not None:
            unit = leaking(load, sweep.resonance_hz, BOX_LOSS, BOX_LOSS)
            rows[f"QL:{sweep.number}"] = unit.leak_conductance * d["leak_conductance"]
            rows[f"QA:{sweep.number}"] = unit.absorption * d["absorption"]
        if (key := f"volume:{state.volume}") in spread:
            by_volume = load.compliance * d["compliance"] + load.leak_conductance * d["leak_conductance"]
            by_volume -= load.absorption * d["absorption"]
            rows[key] = spread[key] / self._stated(v, key, state.volume) * by_volume
        return rows


def _inward(name: str, value: float) -> float:
    """Variable for the SI value of a parameter, away from the pivot."""
    return value if name in LINEAR else math.log(value)
