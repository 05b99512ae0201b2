"""A guided break-in: low notes, a pause, a sweep, its fit into the driver's log, and so on until the driver settles.

All that is known lies in one folder: the plan (``routine.json``), how long has been played (``played.json``, written anew
after each block), the sweeps with their bench files and fits, and the log. Whatever interrupts the routine costs the block
that was playing at most; starting it again in the same folder goes on from there.
"""

import json
import logging
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field

from tsfit.base.errors import TsfitError
from tsfit.base.files import sha256, to_json, write_new
from tsfit.bench.file import BenchDriverTable, SweepTable, write_bench
from tsfit.bench.fit import fit_bench
from tsfit.bench.sweep import Specimen, choose_level, measure, plan
from tsfit.capture.excitation import Wanted
from tsfit.capture.player import open_player
from tsfit.capture.rig import Rig
from tsfit.capture.stream import Levels, Player
from tsfit.drift.entry import Entry, entry_of
from tsfit.drift.history import history
from tsfit.drift.log import Log, add_entry, read_log
from tsfit.driver.fit_result import FitResult
from tsfit.driver.formulas import COPPER_PER_K
from tsfit.formats.fit import fit_to_dict
from tsfit.formats.toml import load_toml, validated

BLOCK_S = 60.0
"""Of low notes played at a time."""
SOFT_START_DB = (-12.0, -6.0)
"""The first blocks of every start are quieter by so much."""
QUIET_ENTRIES = 8
"""So many entries without any course count as settled."""
SAME_H = 1e-3
"""Hours of use that differ by less are the same."""

Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0.0, allow_inf_nan=False)]
Interval = Annotated[float, Field(ge=10.0 * SAME_H, allow_inf_nan=False)]
Model = TypeVar("Model", bound=BaseModel)


class Routine(BaseModel):
    """What a break-in is to do."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    driver: Annotated[str, Field(min_length=1)]
    level_dbfs: Annotated[float, Field(le=0.0, allow_inf_nan=False)]  # peak of the low notes, re full scale
    sweep_dbfs: Annotated[float, Field(le=0.0, allow_inf_nan=False)]  # of the sweeps
    low_hz: Positive  # of the low notes, like `high_hz`
    high_hz: Positive
    hours: Positive  # to be played at most
    hours_before: NotNegative = 0.0  # of use when the routine began
    interval_h: Interval = 1.0  # played between sweeps
    pause_s: NotNegative = 60.0  # for the coil to cool before each sweep
    hottest_k: Positive = 10.0  # rise of the coil since the first sweep, read from Re, at which the routine stops


class _Played(BaseModel):
    hours: NotNegative


@dataclass(frozen=True)
class Ending:
    """How a routine ended: "settled", "hot", or "time" when all hours were played; hours of use; one sentence; the log."""

    why: Literal["settled", "hot", "time"]
    hours: float
    message: str
    log: Path


def make_routine(rig: Rig, *, level_dbfs: float | None, **values: float | str) -> Routine:
    """Plan a break-in, sweeps no louder than the rig's own level. Raises TsfitError ``level_limit``; ``wrong_value``."""
    level = choose_level(rig, level_dbfs, None)
    levels = {"level_dbfs": level, "sweep_dbfs": min(level, choose_level(rig, None, None))}
    return validated(rig.path, {**levels, **values}, Routine, "routine")


def begun(folder: Path, routine: Routine) -> bool:
    """Tell whether `routine` has begun in `folder`. Raises TsfitError ``other_routine`` when it holds another plan."""
    path = folder / "routine.json"
    if not path.exists():
        return False
    if _read(path, Routine) != routine:
        message = f"{path}: is the plan of another routine; ask for the same as then, or name another folder."
        raise TsfitError(message, code="other_routine", file=path)
    return True


def ended(folder: Path, routine: Routine) -> Ending | None:
    """Tell how `routine` has ended in `folder`, without a sound; None where it has not. Raises as `begun`."""
    log, done = folder / "drift.log", folder / "played.json"
    if not begun(folder, routine) or not log.exists():
        return None
    return _ending(log, routine, read_log(log).entries, _read(done, _Played).hours if done.exists() else 0.0)


