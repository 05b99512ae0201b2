"""What a curve is of, if not of a bare driver: a vented box, a capacitor, a crossover, no driver at all.

Where the circuit of a bare driver misses, others compete with it: the same driver before an enclosure with a port or a
passive radiator (Small, JAES 21(5-8), 1973; 22(8-9), 1974), or behind a capacitor. One that comes much closer names it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from tsfit.base.arrays import Complex, Mask, Number, Real
from tsfit.base.causes import refused
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.circuit.coil import Values, laplace
from tsfit.circuit.load import Load
from tsfit.circuit.response import Circuit
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.formulas import compliance
from tsfit.fitting.artefacts import without_strays
from tsfit.fitting.least_squares import MAX_FLOOR
from tsfit.fitting.model import JointModel
from tsfit.fitting.select import Task, start_of_suspension
from tsfit.fitting.solve import Solved, solve, undetermined
from tsfit.fitting.start import FARTHEST_PEAK, Resonance, smoothed
from tsfit.fitting.sweep import FitSweep, make_sweep
from tsfit.fitting.validity import broken_law, roughness
from tsfit.formats.phase_law import phase_misses

DOUBTFUL = 0.005
"""Misfit of the bare driver, relative to |Z|, from which others compete."""
CLOSER, DESCRIBED = 0.5, 0.06
"""Misfit of a boxed driver over that of the bare one up to which it is told, and what it may miss itself."""
TO_NOISE, HIDDEN, BEYOND_CHANCE = 1.3, 0.0035, 18.0
"""Where noise hides how close a box comes: its misfit over that noise, what the bare driver misses beyond it, and what it
takes from the deviance. Of 1,500 made bare drivers, noise 0.1 to 1.2 %, the closest had 14 with 0.33 % and 20 with 0.17."""
STARTS = [(tuning, share) for tuning in (0.35, 0.5, 0.7, 0.85) for share in (0.7, 3.0)] + [(1.6, 0.7), (2.4, 1.0)]
"""Tuning over the peak that is seen, and Vas over volume, from which the search for a box begins."""
TUNED = (0.12, 4.0)
"""Tuning over the peak that is seen, between which a box is told: one that is tuned higher shows both its peaks, and what
rings there beside a single one is a part of the cone."""
BELOW = 1.3
"""Factor below the resonance from which a bare driver's reactance is positive, as those of coil and spring are; nearer to
it, on either side, a stray reading may turn it over."""
NEGATIVE, STEEP = 0.025, 1.2
"""Negative reactance over |Z| that is beyond the phase error of a bench, and over resistance that is a capacitor's."""
FALLS_BACK = 15.0
"""Degrees by which the phase falls again above the resonance, from which what no circuit of a driver fits has a crossover.
A coil with its losses only rises; parts of the cone bend it by 6 degrees at most in ten real bare drivers, and by 20 in a
thousand made ones, but those a circuit fits."""
FAR = 4.0
"""Ratio of two peaks from which a loose part is told first: a box tuned to its driver has them within a factor of 3."""
LEAST_POINTS = 3
FLAT = 0.05
"""Change of ln|Z|, and phase in rad, up to which an impedance is a resistor's."""


@dataclass(frozen=True)
class BoxedModel(JointModel):
    """A driver before a box of unknown volume, tuning and leak, on a scale of 1 kg and 1 m².

    A passive radiator instead of the port is the same circuit but for its losses: both have two masses on three springs,
    one of which may be part of the driver's.
    """

    def _further(self) -> Sequence[str]:
        return ("box", "fb", "QL")

    def circuit_values(self, v: Values, sweep: FitSweep | None = None) -> dict[str, Number]:
        """As of any model, with an area."""
        return {**super().circuit_values(v, sweep), "Sd": 1.0}

    def load(self, v: Values, sweep: FitSweep) -> Load:
        """Return the box."""
        omega = 2.0 * math.pi * v["fb"]
        return Load(compliance=v["box"], port_mass=1.0 / (omega**2 * v["box"]), leak_conductance=omega * v["box"] / v["QL"])

    def _load_rows(self, v: Values, sweep: FitSweep, load: Load, p: Values, d: Mapping[str, Complex]) -> dict[str, Complex]:
        air, leak = load.compliance * d["compliance"], load.leak_conductance * d["leak_conductance"]
        port = load.port_mass * d["port_mass"]
        return {"box": air - port + leak, "fb": leak - 2.0 * port, "QL": -leak}


