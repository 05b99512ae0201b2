"""The bench file: one driver, its rig, its sweeps, as a person writes them."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Literal, cast, get_args

from pydantic import Field, model_validator

from tsfit.base.errors import TsfitError
from tsfit.base.files import write_new
from tsfit.base.notes import QualityNote
from tsfit.capture.rig import Rig
from tsfit.driver.air import COLDEST, DENSEST, REFERENCE_AIR, THINNEST, WARMEST, Air
from tsfit.driver.curve import OtherCoil, State, StateKind
from tsfit.driver.formulas import COLDEST_COIL, HOTTEST_COIL, Wiring
from tsfit.fitting.sweep import Known
from tsfit.formats.toml import Table

NotNegative = Annotated[float, Field(ge=0, le=1e9)]
FullScale = Annotated[float, Field(ge=1e-6, le=1e6)]
DrivenKind = Literal["full travel", "power run"]
"""States that are no small-signal sweeps: a fit leaves them to the commands that are made for them."""
ASSUMED_RELATIVE = {"mass": 0.005, "volume": 0.02, "area": 0.01, "dc resistance": 0.005}
"""Relative standard uncertainty where the bench file states none: common practice, no source."""


TEMPLATE = ("My driver", 21.0)
"""Name and diameter (cm) in the bench file of a new folder."""


class BenchDriverTable(Table):
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
    coil_alpha_per_k: Annotated[float, Field(ge=1e-3, le=1e-2)] | None = None
    outward: Literal["positive"] | None = None
    """Where the polarity was checked: which way the cone moves while the voltage is positive."""
    described_in: Annotated[str | None, Field(alias="from")] = None
    """Fit or driver file that tells what the bench's own small-signal sweeps do not."""

    @model_validator(mode="after")
    def _one_area(self) -> BenchDriverTable:
        if self.effective_diameter_cm is not None and self.sd_cm2 is not None:
            raise ValueError("both effective_diameter_cm and sd_cm2 are given; keep the one you measured")
        return self


class SweepTable(Table):
    """One ``[[sweep]]``."""

    recording: str | None = None
    curve: str | None = None
    columns: str | None = None
    """What the columns of the curve are, where its header does not tell: "Hz, ohm, degrees"."""
    excitation: str | None = None
    """Sound file that was played."""
    state: StateKind | DrivenKind
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
    total_v_full_scale: FullScale | None = None
    reference_v_full_scale: FullScale | None = None
    driver_v_full_scale: FullScale | None = None
    offset_mm: Annotated[float, Field(ge=-200, le=200)] | None = None
    """Where the cone was held, outward of rest."""
    offset_uncertainty_mm: NotNegative | None = None
    settle_s: NotNegative | None = None
    period_s: Annotated[float, Field(gt=0, le=1e4)] | None = None
    ambient_temperature_c: Annotated[float, Field(ge=COLDEST, le=WARMEST)] | None = None

    @property
    def driven(self) -> bool:
        """Whether it is no small-signal sweep."""
        return self.state in get_args(DrivenKind)

    @property
    def at_rest(self) -> bool:
        """Whether it is a small-signal sweep of a cone that nothing holds aside."""
        return not self.driven and self.offset_mm is None

    def second_v_full_scale(self, rig: Rig) -> float | None:
        """Peak volts that read as full scale on the second channel of `rig`, where the sweep states its own.

        Raises TsfitError ``wrong_key`` for those of a channel that the rig does not have.
        """
        own = {"shunt": self.reference_v_full_scale, "divider": self.driver_v_full_scale}
        if any(value is not None and topology != rig.topology for topology, value in own.items()):
            wrong, right = ("reference", "driver") if rig.topology == "divider" else ("driver", "reference")
            message = (
                f"{rig.path}: is a {rig.topology}; state {right}_v_full_scale in its sweeps, not {wrong}_v_full_scale."
            )
            raise TsfitError(message, code="wrong_key", file=rig.path)
        return own[rig.topology]

    @model_validator(mode="after")
    def _complete(self) -> SweepTable:
        if (self.recording is None) == (self.curve is None):
            raise ValueError("give either recording or curve, one of them")
        if self.columns is not None and self.curve is None:
            raise ValueError("columns belongs to a curve, not to a recording")
        if self.excitation is not None and self.recording is None:
            raise ValueError("excitation belongs to a recording, which it is held against; a curve has none")
        for state, key in (("added mass", "mass_g"), ("closed box", "volume_l")):
            if self.state == state and getattr(self, key) is None:
                raise ValueError(f"state {state!r} needs {key}")
            if self.state != state and getattr(self, key) is not None:
                raise ValueError(f"{key} belongs to state {state!r}, not to {self.state!r}")
        if self.driven and self.recording is None:
            raise ValueError(f"state {self.state!r} needs a recording of both channels, not a curve")
        for state, keys in (("full travel", ("settle_s", "period_s")), ("power run", ("ambient_temperature_c",))):
            for key in keys:
                if self.state != state and getattr(self, key) is not None:
                    raise ValueError(f"{key} belongs to state {state!r}, not to {self.state!r}")
        if self.offset_mm is None and self.offset_uncertainty_mm is not None:
            raise ValueError("offset_uncertainty_mm has no offset_mm beside it")
        if self.offset_mm is not None and self.state not in ("free air", "closed box"):
            raise ValueError(f"offset_mm belongs to a sweep in free air or a closed box, not to {self.state!r}")
        if self.level_v is not None and self.level_dbfs is not None:
            raise ValueError("both level_v and level_dbfs are given; keep one of them")
        if self.other_coil is not None and self.wiring != "one coil":
            raise ValueError('other_coil belongs to wiring = "one coil"; with both coils wired there is no other')
        return self


