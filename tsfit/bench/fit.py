"""From a bench file, or a lone curve, to the fit."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from tsfit.base.errors import TsfitError
from tsfit.base.intervals import COVERAGE_FACTOR
from tsfit.base.notes import QualityNote
from tsfit.bench.file import BenchTable, DriverTable, SweepTable, state_of, stated_or_assumed
from tsfit.capture.calibration import CalibrationReader
from tsfit.capture.rig import Rig
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.fit_result import FitResult
from tsfit.fitting.fit import fit
from tsfit.fitting.model import Known
from tsfit.formats.toml import read_toml


def fit_bench(
    path: Path,
    *,
    coil: str | None = None,
    suspension: str | None = None,
    points_per_octave: int = 48,
    on_step: Callable[[str], None] = lambda step: None,
) -> FitResult:
    """Fit everything that a bench file names, or a lone impedance curve.

    Parameters
    ----------
    path : Path
        Bench file (TOML), or an impedance text or Touchstone file, which counts as one free-air sweep.
    coil, suspension : str, optional
        Force a circuit model.
    points_per_octave : int
        Density of the curves made from recordings.
    on_step : callable
        Told what is being done, for a progress display.

    Raises
    ------
    TsfitError
        Whatever is wrong with the file, a recording, or the fit.
    """
    if path.suffix.lower() != ".toml":
        return _fit_curve(path, coil, suspension)
    table = read_toml(path, BenchTable, "bench")
    rig = None if table.rig is None else _read_rig(path.parent / table.rig)
    calibration = None if rig is None else CalibrationReader(rig)
    notes: list[QualityNote] = []
    states = [state_of(sweep, notes, number) for number, sweep in enumerate(table.sweep)]
    states = _as_played(path, table, states, notes)
    sd = _area(table.driver, notes)

    def run(gain: float, gain_uncertainty: float) -> FitResult:
        curves = []
        for sweep in table.sweep:
            on_step(f"reading {sweep.recording or sweep.curve}")
            curves.append(_curve(path, sweep, calibration, points_per_octave, gain, gain_uncertainty))
        _same_rate(curves)
        on_step("fitting")
        return fit(
            list(zip(curves, states, strict=True)),
            name=table.driver.name,
            serial=table.driver.serial,
            sd=sd,
            coil=coil,
            suspension=suspension,
            provenance=_provenance(path, table, curves),
        )

    result = run(1.0, 0.0)
    if table.driver.dc_resistance_ohm is not None:
        meter = stated_or_assumed(
            table.driver.dc_resistance_ohm, table.driver.dc_resistance_uncertainty_ohm, "dc resistance", notes
        )
        if table.trim is None:
            notes += _witness(result, meter, rig)
        elif rig is not None:
            result, note = _trimmed(run, result, meter, rig)
            notes.append(note)
    return replace(result, quality=(*notes, *result.quality))


def _fit_curve(path: Path, coil: str | None, suspension: str | None) -> FitResult:
    from tsfit.formats.curve import read_curve

    curve = read_curve(path)
    result = fit(
        [(curve, State())], name=path.stem, coil=coil, suspension=suspension, provenance={"curve": dict(curve.provenance)}
    )
    note = QualityNote(
        "state_assumed",
        "note",
        f"{path.name} counts as free air; if the driver was in a closed box, Fs and the Qs are those of the box system.",
    )
    return replace(result, quality=(note, *result.quality))


def _read_rig(path: Path) -> Rig:
    from tsfit.capture.rig import read_rig

    return read_rig(path)


def _curve(
    path: Path,
    sweep: SweepTable,
    calibration: CalibrationReader | None,
    points_per_octave: int,
    gain: float,
    gain_uncertainty: float,
) -> ImpedanceCurve:
    if sweep.curve is not None:
        from tsfit.formats.curve import read_curve

        return read_curve(path.parent / sweep.curve)
    from tsfit.capture.impedance import impedance_from_recording

    assert calibration is not None
    assert sweep.recording is not None
    return impedance_from_recording(
        path.parent / sweep.recording,
        calibration.rig,
        points_per_octave=points_per_octave,
        gain_ratio=gain,
        gain_ratio_uncertainty=gain_uncertainty,
        calibration=calibration,
    )


def _as_played(path: Path, table: BenchTable, states: list[State], notes: list[QualityNote]) -> list[State]:
    """Add the levels that the conditions beside the recordings tell, where the bench file tells none."""
    from tsfit.capture.recorder import played

    told = [played(path.parent / (sweep.recording or sweep.curve or "")) for sweep in table.sweep]
    kinds = {each.kind for each in told if each.kind is not None}
    if len(kinds) > 1:
        message = f"The sweeps used {' and '.join(sorted(kinds))}, whose peaks do not compare; they count as one level."
        notes.append(QualityNote("mixed_excitation", "note", message))
        return states
    return [
        state
        if (state.level_v, state.level_dbfs) != (None, None)
        else replace(state, level_v=each.level_v, level_dbfs=each.level_dbfs)
        for state, each in zip(states, told, strict=True)
    ]


def _area(driver: DriverTable, notes: list[QualityNote]) -> Known | None:
    if driver.sd_cm2 is not None:
        stated = None if driver.sd_uncertainty_cm2 is None else 1e-4 * driver.sd_uncertainty_cm2
        return stated_or_assumed(1e-4 * driver.sd_cm2, stated, "area", notes)
    if driver.effective_diameter_cm is None:
        return None
    diameter = 1e-2 * driver.effective_diameter_cm
    area = math.pi / 4.0 * diameter**2
    spread = driver.effective_diameter_uncertainty_cm
    return stated_or_assumed(area, None if spread is None else 2.0 * area * 1e-2 * spread / diameter, "area", notes)


def _same_rate(curves: list[ImpedanceCurve]) -> None:
    rates = {curve.source: rate for curve in curves if (rate := curve.provenance.get("sample_rate_hz")) is not None}
    if len(set(rates.values())) > 1:
        told = ", ".join(f"{source} {rate:g} Hz" for source, rate in rates.items())
        odd = list(rates)[-1]
        raise TsfitError(
            f"The recordings of one bench disagree in sample rate ({told}); record all at one rate, a wrong one shifts Fs.",
            code="sample_rate",
            file=odd,
        )


def _provenance(path: Path, table: BenchTable, curves: list[ImpedanceCurve]) -> dict[str, Any]:
    from importlib.metadata import version

    from tsfit.base.files import sha256

    return {
        "software": f"tsfit {version('tsfit')}",
        "bench": {"file": path.name, "sha256": sha256(path)},
        "sweeps": [
            {**sweep.model_dump(exclude_none=True), **curve.provenance}
            for sweep, curve in zip(table.sweep, curves, strict=True)
        ],
    }


def _disagreement(result: FitResult, meter: Known) -> tuple[float, bool]:
    """Relative difference of the ohmmeter from the fitted Re, and whether it is beyond both uncertainties (k = 2)."""
    re = result.parameters["Re"]
    apart = meter.value - re.value
    return apart / re.value, abs(apart) > COVERAGE_FACTOR * math.hypot(meter.uncertainty, re.stdev)


def _witness(result: FitResult, meter: Known, rig: Rig | None) -> list[QualityNote]:
    re = result.parameters["Re"].value
    share, beyond = _disagreement(result, meter)
    if not beyond:
        message = (
            f"The ohmmeter's {meter.value:.4g} ohm and the fitted Re of {re:.4g} ohm agree within their uncertainties."
        )
        return [QualityNote("dc_resistance", "note", message)]
    causes = "a wrong reference value, leads that one of them includes, or a coil at another temperature"
    if rig is not None:
        gain = _gain(rig, meter.value, re)
        causes = (
            f"channel gains that differ by {100.0 * (gain - 1.0):+.1f} %, a reference resistor of "
            f"{rig.reference_ohm * meter.value / re:.4g} ohm instead of {rig.reference_ohm:.4g}, or "
            f"{abs(meter.value - re):.2g} ohm of leads that only one of them includes"
        )
    message = (
        f"The ohmmeter reads {meter.value:.4g} ohm but the sweeps say Re = {re:.4g} ohm, {100.0 * share:+.1f} %: beyond "
        f"both uncertainties. The usual causes would be {causes}. Swap the channels' cables and sweep again to tell, "
        'calibrate the rig, or trust the meter with trim = "dc resistance" in the bench file.'
    )
    return [QualityNote("dc_resistance", "warn", message)]


def _gain(rig: Rig, meter: float, re: float) -> float:
    """Factor on the measured channel ratio that turns a DC resistance `re` into `meter`."""
    return float(abs(rig.ratio(meter) / rig.ratio(re)))


def _trimmed(
    run: Callable[[float, float], FitResult], result: FitResult, meter: Known, rig: Rig
) -> tuple[FitResult, QualityNote]:
    """Trim the channel-gain ratio until the fitted Re is the ohmmeter's; two rounds settle it."""
    first = result.parameters["Re"].value
    gain = 1.0
    for _ in range(2):
        gain *= _gain(rig, meter.value, result.parameters["Re"].value)
        spread = abs(_gain(rig, meter.value + meter.uncertainty, meter.value) - 1.0)
        result = run(gain, gain * spread)
    message = (
        f"The channel-gain ratio was trimmed by {100.0 * (gain - 1.0):+.2f} % so that Re ({first:.4g} ohm at first) equals "
        f"the ohmmeter's {meter.value:.4g} ohm; the parameters stand on that reading."
    )
    return result, QualityNote("trimmed", "warn" if abs(gain - 1.0) > 0.01 else "note", message)