@dataclass(frozen=True)
class BlockedModel(JointModel):
    """A driver behind a capacitor of unknown size, F."""

    def _further(self) -> Sequence[str]:
        return ("farad",)

    def _rows(self, v: Values, sweep: FitSweep) -> tuple[Complex, dict[str, Complex]]:
        z, rows = super()._rows(v, sweep)
        series = 1.0 / (laplace(sweep.frequency_hz) * v["farad"])
        return z + series, rows | {"farad": -series}


def without_peak(curve: ImpedanceCurve) -> TsfitError:
    """Say what a curve without a resonance peak is of."""
    f, z = curve.frequency_hz, curve.impedance_ohm
    if _is_capacitor(f, z):
        return _capacitor(curve)
    flat = (np.abs(np.log(np.abs(z) / abs(z[0]))) < FLAT) & (np.abs(np.angle(z)) < FLAT)
    code = "no_resonance"
    if np.all(flat):
        code = "no_resonance, a resistor"
    elif np.all(flat[f < math.sqrt(f[0] * f[-1])]):
        code = "no_resonance, a coil"
    elif _falls_from_the_start(f, z):
        code = "no_resonance, below"
    return refused(curve.source, code, low=f[0], high=f[-1], ohm=abs(z[0]))


def two_peaks(curve: ImpedanceCurve, state: State, low: float, high: float) -> TsfitError:
    """Say what a curve with resonance peaks near `low` and `high`, Hz, is of."""
    seen = f"two resonance peaks, near {in_figures(low, 3)} and {in_figures(high, 3)} Hz"
    if state.kind == "added mass":
        return refused(curve.source, "loose_mass", seen=seen)
    everywhere = np.ones(len(curve.frequency_hz), dtype=bool)
    box = boxed(make_sweep(curve, state, 0, everywhere), high, low)
    if box is not None and box.floor <= DESCRIBED:
        return refused(curve.source, "vented_box, or loose" if high > FAR * low else "vented_box", seen=seen)
    spoilt = _spoilt(curve, everywhere)
    if spoilt is not None:
        return refused(curve.source, "no_fit, two peaks", seen=seen, why=spoilt)
    return refused(curve.source, "loudspeaker", seen=seen)


def no_bare_driver(
    curve: ImpedanceCurve, state: State, used: Mask, peak: Resonance, floor: float | None = None
) -> TsfitError | None:
    """Say what a curve is of that the circuit of a bare driver misses; None if it may be one.

    Parameters
    ----------
    used : (n,) bool, the points that it misses
    peak : Resonance
        As read off the curve.
    floor : float, optional
        By how much the best circuit misses them, relative to |Z|; that of a plain one where not given.
    """
    if state.kind not in ("free air", "infinite baffle") or state.wiring == "one coil" or (floor or 1.0) < DOUBTFUL:
        return None
    sweep = make_sweep(curve, state, 0, used)
    # The best circuit may have been forced, or held where it does not belong.
    floor = min(floor or 1.0, _bare(sweep, peak).floor)
    if floor < DOUBTFUL:
        return None
    f, z = curve.frequency_hz, curve.impedance_ohm
    below, above = _negative(f, z, f < peak.Fs / BELOW), _negative(f, z, f > _coil_leads(f, z, peak.Fs))
    box = boxed(sweep, peak.Fs)
    if (above or floor > DESCRIBED) and (box is None or box.floor > DESCRIBED):
        # Of few points the upper peak may have passed for a stray reading.
        box = boxed(sweep, _highest(f, z, peak.Fs * 1.5, above or peak.Fs * FARTHEST_PEAK), peak.Fs) or box
    if sweep.impedance_ohm[0].imag < 0.0:
        series = _behind_capacitor(sweep, peak)
        if series.floor < min(CLOSER * floor, DESCRIBED) and (box is None or series.floor < box.floor):
            return _capacitor(curve)
    if box is not None and _far_closer(box, sweep, floor) and _whole(box, curve).floor < DESCRIBED:
        tuned = box.values["fb"]
        if tuned < peak.Fs and (late := begun_late(curve)):
            # Of a sweep without its beginning the low end is what the cone's own swinging made of it.
            return late
        if TUNED[0] * peak.Fs < tuned < TUNED[1] * peak.Fs:
            seen = (
                f"beside the resonance near {in_figures(peak.Fs, 3)} Hz stands that of a box tuned near "
                f"{in_figures(tuned, 2)} Hz"
            )
            return refused(curve.source, "vented_box", seen=seen)
    if (below or (above and floor > DESCRIBED)) and _spoilt(curve, used) is None:
        seen = f"a resonance near {in_figures(below or above, 3)} Hz beside that near {in_figures(peak.Fs, 3)} Hz"
        return refused(curve.source, "loudspeaker", seen=seen)
    return None


