"""The bench file: one driver, its rig, its sweeps, as a person writes them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from tsfit.base.notes import QualityNote
from tsfit.driver.air import COLDEST, DENSEST, REFERENCE_AIR, THINNEST, WARMEST, Air
from tsfit.driver.curve import OtherCoil, State, StateKind
from tsfit.driver.formulas import COLDEST_COIL, HOTTEST_COIL, Wiring
from tsfit.fitting.model import Known
from tsfit.formats.toml import Table

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


def write_bench(path: Path, rig: Path, driver: dict[str, Any], sweeps: list[SweepTable]) -> None:
    """Write a new bench file beside its recordings; the rig is named relative to it where that is possible.

    Raises
    ------
    TsfitError
        ``exists`` or ``cannot_write``.
    """
    import os

    import tomlkit

    from tsfit.base.files import write_new

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


def stated_or_assumed(
    value: float, stated: float | None, what: str, notes: list[QualityNote], sweep: int | None = None
) -> Known:
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
        found = stated_or_assumed(1e-3 * value, None if stated is None else 1e-3 * stated, what, notes, number)
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
