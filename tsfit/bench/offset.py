"""Small-signal sweeps of a cone that is held aside, against the curves over travel of the same driver.

Held by a little pressure in a sealed box, or otherwise without current, it moves about its offset as a linear driver: Re,
Fs and Qes of that sweep and the moving mass give Bl there and what the suspension adds per length, d(K x)/dx.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.base.intervals import COVERAGE_FACTOR
from tsfit.base.notes import QualityNote
from tsfit.bench.file import BenchTable, SweepTable, area_of, known_or_assumed, state_of
from tsfit.bench.fit import read_sweeps
from tsfit.capture.impedance import GainTrim, Heard, impedance_of
from tsfit.capture.rig import Rig
from tsfit.circuit.coil import COIL_MODELS, laplace
from tsfit.circuit.load import BOX_AIR_LOAD, air_load_change, box_compliance
from tsfit.driver.covariance import covariance_of
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.fit_result import FitResult
from tsfit.driver.formulas import compliance, force_factor
from tsfit.driver.record import Driver
from tsfit.driver.travel_result import HeldOffset, TravelResult
from tsfit.fitting.fit import fit
from tsfit.travel.fit import Settled
from tsfit.travel.limits import BLOCKED_AT, ScaleErrors, held_at

ASSUMED_MM = 0.2
"""Standard uncertainty of an offset that states none, read with a depth gauge: common practice, no source."""
CURVES = {"Bl": "force factor", "K": "stiffness", "L": "inductance"}


@dataclass(frozen=True)
class _Spring:
    """What a test box adds to the cone: N/m and kg, with standard uncertainties."""

    stiffness: float = 0.0
    stiffness_stdev: float = 0.0
    mass: float = 0.0
    mass_stdev: float = 0.0


def held_offsets(
    path: Path, table: BenchTable, rig: Rig, driver: Driver, settled: Settled, scale: ScaleErrors, told: TravelResult,
    on_step: Callable[[str], None],
) -> tuple[HeldOffset, ...]:  # fmt: skip
    """Return what the sweeps at held offsets of a bench say, each held against full travel where that went so far.

    Raises TsfitError as the fit of each sweep; ``no_area`` for one in a closed box of a driver without area.
    """
    sweeps = [sweep for sweep in table.sweep if sweep.offset_mm is not None]
    if not sweeps:
        return ()
    read = read_sweeps(path, table.model_copy(update={"sweep": sweeps}), rig, 48, on_step)
    curves = [impedance_of(one, GainTrim()) if isinstance(one, Heard) else one for one in read]
    reached = float(told.curves.x_m[0]), float(told.curves.x_m[-1])
    ladder = {name: told.parameters[name].value for name in ("Le", "L2", "R2")}
    at_rest = _inductance("ladder-2", ladder, driver.Fs) / (ladder["Le"] + ladder["L2"])
    found = []
    for sweep, curve in zip(sweeps, curves, strict=True):
        on_step(f"fitting {sweep.recording or sweep.curve}")
        own, spread, fs = _incremental(_fit(sweep, curve), driver, _spring(path, table, sweep, driver), at_rest)
        x = 1e-3 * (sweep.offset_mm or 0.0)
        stdev = 1e-3 * (ASSUMED_MM if sweep.offset_uncertainty_mm is None else sweep.offset_uncertainty_mm)
        agreement: Mapping[str, float] = {}
        if reached[0] <= x <= reached[1]:
            theirs, their_spread = held_at(settled, scale, x, stdev, fs / driver.Fs)
            apart = np.abs(own - theirs) / (COVERAGE_FACTOR * np.hypot(spread, their_spread))
            agreement = dict(zip(CURVES, apart.tolist(), strict=True))
        (bl, k, inductance), (bl_stdev, k_stdev, l_stdev) = own.tolist(), spread.tolist()
        name = sweep.recording or sweep.curve or ""
        found.append(HeldOffset(name, x, stdev, bl, bl_stdev, k, k_stdev, inductance, l_stdev, agreement))
    return tuple(found)


def _fit(sweep: SweepTable, curve: ImpedanceCurve) -> FitResult:
    """Fit one curve as if in free air; the air in a box counts as part of the suspension."""
    return fit([(curve, State(air=state_of(sweep).air))], name=sweep.recording or sweep.curve or "")


def _inductance(coil: str, values: Mapping[str, float], fs: float) -> float:
    """Reactance of a coil at the frequency at which it counts, over ω, H."""
    s = laplace([BLOCKED_AT * fs])
    found, _ = COIL_MODELS[coil].evaluate(s, values)
    return float(found[0].imag / s[0].imag)


def _incremental(one: FitResult, driver: Driver, box: _Spring, at_rest: float) -> tuple[Real, Real, float]:
    """Bl, stiffness and L (3,) of a sweep with their standard uncertainties (3,), without that of Mms, and its Fs."""
    names = ("Re", "Fs", "Qes")
    re, fs, qes = (one.parameters[name].value for name in names)
    relative = covariance_of(one, names, [one.parameters[name].stdev / one.parameters[name].value for name in names])
    mass = float(driver.Mms or 0.0) + box.mass
    moving, whole = box.mass_stdev / mass, 1.0 / float(compliance(fs, mass))
    by_bl = np.array([0.5, 0.5, -0.5])
    bl = float(force_factor(fs, mass, re, qes))
    inductance = _inductance(one.driver.coil, one.driver.coil_values, driver.Fs) / at_rest
    coil = one.parameters["Le_1kHz"]
    spread = (
        bl * math.hypot(math.sqrt(float(by_bl @ relative @ by_bl)), 0.5 * moving),
        math.hypot(whole * math.hypot(2.0 * math.sqrt(relative[1, 1]), moving), box.stiffness_stdev),
        inductance * coil.stdev / coil.value,
    )
    return np.array([bl, whole - box.stiffness, inductance]), np.array(spread), fs


def _spring(path: Path, table: BenchTable, sweep: SweepTable, driver: Driver) -> _Spring:
    if sweep.volume_l is None:
        return _Spring()
    area, _ = area_of(table.driver)
    sd = driver.Sd if area is None else area.value
    if sd is None:
        message = (
            f"{path}: a sweep at a held offset is in a closed box, and nothing tells the cone's area, by which the air of "
            "the box is taken off; give effective_diameter_cm or sd_cm2 in [driver]."
        )
        raise TsfitError(message, code="no_area", file=path)
    volume = known_or_assumed(sweep.volume_l, sweep.volume_uncertainty_l, "volume")
    off = 0.01 if area is None else area.uncertainty / area.value
    air = state_of(sweep).air
    stiffness, gain = sd**2 / float(box_compliance(1e-3 * volume.value, air)), float(air_load_change(sd, air))
    relative = math.hypot(volume.uncertainty / volume.value, 2.0 * off)
    return _Spring(stiffness, stiffness * relative, BOX_AIR_LOAD[0] * gain, BOX_AIR_LOAD[1] * gain)


def agreement_of(offsets: Sequence[HeldOffset], told: TravelResult) -> tuple[QualityNote, ...]:
    """Say whether what held offsets tell agrees with full travel, `told`."""
    compared = [(value, name, one) for one in offsets for name, value in one.E_n.items()]
    if not compared:
        return ()
    worst, name, at = max(compared, key=lambda each: each[0])
    count = len({one.recording for _, _, one in compared})
    say = f"{count} sweeps with the cone held aside say" if count > 1 else "1 sweep with the cone held aside says"
    if worst <= 1.0:
        message = f"{say} the same as full travel within both uncertainties (largest E_n {in_figures(worst, 2)})."
        return (QualityNote("held_offset", "note", message),)
    what = (
        f"Held at {in_figures(1e3 * at.x_m, 3, sign='+')} mm the {CURVES[name]} is not what full travel tells (E_n "
        f"{in_figures(worst, 2)}, above 1)"
    )
    if not told.outward_known and _turned_about(offsets, told):
        message = (
            f"{what}, but all agree with every sign turned: a positive voltage moves this cone inward, or offset_mm was "
            "counted inward; change the signs of offset_mm, or swap the driver's terminals for full travel."
        )
        return (QualityNote("held_offset", "warn", message),)
    message = (
        f"{what}: look at the zero and the sign of offset_mm, whether the box held its pressure, and the full scales of "
        "the rig."
    )
    return (QualityNote("held_offset", "warn", message),)


def _turned_about(offsets: Sequence[HeldOffset], told: TravelResult) -> bool:
    """Whether force factor and inductance agree with full travel where every offset lies on the other side."""
    curves, worst = told.curves, 0.0
    x = np.asarray(curves.x_m)
    for one in (each for each in offsets if each.E_n):
        for y, spread, own, own_stdev in (
            (curves.Bl, curves.Bl_stdev, one.Bl, one.Bl_stdev), (curves.L, curves.L_stdev, one.L, one.L_stdev)
        ):  # fmt: skip
            slope = float(np.interp(-one.x_m, x, np.gradient(np.asarray(y), x)))
            stdev = math.hypot(float(np.interp(-one.x_m, x, spread)), own_stdev, slope * one.x_stdev_m)
            worst = max(worst, abs(own - float(np.interp(-one.x_m, x, y))) / (COVERAGE_FACTOR * stdev))
    return worst <= 1.0
