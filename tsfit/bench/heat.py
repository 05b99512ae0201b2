"""From a bench file with a power run to the coil's thermal network."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

from tsfit.base.errors import TsfitError
from tsfit.base.files import sha256
from tsfit.base.notes import QualityNote
from tsfit.bench.file import BenchTable
from tsfit.bench.fit import described, made_from
from tsfit.capture.absolute import electrical_blocks, scale_of
from tsfit.capture.rig import read_rig
from tsfit.driver.formulas import COPPER_PER_K, over_20c
from tsfit.driver.heat_result import HeatResult
from tsfit.formats.toml import read_toml
from tsfit.heating.fit import Surroundings, fit_heat
from tsfit.heating.readout import read_out

ASSUMED_AMBIENT_C = 20.0
ALPHA_UNCERTAINTY = 0.005
"""Relative standard uncertainty of the temperature coefficient of a coil: pure or clad wire, common practice, no source."""
BLOCK_S = 16.0


def heat_bench(path: Path, *, on_step: Callable[[str], None] = lambda step: None) -> HeatResult:
    """Fit the coil's heat of the power run that a bench file names.

    The driver's circuit is that of its ``[driver] from``, else the bench's own small-signal sweeps are fitted first.

    Raises TsfitError for whatever is wrong with the file, a recording or a fit; ``no_run`` unless there is one power run.
    """
    table = read_toml(path, BenchTable, "bench")
    runs = [sweep for sweep in table.sweep if sweep.state == "power run"]
    if len(runs) != 1 or table.rig is None:
        message = f'{path}: names {len(runs)} sweeps of state = "power run"; keep the one to be fitted.'
        if not runs:
            message = f'{path}: no sweep has the state "power run"; record one (tsfit guide heat).'
        raise TsfitError(message, code="no_run", file=path)
    run, (driver, _) = runs[0], described(path, table, on_step)
    rig = read_rig(path.parent / table.rig)
    scale = scale_of(rig, run.total_v_full_scale, run.second_v_full_scale(rig))
    recording = path.parent / (run.recording or "")
    on_step(f"reading {run.recording}")
    with ThreadPoolExecutor(1) as beside:
        rate, blocks = electrical_blocks(recording, scale, BLOCK_S)
        digest = beside.submit(sha256, recording)
        readings = read_out(blocks, rate, driver)
    notes = []
    ambient = run.ambient_temperature_c
    if ambient is None:
        ambient = ASSUMED_AMBIENT_C
        assumed = f"{ambient:g} °C is assumed, and coil temperatures are as far off"
        message = f"No ambient_temperature_c is stated; {assumed}: state it."
        notes.append(QualityNote("assumed_ambient", "note", message))
    per_k = table.driver.coil_alpha_per_k or COPPER_PER_K
    around = Surroundings(
        ambient_c=ambient,
        alpha=per_k / over_20c(ambient, per_k),
        alpha_uncertainty=ALPHA_UNCERTAINTY,
        power_uncertainty=scale.power_uncertainty,
        lead_stdev_ohm=scale.lead_stdev_ohm,
    )
    on_step("fitting")
    provenance = {
        **made_from(path),
        "run": {**run.model_dump(exclude_none=True), "sha256": digest.result()},
        "coil_alpha_per_k": per_k,
    }
    try:
        result = fit_heat(readings, driver, around, provenance)
    except TsfitError as error:
        raise TsfitError(f"{recording}: {error.message}", code=error.code, file=recording) from error
    return replace(result, quality=(*notes, *result.quality))