def crossover(curve: ImpedanceCurve, state: State, peak: Resonance) -> TsfitError | None:
    """Say that a curve which no driver circuit fits is of drivers behind a crossover; None where it shows none.

    Its phase falls back above the resonance, over many points and as the slope of the magnitude demands.
    """
    f, z = curve.frequency_hz, curve.impedance_ohm
    above = f > BELOW * peak.Fs
    if state.kind not in ("free air", "infinite baffle") or np.count_nonzero(above) < LEAST_POINTS:
        return None
    degrees = np.degrees(smoothed(f, without_strays(np.unwrap(np.angle(z)))))[above]
    # Just above the resonance it falls as any driver's does, to where it first turns.
    turn = int(np.argmax(np.append(np.diff(degrees), 1.0) > 0.0))
    back = np.maximum.accumulate(degrees[turn:]) - degrees[turn:]
    most = int(np.argmax(back))
    if back[most] < FALLS_BACK or phase_misses(f, z)[0] > 0.5 * FALLS_BACK:
        return None
    if _spoilt(curve, np.ones(len(f), dtype=bool)) is not None:
        return None
    back_hz, falls = in_figures(float(f[above][turn + most]), 2), in_figures(float(back[most]), 2)
    seen = (
        f"above the resonance near {in_figures(peak.Fs, 3)} Hz, where with a coil it rises, the phase falls back by "
        f"{falls} degrees to {back_hz} Hz"
    )
    return refused(curve.source, "loudspeaker", seen=seen)


def boxed(sweep: FitSweep, upper: float, lower: float | None = None) -> Solved | None:
    """Fit a driver in a vented box, or in one with a passive radiator; None where the sweep determines none.

    Parameters
    ----------
    upper, lower : float
        Its peaks, Hz; without the lower one, which then lies below the sweep, the tuning is searched for.
    """
    model = BoxedModel([sweep], Circuit("ladder-3"), None, with_mass=False)
    found = [solve(model, model.start(start), rough=True) for start in _starts(sweep, upper, lower)]
    told = [each for each in found if "fb" not in undetermined(model, each.covariance)]
    return min(told, key=lambda each: each.floor, default=None)


def _far_closer(box: Solved, sweep: FitSweep, floor: float) -> bool:
    """Whether a box describes a sweep far better than a bare driver, which misses it by `floor`: twice, or to its noise."""
    # A floor at its most says only that the driver misses by more.
    if box.floor < (DESCRIBED if floor >= 0.99 * MAX_FLOOR else min(CLOSER * floor, DESCRIBED)):
        return True
    noise = roughness(np.asarray(box.misfit(sweep) / np.abs(sweep.impedance_ohm)))
    if box.floor > min(TO_NOISE * noise, DESCRIBED) or box.floor >= floor:
        return False
    gained = 4.0 * len(sweep.frequency_hz) * math.log(floor / box.floor)
    return math.sqrt(floor**2 - box.floor**2) > HIDDEN and gained > BEYOND_CHANCE


def _whole(box: Solved, curve: ImpedanceCurve) -> Solved:
    """Go on over the whole curve: behind a crossover a box describes it but for the top."""
    sweep = make_sweep(curve, box.model.sweeps[0].state, 0, np.ones(len(curve.frequency_hz), dtype=bool))
    return solve(BoxedModel([sweep], box.circuit, None, with_mass=False), box.x, box.floor, rough=True)


def _bare(sweep: FitSweep, peak: Resonance) -> Solved:
    at = _at_peak(sweep, peak, "ladder-3")
    models = [JointModel([sweep], Circuit("ladder-3", each), None, with_mass=False) for each in ("ideal", "log-creep")]
    return min((solve(model, model.start(at), rough=True) for model in models), key=lambda each: each.floor)


def _at_peak(sweep: FitSweep, peak: Resonance, coil: str) -> dict[str, float]:
    at = {"Re": peak.Re, "Fs": peak.Fs, "Qms": peak.Qms, "Qes": peak.Qes}
    return Task([sweep], None, with_mass=False).blocked(coil, at) | start_of_suspension(at)


def _behind_capacitor(sweep: FitSweep, peak: Resonance) -> Solved:
    at = _at_peak(sweep, peak, "ladder-2")
    at["farad"] = -1.0 / (2.0 * math.pi * float(sweep.frequency_hz[0]) * float(sweep.impedance_ohm[0].imag))
    models = [BlockedModel([sweep], Circuit("ladder-2", each), None, with_mass=False) for each in ("ideal", "log-creep")]
    return min((solve(model, model.start(at), rough=True) for model in models), key=lambda each: each.floor)


