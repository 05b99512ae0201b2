"""The bench file: one driver, its rig, its sweeps, and the road from there to a fit."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from tsfit.air import COLDEST, DENSEST, REFERENCE_AIR, THINNEST, WARMEST, Air
from tsfit.capture.calibration import CalibrationReader
from tsfit.capture.rig import Rig
from tsfit.driver import COLDEST_COIL, HOTTEST_COIL, Wiring
from tsfit.errors import TsfitError
from tsfit.fitting.fit import fit
from tsfit.fitting.model import Known
from tsfit.records import FitResult, ImpedanceCurve, OtherCoil, QualityNote, State, StateKind
from tsfit.toml_file import Table, read_toml

NotNegative = Annotated[float, Field(ge=0, le=1e9)]

ASSUMED_RELATIVE = {"mass": 0.005, "volume": 0.02, "area": 0.01, "dc resistance": 0.005}
"""Relative standard uncertainty where the bench file states none: common practice, no source."""


class DriverTable(Table):
    """``[driver]``."""

    name: Annotated[str, Field(min_length=1)]
    serial: str | None = None
    effective_diameter_cm: Annotated[float, Field(ge=0.1, le=200)] | None = None
    effective_diameter_uncertainty_cm: NotNegative | None = None
    sd_cm2: Annotated[float, Field(ge=0.01, le=31000)] | None = None
    sd_uncertainty_cm2: NotNegative | None = None
    coils: Literal[1, 2] = 1
    dc_resistance_ohm: Annotated[float, Field(ge=0.01, le=1e5)] | None = None
    dc_resistance_uncertainty_ohm: NotNegative | None = None

    @model_validator(mode="after")
    def _one_area(self) -> DriverTable:
        if self.effective_diameter_cm is not None and self.sd_cm2 is not None:
            raise ValueError("both effective_diameter_cm and sd_cm2 are given; keep the one you measured")
        return self


class SweepTable(Table):
    """One ``[[sweep]]``."""

    recording: str | None = None
    curve: str | None = None
    state: StateKind
    mass_g: Annotated[float, Field(ge=1e-4, le=1e5)] | None = None
    mass_uncertainty_g: NotNegative | None = None
    volume_l: Annotated[float, Field(ge=1e-4, le=1e5)] | None = None
    volume_uncertainty_l: NotNegative | None = None
    wiring: Wiring | None = None
    other_coil: OtherCoil | None = None
    coil_temperature_c: Annotated[float, Field(ge=COLDEST_COIL, le=HOTTEST_COIL)] | None = None
    air_temperature_c: Annotated[float, Field(ge=COLDEST, le=WARMEST)] = REFERENCE_AIR.temperature_c
    pressure_hpa: Annotated[float, Field(ge=THINNEST, le=DENSEST)] = REFERENCE_AIR.pressure_hpa
    humidity_percent: Annotated[float, Field(ge=0, le=100)] = REFERENCE_AIR.humidity_percent
    level_v: Annotated[float, Field(ge=1e-6, le=1e3)] | None = None
    """Peak volts at the total channel."""
    level_dbfs: Annotated[float, Field(ge=-200, le=0)] | None = None

    @model_validator(mode="after")
    def _complete(self) -> SweepTable:
        if (self.recording is None) == (self.curve is None):
            raise ValueError("give either recording or curve, one of them")
        for state, key in (("added mass", "mass_g"), ("closed box", "volume_l")):
            if self.state == state and getattr(self, key) is None:
                raise ValueError(f"state {state!r} needs {key}")
            if self.state != state and getattr(self, key) is not None:
                raise ValueError(f"{key} belongs to state {state!r}, not to {self.state!r}")
        if self.level_v is not None and self.level_dbfs is not None:
            raise ValueError("both level_v and level_dbfs are given; keep one of them")
        if self.other_coil is not None and self.wiring != "one coil":
            raise ValueError('other_coil belongs to wiring = "one coil"; with both coils wired there is no other')
        return self


class BenchTable(Table):
    """A whole bench file."""

    rig: str | None = None
    trim: Literal["dc resistance"] | None = None
    driver: DriverTable
    sweep: Annotated[list[SweepTable], Field(min_length=1)]

    @model_validator(mode="after")
    def _rig_for_recordings(self) -> BenchTable:
        if self.rig is None and any(sweep.recording is not None for sweep in self.sweep):
            raise ValueError('the recordings need a rig; add rig = "path.toml"')
        wired = [sweep.wiring is not None for sweep in self.sweep]
        if self.driver.coils == 2 and not all(wired):
            bare = wired.index(False) + 1
            raise ValueError(f'the driver has two coils; give sweep {bare} its wiring: "series", "parallel" or "one coil"')
        if self.driver.coils == 1 and any(wired):
            raise ValueError("wiring is for drivers with two coils; add coils = 2 to [driver], or leave wiring out")
        if self.trim is not None and self.driver.dc_resistance_ohm is None:
            raise ValueError("trim needs dc_resistance_ohm in [driver]")
        if self.trim is not None and any(sweep.curve is not None for sweep in self.sweep):
            raise ValueError("trim works on recordings only; a finished curve has no channel gains left to trim")
        return self


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
        meter = _known(table.driver.dc_resistance_ohm, table.driver.dc_resistance_uncertainty_ohm, "dc resistance", notes)
        if table.trim is None:
            notes += _witness(result, meter, rig)
        elif rig is not None:
            result, note = _trimmed(run, result, meter, rig)
            notes.append(note)
    return replace(result, quality=(*notes, *result.quality))


def write_bench(path: Path, rig: Path, driver: dict[str, Any], sweeps: list[SweepTable]) -> None:
    """Write a new bench file beside its recordings; the rig is named relative to it where that is possible.

    Raises
    ------
    TsfitError
        ``exists`` or ``cannot_write``.
    """
    import os

    import tomlkit

    from tsfit.files import write_new

    document = tomlkit.document()
    try:
        document["rig"] = Path(os.path.relpath(rig.resolve(), path.parent.resolve())).as_posix()
    except ValueError:
        document["rig"] = rig.resolve().as_posix()
    document["driver"] = driver
    tables = tomlkit.aot()
    for sweep in sweeps:
        tables.append(tomlkit.item(sweep.model_dump(exclude_none=True)))
    document["sweep"] = tables
    write_new(path, tomlkit.dumps(document))


def _fit_curve(path: Path, coil: str | None, suspension: str | None) -> FitResult:
    from tsfit.fitting.curve import read_curve

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
        from tsfit.fitting.curve import read_curve

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


def _known(value: float, stated: float | None, what: str, notes: list[QualityNote], sweep: int | None = None) -> Known:
    """Take the stated uncertainty, or assume one and say so."""
    if stated is not None:
        return Known(value, stated)
    share = ASSUMED_RELATIVE[what]
    message = f"No uncertainty of the {what} is stated; {100.0 * share:g} % is assumed."
    notes.append(QualityNote("assumed_uncertainty", "note", message, sweep))
    return Known(value, share * value)


def state_of(sweep: SweepTable, notes: list[QualityNote] | None = None, number: int = 0) -> State:
    """State of one sweep in SI; assumed uncertainties are remarked in `notes`."""
    notes = [] if notes is None else notes

    def known(value: float | None, stated: float | None, what: str) -> tuple[float | None, float | None]:
        if value is None:
            return None, None
        found = _known(1e-3 * value, None if stated is None else 1e-3 * stated, what, notes, number)
        return found.value, found.uncertainty

    mass, mass_uncertainty = known(sweep.mass_g, sweep.mass_uncertainty_g, "mass")
    volume, volume_uncertainty = known(sweep.volume_l, sweep.volume_uncertainty_l, "volume")
    return State(
        kind=sweep.state,
        mass=mass,
        mass_uncertainty=mass_uncertainty,
        volume=volume,
        volume_uncertainty=volume_uncertainty,
        wiring=sweep.wiring,
        other_coil=sweep.other_coil or "open",
        coil_temperature_c=sweep.coil_temperature_c,
        air=Air(sweep.air_temperature_c, sweep.pressure_hpa, sweep.humidity_percent),
        level_v=sweep.level_v,
        level_dbfs=sweep.level_dbfs,
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
        return _known(1e-4 * driver.sd_cm2, stated, "area", notes)
    if driver.effective_diameter_cm is None:
        return None
    diameter = 1e-2 * driver.effective_diameter_cm
    area = math.pi / 4.0 * diameter**2
    spread = driver.effective_diameter_uncertainty_cm
    return _known(area, None if spread is None else 2.0 * area * 1e-2 * spread / diameter, "area", notes)


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

    from tsfit.files import sha256

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
    return apart / re.value, abs(apart) > 2.0 * math.hypot(meter.uncertainty, re.stdev)


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
