"""From a bench file with recordings at full travel to how far the driver goes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.causes import refused
from tsfit.base.errors import TsfitError
from tsfit.base.notes import QualityNote
from tsfit.bench.file import BenchTable, SweepTable
from tsfit.bench.fit import described, made_from
from tsfit.bench.offset import agreement_of, held_offsets
from tsfit.capture.absolute import Scale, scale_of
from tsfit.capture.recording import read_recording
from tsfit.capture.rig import Rig, read_rig, refuse_other_rate
from tsfit.circuit.large_signal_start import start_of
from tsfit.driver.fit_result import FitResult
from tsfit.driver.record import Driver, NamedDriver
from tsfit.driver.terminals import Terminals
from tsfit.driver.travel_result import TravelResult
from tsfit.formats.toml import read_toml
from tsfit.travel.fit import settle
from tsfit.travel.level import prepared
from tsfit.travel.limits import ScaleErrors
from tsfit.travel.result import result_of

ASSUMED_MASS = 0.01
"""Relative standard uncertainty of the moving mass of a file that states none: common practice, no source."""
OTHER_RE = 0.03
"""Deviation of Re in volts and amperes from that of the small-signal sweeps, from which a full scale is doubted."""


def travel_bench(path: Path, *, on_step: Callable[[str], None] = lambda step: None) -> TravelResult:
    """Tell how far the driver of a bench goes, from its recordings of state "full travel".

    Its small-signal sweeps set the scale, or the fit or driver file that ``from`` of its ``[driver]`` names.

    Raises TsfitError for whatever is wrong with a file or a recording: ``no_full_travel``, ``two_coils``, ``no_scale``,
    ``incomplete_driver``, ``polarity``, those of `prepared`, `settle`, `read_recording` and of the fit.
    """
    table = read_toml(path, BenchTable, "bench")
    sweeps = [sweep for sweep in table.sweep if sweep.state == "full travel"]
    if not sweeps:
        message = f'{path}: no sweep has the state "full travel"; record some levels, and add a [[sweep]] for each.'
        raise TsfitError(message, code="no_full_travel", file=path)
    if table.driver.coils == 2:
        message = (
            f"{path}: two coils at full travel are not told apart; describe the driver, wired as it is used, in a bench of "
            "its own without coils = 2."
        )
        raise TsfitError(message, code="two_coils", file=path)
    assert table.rig is not None
    rig = read_rig(path.parent / table.rig)
    driver, fit = _described(path, table, on_step)
    start = start_of(driver)
    read = [read_terminals(path, sweep, rig, on_step) for sweep in sweeps]
    levels = [
        prepared(one, start, settle_s=sweep.settle_s, period_s=sweep.period_s)
        for one, sweep in zip(read, sweeps, strict=True)
    ]
    settled = settle(start, levels, on_step)
    known = None if fit is None or "Mms" not in fit.parameters else fit.parameters["Mms"]
    mass = ASSUMED_MASS if known is None else known.stdev / known.value
    causes = np.array([[cause for one in read[:1] for cause in one.scales.values()]]).reshape(-1, 2)
    errors = ScaleErrors(np.append(causes[:, 0], 0.0), np.append(causes[:, 1], 0.0), np.append(0.0 * causes[:, 0], mass))
    notes = [] if known is not None else [_assumed(driver)]
    doubt = settled.problem.driver(settled.x).Re / driver.Re - 1.0
    if abs(doubt) > OTHER_RE:
        notes.append(_doubted(doubt))
    told = result_of(
        settled, errors, NamedDriver(table.driver.name, table.driver.serial),
        outward_known=table.driver.outward is not None, notes=notes, provenance=_provenance(path, sweeps, read),
    )  # fmt: skip
    offsets = held_offsets(path, table, rig, driver, settled, errors, told, on_step)
    return replace(told, offsets=offsets, quality=(*agreement_of(offsets, told), *told.quality))


def _described(path: Path, table: BenchTable, on_step: Callable[[str], None]) -> tuple[Driver, FitResult | None]:
    """The driver at little travel, and the fit that tells it.

    Raises TsfitError ``incomplete_driver`` where nothing tells its moving mass.
    """
    if table.driver.described_in is None and not any(sweep.at_rest for sweep in table.sweep):
        message = (
            f"{path}: recordings at full travel tell no millimetres alone; add small-signal sweeps with an added mass, or "
            'from = "fit.json" to [driver].'
        )
        raise TsfitError(message, code="incomplete_driver", file=path)
    driver, fit = described(path, table, on_step)
    if driver.Mms is None:
        message = f"{path}: without the moving mass no travel can be told; add a sweep with an added mass."
        raise TsfitError(message, code="incomplete_driver", file=path)
    return driver, fit


def read_terminals(path: Path, sweep: SweepTable, rig: Rig, on_step: Callable[[str], None]) -> Terminals:
    """Volts and amperes of one recording of the bench at `path`; raises as `read_recording`, ``polarity``."""
    on_step(f"reading {sweep.recording}")
    name = sweep.recording or ""
    scale = scale_of(rig, sweep.total_v_full_scale, sweep.second_v_full_scale(rig))
    recording = read_recording(path.parent / name)
    refuse_other_rate(rig, recording.path, recording.sample_rate_hz)
    samples = np.asarray(recording.samples, dtype=np.float64)
    volts, amperes = scale.electrical(samples)
    if float(volts @ amperes) <= 0.0:
        raise refused(recording.path, "polarity")
    return Terminals(volts, amperes, recording.sample_rate_hz, _causes(scale, samples), name, recording.sha256)


def _causes(scale: Scale, samples: Real) -> dict[str, tuple[float, float]]:
    """Relative change of volts and amperes for one standard uncertainty of each full scale and of the resistor."""
    volts, amperes = scale.electrical(samples)
    rig, of = scale.rig, scale.rig.full_scale_uncertainty
    resistor = replace(rig, reference_ohm=rig.reference_ohm + rig.reference_stdev)
    changed = {
        "total_v_full_scale": replace(scale, total_v=scale.total_v * (1.0 + of)),
        "second_v_full_scale": replace(scale, second_v=scale.second_v * (1.0 + of)),
        "reference_ohm": replace(scale, rig=resistor),
    }
    found = {}
    for name, other in changed.items():
        u, i = other.electrical(samples)
        found[name] = (float(u @ volts / (volts @ volts)) - 1.0, float(i @ amperes / (amperes @ amperes)) - 1.0)
    return found


def _assumed(driver: Driver) -> QualityNote:
    message = (
        f"{driver.name}: no uncertainty of the moving mass is stated; {100.0 * ASSUMED_MASS:g} % is assumed, half of which "
        "every limit has. A fit with a weighed mass states it: name that."
    )
    return QualityNote("assumed_uncertainty", "note", message)


def _doubted(doubt: float) -> QualityNote:
    message = (
        f"In volts and amperes Re is {100.0 * doubt:+.1f} % from that of the small-signal sweeps: a warm coil, or a wrong "
        "full scale of a channel, which stretches every limit by half as much; measure both full scales again."
    )
    return QualityNote("full_scale", "warn", message)


def _provenance(path: Path, sweeps: list[SweepTable], read: list[Terminals]) -> dict[str, object]:
    return {
        **made_from(path),
        "sweeps": [
            {**sweep.model_dump(exclude_none=True, exclude_unset=True), "sha256": one.sha256}
            for sweep, one in zip(sweeps, read, strict=True)
        ],
    }