def open_folder(folder: Path, routine: Routine) -> None:
    """Make `folder` for `routine`, or find it there already. Raises TsfitError ``cannot_write``; as `begun`."""
    if begun(folder, routine):
        return
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        reason = error.strerror or str(error)
        message = f"{folder}: cannot be made ({reason}); name another folder."
        raise TsfitError(message, code="cannot_write", file=folder) from error
    write_new(folder / "routine.json", to_json({"schema": 1, **routine.model_dump()}))


def run(
    rig: Rig,
    folder: Path,
    routine: Routine,
    *,
    on_step: Callable[[str], None] = lambda step: None,
    on_level: Callable[[Levels], None] | None = None,
    sleep: Callable[[float], None] = time.sleep,
    player: Player | None = None,
) -> Ending:
    """Play, pause, sweep and log until the driver has settled, its coil gets hot, or the time is over.

    The simulated rig needs no time for the low notes and for pauses; its driver softens as its file says. A `player` plays
    the low notes instead of the device that the rig file names.

    Raises TsfitError for whatever the device, the disk or a fit does; start again in the same folder to go on.
    ``refused_sweep`` when a sweep cannot be trusted.
    """
    open_folder(folder, routine)
    player = player or open_player(rig)
    log, done, blocks = folder / "drift.log", folder / "played.json", 0
    entries = read_log(log).entries if log.exists() else ()
    for stem, hours in _orphans(folder, entries).items():
        becomes = "left as it is" if hours is None else "taken up where it is due"
        on_step(f"{stem} of a run that broke off is not in the log, and is {becomes}")
    while True:
        played = _read(done, _Played).hours if done.exists() else 0.0
        if (ending := _ending(log, routine, entries, played)) is not None:
            return ending
        due = 0.0 if not entries else entries[-1].hours - routine.hours_before + routine.interval_h
        due = min(due, routine.hours)
        while played < due - SAME_H:
            on_step(f"low notes, {played:.2f} of {due:.2f} h until the next sweep")
            played += _play(player, rig, routine, min(BLOCK_S, 3600.0 * (due - played)), blocks, on_level)
            blocks += 1
            write_new(done, to_json({"hours": played}), replace=True)
        if entries and player.in_real_time:
            on_step(f"pause of {routine.pause_s:g} s")
            sleep(routine.pause_s)
        hours = round(routine.hours_before + played, 4)
        on_step(f"sweep after {hours:.2f} h")
        entries = _sweep(rig, folder, routine, hours, entries, on_level).entries


def _play(
    player: Player, rig: Rig, routine: Routine, seconds: float, blocks: int, on_level: Callable[[Levels], None] | None
) -> float:
    """Play one block of low notes; return its hours."""
    if not player.in_real_time:
        return seconds / 3600.0
    level = routine.level_dbfs + (SOFT_START_DB[blocks] if blocks < len(SOFT_START_DB) else 0.0)
    notes = Wanted(
        seconds=max(seconds, 8.0 / routine.low_hz), low_hz=routine.low_hz, high_hz=routine.high_hz, level_dbfs=level,
        periods=2, silence_s=0.1,
    )  # fmt: skip
    report = player.play(plan(rig, notes), lambda block: None, on_level=on_level)
    return report.seconds / 3600.0


def _sweep(
    rig: Rig,
    folder: Path,
    routine: Routine,
    hours: float,
    entries: tuple[Entry, ...],
    on_level: Callable[[Levels], None] | None,
) -> Log:
    """Sweep, fit with the models of the first fit, and log."""
    due = (one for one, at in _orphans(folder, entries).items() if at is not None and abs(at - hours) < SAME_H)
    orphan = next(due, None)
    stem = orphan or _free_stem(folder)
    table = SweepTable(state="free air", recording=f"{stem}.wav")
    if orphan is None:
        excitation = plan(rig, Wanted(level_dbfs=routine.sweep_dbfs, periods=2))
        specimen = Specimen(hours_of_use=hours)
        measured = measure(rig, folder / f"{stem}.wav", table, excitation, specimen=specimen, on_level=on_level)
        if measured.curve is None:
            said = " ".join(note.message for note in measured.verdict.notes if note.severity == "refuse")
            message = (
                f"{measured.recording}: the sweep cannot be trusted ({said}); put that right and start the routine again."
            )
            raise TsfitError(message, code="refused_sweep", file=measured.recording)
    bench, file = folder / f"{stem}-bench.toml", folder / f"{stem}-fit.json"
    if not bench.exists():
        write_bench(bench, rig.path, BenchDriverTable(name=routine.driver), [table])
    fit = fit_like(bench, entries[0] if entries else None)
    write_new(file, to_json(fit_to_dict(fit)), replace=orphan is not None)
    entry = entry_of(fit, hours, file={"file": str(file.resolve()), "sha256": sha256(file)})
    return add_entry(folder / "drift.log", entry)


