"""What a ramp keeps on disk: a bench file of its levels, from which one that was broken off goes on."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from tsfit.base.errors import TsfitError
from tsfit.base.files import refuse_existing
from tsfit.bench.file import BenchDriverTable, BenchTable, SweepTable, write_bench
from tsfit.bench.ramp import JudgedLevel, Offer, Ramp, at_level, binding, judge_level, next_offer
from tsfit.capture.recorder import conditions_path
from tsfit.capture.stream import StreamReport
from tsfit.formats.toml import load_toml, read_toml

RAISED = {
    "the limit of travel": "--limit-travel-mm",
    "the limit of volts": "--limit-v",
    "the limit of the coil": "--limit-coil-c",
    "the volts asked for": "--level-v",
}
"""Which option lets a level be louder, by what binds it; the rest is the rig's."""


def bench_path(ramp: Ramp) -> Path:
    """Where the bench file of the levels goes."""
    return ramp.stem.with_name(f"{ramp.stem.name}-bench.toml")


def write_levels(ramp: Ramp, driver_file: Path, sweeps: Sequence[SweepTable], *, replace: bool = False) -> Path:
    """Write a bench file of what was recorded, for ``tsfit travel`` and ``tsfit heat``. Raises TsfitError ``exists``."""
    path = bench_path(ramp)
    described = Path(os.path.relpath(driver_file.resolve(), path.parent.resolve())).as_posix()
    table = BenchDriverTable.model_validate({"name": ramp.driver.name, "from": described})
    if replace:  # what was written into it since, such as which way is out, stays
        table = read_toml(path, BenchTable, "bench").driver.model_copy(update={"described_in": described})
    write_bench(path, ramp.rig.path, table, sweeps, replace=replace)
    return path


def taken_up(ramp: Ramp, told: Callable[[Path, int], None] = lambda path, count: None) -> list[JudgedLevel]:
    """Judge again the levels of a ramp that was broken off; none where none was begun.

    `told` hears of the bench file and how many levels it names, before they are judged.

    Raises TsfitError ``exists`` where names are taken by something else, or nothing is left to be played; ``other_rig``,
    ``other_driver`` where it was begun with another; what is wrong with a recording.
    """
    path, judged = bench_path(ramp), list[JudgedLevel]()
    sweeps = _begun(ramp) if path.exists() else []
    if sweeps:
        told(path, len(sweeps))
    else:
        for name in [*(f"{ramp.stem.name}-{k + 1}" for k in range(ramp.count)), f"{ramp.stem.name}-run"]:
            refuse_existing(ramp.stem.with_name(f"{name}.wav"), replace=None)
    for sweep in sweeps:
        offer = next_offer(ramp, judged)
        if offer is None or sweep.state != "full travel":
            raise _complete(ramp, judged, run=sweep.state != "full travel")
        offer = _as_played(ramp, offer, sweep, judged)
        expected = len(offer.excitation.samples)
        # It was whole, else the bench file would not name it.
        report = StreamReport("before", expected, expected, 0.0, None, None)
        judged.append(judge_level(ramp, offer, sweep, report, judged))
    if sweeps and next_offer(ramp, judged) is None:
        raise _complete(ramp, judged)
    return judged


def _begun(ramp: Ramp) -> list[SweepTable]:
    """Sweeps of the bench file of a ramp on the same rig with the same driver."""
    path = bench_path(ramp)
    table = read_toml(path, BenchTable, "bench")
    if (path.parent / str(table.rig)).resolve() != ramp.rig.path.resolve():
        message = f"{path}: was begun on the rig {table.rig}; go on with that, or choose another name with -o."
        raise TsfitError(message, code="other_rig", file=path)
    if table.driver.name != ramp.driver.name:
        message = f"{path}: was begun with {table.driver.name}; go on with that, or choose another name with -o."
        raise TsfitError(message, code="other_driver", file=path)
    return list(table.sweep)


def _as_played(ramp: Ramp, offer: Offer, sweep: SweepTable, judged: Sequence[JudgedLevel]) -> Offer:
    """Return the offer with the level at which it was played, by the conditions beside its recording."""
    path = conditions_path(ramp.stem.with_name(sweep.recording or ""))
    first = judged[0].offer.excitation if judged else offer.excitation
    told = load_toml(path, "conditions").get("excitation")
    played = told if isinstance(told, dict) else {}
    values = [played.get(name) for name in ("level_dbfs", "low_hz", "high_hz", "seconds")]
    numbers = [float(value) for value in values if isinstance(value, float | int)]
    if len(numbers) < len(values):
        message = f"{path}: does not say what was played; choose another name with -o."
        raise TsfitError(message, code="no_conditions", file=path)
    level, *edges = numbers
    wanted = (first.low_hz, first.high_hz, first.seconds)
    if not all(math.isclose(a, b, rel_tol=1e-6) for a, b in zip(edges, wanted, strict=True)):
        message = (
            f"{path}: another signal was played then, as for another Fs; go on with the same --driver file, or choose "
            "another name with -o."
        )
        raise TsfitError(message, code="other_driver", file=path)
    # Whether it was the last is asked anew, for the limits may be higher now.
    return replace(offer, excitation=at_level(first, level), last=False, run=False)


def _complete(ramp: Ramp, judged: Sequence[JudgedLevel], *, run: bool = False) -> TsfitError:
    """Say which of three reasons keeps anything from being played after the levels that were judged."""
    path = bench_path(ramp)
    if run:
        reason = "its power run is recorded, and nothing is left to be played; choose another name with -o."
    elif not judged[-1].usable:
        refusal = next(note.message for note in judged[-1].notes if note.severity == "refuse")
        reason = f"its last level forbids a louder one. {refusal} Then choose another name with -o."
    else:
        bound = binding(ramp, judged[-1])
        higher = f"give the same command a higher {RAISED[bound]}" if bound in RAISED else "another rig goes louder"
        reason = f"nothing is left to be played: {bound} forbids a louder level; {higher}, or choose another name with -o."
    return TsfitError(f"{path}: {reason}", code="exists", file=path)