def _highest(f: Real, z: Complex, low: float, high: float) -> float:
    """Frequency of the greatest |Z| between `low` and `high`, Hz."""
    within = (f >= low) & (f <= max(high, 1.1 * low))
    return float(f[within][np.argmax(np.abs(z[within]))])


def _starts(sweep: FitSweep, upper: float, lower: float | None) -> Iterator[dict[str, float]]:
    f, z = sweep.frequency_hz, sweep.impedance_ohm
    task = Task([sweep], None, with_mass=False)
    pairs = [(tuning * upper, share) for tuning, share in STARTS]
    if lower is not None:
        between = (f >= lower) & (f <= upper)
        fb = float(f[between][np.argmin(np.abs(z[between]))])
        pairs = [(fb, max((upper**2 - fb**2) * (fb**2 - lower**2) / (upper * lower) ** 2, 0.05))]
    for fb, alpha in pairs:
        x = upper**2
        fs = math.sqrt(max((x**2 - x * fb**2) / (x * (1.0 + alpha) - fb**2), (0.2 * upper) ** 2))
        re = float(np.min(np.abs(z)))
        at = {"Re": re, "Fs": fs, "Qms": 5.0, "Qes": 5.0 * re / float(np.max(np.abs(z[f < 2.0 * upper])))}
        yield task.blocked("ladder-3", at) | {"box": float(compliance(fs, 1.0)) / alpha, "fb": fb, "QL": 10.0}


def _is_capacitor(f: Real, z: Complex) -> bool:
    """Whether a curve begins as a capacitor: a reactance that falls as 1/f over an octave, more than its resistance."""
    first = f <= 2.0 * f[0]
    if np.count_nonzero(first) < LEAST_POINTS:
        return False
    fall = np.polyfit(np.log(f[first]), np.log(np.abs(z[first])), 1)[0]
    return bool(np.all(z[first].imag < -STEEP * np.abs(z[first].real)) and -1.15 < fall < -0.5)


def _falls_from_the_start(f: Real, z: Complex) -> bool:
    """Whether a curve begins above a resonance: highest at its first points, below a coil's rise, and capacitive there."""
    first = _reactance(f, z)[: max(LEAST_POINTS, len(f) // 50)]
    size = without_strays(np.abs(z))
    bottom = int(np.argmin(size))
    return bool(np.median(first) < -NEGATIVE and bottom > 0 and np.argmax(size[: bottom + 1]) < len(first))


def _reactance(f: Real, z: Complex) -> Real:
    """Reactance (n,) over |Z|, without stray readings."""
    return np.asarray(smoothed(f, without_strays(z.imag)) / without_strays(np.abs(z)))


def _negative(f: Real, z: Complex, where: Mask) -> float:
    """Frequency about which the reactance is negative among the points `where` (n,); 0 where it is not."""
    negative = where & (_reactance(f, z) < -NEGATIVE)
    runs = np.flatnonzero(negative & np.roll(negative, 1) & np.roll(negative, -1))
    return float(f[runs[len(runs) // 2]]) if len(runs) else 0.0


def _spoilt(curve: ImpedanceCurve, used: Mask) -> str | None:
    """Say why a curve is nothing's: it scatters, or breaks the Kramers-Kronig relations."""
    scatter = roughness(np.log(curve.impedance_ohm[used]))
    if scatter > DESCRIBED:
        return f"it scatters by {100.0 * scatter:.0f} % from point to point"
    return broken_law(curve, used)


def _coil_leads(f: Real, z: Complex, fs: float) -> float:
    """Frequency above the resonance from which the reactance is the coil's: once positive, a bare driver's remains so."""
    leads = f[(f > BELOW * fs) & (_reactance(f, z) > NEGATIVE)]
    return float(leads[0]) if len(leads) else math.inf


def begun_late(curve: ImpedanceCurve) -> TsfitError | None:
    """Refuse the curve of a recording that began amid its excitation; None where it did not."""
    return refused(curve.source, "cut_off") if any(note.code == "cut_off" for note in curve.notes) else None


def _capacitor(curve: ImpedanceCurve) -> TsfitError:
    f, z = curve.frequency_hz, curve.impedance_ohm
    farad = -1.0 / (2.0 * math.pi * float(np.median((f * z.imag)[f <= 2.0 * f[0]])))
    return refused(curve.source, "capacitor", microfarad=1e6 * farad)