def fit_like(bench: Path, first: Entry | None) -> FitResult:
    """Fit with the models of the first entry, or with an ideal suspension, the limit of any that shows no longer."""
    if first is None:
        return fit_bench(bench)
    try:
        return fit_bench(bench, coil=first.coil, suspension=first.suspension)
    except TsfitError as error:
        if error.code != "no_fit" or first.suspension == "ideal":
            raise
        logging.getLogger(__name__).info("%s", error.message)
        return fit_bench(bench, coil=first.coil, suspension="ideal")


def _orphans(folder: Path, entries: tuple[Entry, ...]) -> dict[str, float | None]:
    """Sweeps in no entry, as a killed run leaves them, and after which hours each was made; None where unusable."""
    logged = {Path(str(entry.source("fit").get("file"))).name[:9] for entry in entries}
    found: dict[str, float | None] = {}
    for stem in sorted({path.name[:9] for path in folder.glob("sweep-*")} - logged):
        hours = None
        if (folder / f"{stem}.wav").exists() and (folder / f"{stem}.txt").exists():
            told = load_toml(folder / f"{stem}.toml", "conditions").get("hours_of_use")
            hours = float(told) if isinstance(told, (int, float)) else None
        found[stem] = hours
    return found


def _free_stem(folder: Path) -> str:
    taken = {path.name[:9] for path in folder.glob("sweep-*")}
    return next(stem for number in range(1, 1000) if (stem := f"sweep-{number:03d}") not in taken)


def warming_k(first: Entry, last: Entry) -> float:
    """How much warmer the coil was at `last` than at `first`, by Re and the temperature coefficient of copper, K."""
    return (last.parameters["Re"][0] / first.parameters["Re"][0] - 1.0) / COPPER_PER_K


def _ending(log: Path, routine: Routine, entries: tuple[Entry, ...], played: float) -> Ending | None:
    if not entries or entries[-1].hours < routine.hours_before + played - SAME_H:
        return None
    hours = entries[-1].hours
    warmer = warming_k(entries[0], entries[-1])
    if warmer > routine.hottest_k:
        message = (
            f"The coil is {warmer:.0f} K warmer than at the first sweep, the limit is {routine.hottest_k:g} K; let it cool "
            "and go on at a lower level, in another folder."
        )
        return Ending("hot", hours, message, log)
    compliance = history(Log(log, entries, ())).causes["compliance"]
    course = compliance.settling
    left = course.hours_left
    if course.enough and course.course == "constant" and len(entries) >= QUIET_ENTRIES:
        return Ending("settled", hours, f"Nothing has moved in {len(entries)} sweeps; the suspension is settled.", log)
    if course.enough and course.course != "constant" and left is not None and left[1] < routine.interval_h:
        so_far, end = 100.0 * compliance.relative, 100.0 * compliance.end_relative
        message = f"The compliance changed by {so_far:+.1f} % and has settled: within 1 % of its final value, {end:+.1f} %."
        return Ending("settled", hours, message, log)
    if played >= routine.hours - SAME_H:
        return Ending("time", hours, "All hours are played, and the suspension has not settled yet.", log)
    return None


def _read(path: Path, model: type[Model]) -> Model:
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        data.pop("schema", None)
    except (OSError, ValueError, AttributeError) as error:
        message = f"{path}: cannot be read ({error}); name another folder for the routine."
        raise TsfitError(message, code="wrong_value", file=path) from error
    return validated(path, data, model, "routine")