class BenchTable(Table):
    """A whole bench file."""

    rig: str | None = None
    trim: Literal["dc resistance"] | None = None
    driver: BenchDriverTable
    sweep: Annotated[list[SweepTable], Field(min_length=1)]
    hold: dict[str, str | float] = Field(default_factory=dict)
    bounds: dict[str, Annotated[list[str | float], Field(min_length=2, max_length=2)]] = Field(default_factory=dict)

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


def write_bench(
    path: Path, rig: Path, driver: BenchDriverTable, sweeps: Sequence[SweepTable], *, replace: bool = False
) -> None:
    """Write a bench file, the rig relative to it where possible. Raises TsfitError ``exists`` or ``cannot_write``."""
    import tomlkit

    document = tomlkit.document()
    try:
        document["rig"] = Path(os.path.relpath(rig.resolve(), path.parent.resolve())).as_posix()
    except ValueError:
        document["rig"] = rig.resolve().as_posix()
    document["driver"] = driver.model_dump(exclude_unset=True, exclude_none=True, by_alias=True)
    tables = tomlkit.aot()
    for sweep in sweeps:
        tables.append(tomlkit.item(sweep.model_dump(exclude_none=True)))
    document["sweep"] = tables
    write_new(path, tomlkit.dumps(document), replace=replace)


def known_or_assumed(value: float, stated: float | None, what: str) -> Known:
    """Value with its stated uncertainty, or with the one assumed for what it is of."""
    return Known(value, ASSUMED_RELATIVE[what] * value if stated is None else stated)


def assumption(stated: float | None, what: str, key: str, sweep: int | None = None) -> tuple[QualityNote, ...]:
    """Say that an uncertainty is assumed, where none is stated by its `key` of the bench file."""
    if stated is not None:
        return ()
    share = f"{100.0 * ASSUMED_RELATIVE[what]:g} %"
    message = f"The {what} is believed to ±{share}; state {key}."
    return (QualityNote("assumed_uncertainty", "note", message, sweep),)


def untouched(path: Path, driver: BenchDriverTable) -> tuple[QualityNote, ...]:
    """Warn of name and diameter that a new folder's bench file came with."""
    if (driver.name, driver.effective_diameter_cm) != TEMPLATE:
        return ()
    message = (
        f"{path.name} still has the name and the diameter that it came with ({TEMPLATE[0]}, {TEMPLATE[1]:g} cm), on which "
        "Vas and Sd hang; write those of your driver."
    )
    return (QualityNote("template", "warn", message),)


def assumed_in(sweep: SweepTable, number: int) -> tuple[QualityNote, ...]:
    """Say which uncertainties of a sweep are assumed."""
    mass, volume = sweep.mass_uncertainty_g, sweep.volume_uncertainty_l
    return (
        *(() if sweep.mass_g is None else assumption(mass, "mass", "mass_uncertainty_g", number)),
        *(() if sweep.volume_l is None else assumption(volume, "volume", "volume_uncertainty_l", number)),
    )


def state_of(sweep: SweepTable) -> State:
    """State of one small-signal sweep in SI, uncertainties assumed where none are stated."""

    def known(value: float | None, stated: float | None, what: str) -> tuple[float | None, float | None]:
        if value is None:
            return None, None
        found = known_or_assumed(1e-3 * value, None if stated is None else 1e-3 * stated, what)
        return found.value, found.uncertainty

    mass, mass_uncertainty = known(sweep.mass_g, sweep.mass_uncertainty_g, "mass")
    volume, volume_uncertainty = known(sweep.volume_l, sweep.volume_uncertainty_l, "volume")
    return State(
        kind=cast(StateKind, sweep.state),
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


def area_of(driver: BenchDriverTable) -> tuple[Known | None, tuple[QualityNote, ...]]:
    """Effective area in m², None where neither it nor a diameter is given, and whether its uncertainty is assumed."""
    if driver.sd_cm2 is not None:
        area, stated, key = 1e-4 * driver.sd_cm2, driver.sd_uncertainty_cm2, "sd_uncertainty_cm2"
        spread = None if stated is None else 1e-4 * stated
    elif driver.effective_diameter_cm is not None:
        diameter, stated = 1e-2 * driver.effective_diameter_cm, driver.effective_diameter_uncertainty_cm
        area, key = math.pi / 4.0 * diameter**2, "effective_diameter_uncertainty_cm"
        spread = None if stated is None else 2.0 * area * 1e-2 * stated / diameter
    else:
        return None, ()
    return known_or_assumed(area, spread, "area"), assumption(spread, "area", key)
