"""Record one state of a driver on a rig, and keep all of it: recording, conditions, verdict, impedance curve."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from tsfit.base.errors import TsfitError
from tsfit.base.files import refuse_existing, sha256
from tsfit.base.forms import plain
from tsfit.base.views import Viewed
from tsfit.bench.file import SweepTable, state_of
from tsfit.capture.excitation import HIGHEST_SHARE, Excitation, Wanted, make_excitation
from tsfit.capture.forms import repeats_form, sweep_verdict_form
from tsfit.capture.impedance import hear, impedance_of, with_standards
from tsfit.capture.level_limit import LIMIT_DBFS, QUIET_DBFS
from tsfit.capture.player import Hung, open_player
from tsfit.capture.quality import SweepVerdict, judge, judge_curve
from tsfit.capture.recorder import Recorder, add_conditions, conditions_path, refuse_wrong_name
from tsfit.capture.recording import read_recording
from tsfit.capture.repeats import RepeatsVerdict, average_curves, judge_repeats
from tsfit.capture.rig import Rig
from tsfit.capture.stream import Levels, StreamReport
from tsfit.driver.curve import ImpedanceCurve
from tsfit.formats.curve import write_curve


@dataclass(frozen=True)
class Measurement(Viewed):
    """What one sweep left: its recording and conditions, the verdict, and the curve where the verdict allows one."""

    recording: Path
    conditions: Path
    report: StreamReport
    verdict: SweepVerdict
    curve: ImpedanceCurve | None
    curve_file: Path | None


@dataclass(frozen=True)
class Specimen:
    """Which driver is swept: hours of use so far, and its serial number; None for what is not known."""

    hours_of_use: float | None = None
    serial: str | None = None


@dataclass(frozen=True)
class Averaged:
    """Repeats of one state: their average, where it stands, and how well they agree."""

    curve: ImpedanceCurve
    curve_file: Path
    repeats: tuple[ImpedanceCurve, ...]
    agreement: RepeatsVerdict


def choose_level(rig: Rig, level_dbfs: float | None, level_v: float | None) -> float:
    """Peak level in dB re full scale: as asked for, in volts where the rig's output is calibrated, else the rig's or quiet.

    Raises TsfitError ``usage`` when volts are asked of a rig that does not know them; ``level_limit`` above the limit;
    ``wrong_value`` for what is no level.
    """
    if level_v is not None:
        if level_dbfs is not None:
            raise TsfitError("Both --level-v and --level-dbfs are given; keep one of them.", code="usage")
        if rig.volts_per_full_scale is None:
            message = (
                f"{rig.path}: the output is not calibrated in volts; add volts_per_full_scale to [playback], or give "
                "--level-dbfs."
            )
            raise TsfitError(message, code="usage", file=rig.path)
        if not level_v > 0.0:
            raise TsfitError(f"--level-v: {level_v:g} V cannot be played; give a positive voltage.", code="usage")
        level_dbfs = 20.0 * math.log10(level_v / rig.volts_per_full_scale)
    if level_dbfs is None:
        level_dbfs = QUIET_DBFS if rig.level_dbfs is None else rig.level_dbfs
    if not math.isfinite(level_dbfs):
        raise TsfitError(
            f"The level of {level_dbfs:g} dBFS cannot be played; give a number below zero.", code="wrong_value"
        )
    if level_dbfs > LIMIT_DBFS:
        message = f"The level of {level_dbfs:.1f} dBFS is above the limit of {LIMIT_DBFS:g} dBFS; ask for less."
        raise TsfitError(message, code="level_limit")
    return level_dbfs


def plan(rig: Rig, wanted: Wanted) -> Excitation:
    """Make the excitation for `rig` at its rate, its top lowered where that is too low; raises as `make_excitation`."""
    rate = rig.plays_at_hz
    return make_excitation(replace(wanted, sample_rate_hz=rate, high_hz=min(wanted.high_hz, HIGHEST_SHARE * rate)))


def measure(
    rig: Rig,
    path: Path,
    sweep: SweepTable,
    excitation: Excitation,
    *,
    specimen: Specimen = Specimen(),
    points_per_octave: float = 48.0,
    on_level: Callable[[Levels], None] | None = None,
) -> Measurement:
    """Play `excitation` on `rig`, record to `path` (.wav), judge, and turn the recording into a curve beside it (.txt).

    The raw recording is on disk before anything is computed from it. A recording that the verdict refuses keeps its file
    and gets no curve.

    Raises TsfitError ``exists``, ``cannot_write``; what the device, the disk or the cable does (`Stopped` keeps a
    partial recording).
    """
    curve_file = path.with_suffix(".txt")
    refuse_existing(curve_file, replace=None)
    player = open_player(rig, Hung(state_of(sweep), hours=specimen.hours_of_use or 0.0))
    with Recorder(path, excitation.sample_rate_hz, known_before(rig, sweep, excitation, specimen)) as recorder:
        report = player.play(excitation, recorder.write, on_level=on_level)
        recorder.finish(stream=report.form())
    recording = read_recording(path)
    verdict = judge(recording.samples, excitation, rig, report)
    if any(note.severity == "refuse" for note in verdict.notes):
        add_conditions(path, verdict=plain(sweep_verdict_form(verdict)))
        return Measurement(path, conditions_path(path), report, verdict, None, None)
    [heard] = with_standards([hear(recording, rig, points_per_octave)])
    curve = impedance_of(heard)
    write_curve(curve, curve_file)
    verdict = replace(verdict, notes=(*verdict.notes, *judge_curve(curve)))
    add_conditions(path, verdict=plain(sweep_verdict_form(verdict)))
    return Measurement(path, conditions_path(path), report, verdict, curve, curve_file)


def known_before(rig: Rig, sweep: SweepTable, excitation: Excitation, specimen: Specimen) -> dict[str, object]:
    """What the conditions beside a recording tell of it before it is made."""
    full = rig.volts_per_full_scale
    return {
        "rig": {"name": rig.name, "file": str(rig.path), "sha256": sha256(rig.path)},
        "sweep": sweep.model_dump(exclude_none=True, exclude={"recording", "curve"}),
        "excitation": {
            "kind": excitation.kind,
            "level_dbfs": excitation.level_dbfs,
            "level_v": None if full is None else full * 10.0 ** (excitation.level_dbfs / 20.0),
            "seconds": excitation.seconds,
            "low_hz": excitation.low_hz,
            "high_hz": excitation.high_hz,
            "periods": excitation.periods,
        },
        **vars(specimen),
    }


def free_names(path: Path, repeats: int, *, draws: bool) -> list[Path]:
    """Names of so many recordings. Raises ``wrong_name``; ``exists`` where a curve, or a plot if one `draws`, is there."""
    refuse_wrong_name(path)
    names = [path] if repeats == 1 else [path.with_stem(f"{path.stem}-{number}") for number in range(1, repeats + 1)]
    for name in (path, *names):
        for suffix in (".txt", *[".png"] * draws):
            beside = name.with_suffix(suffix)
            if beside.exists():
                said = f"{beside}: already there and left as it is, and {name} would write it"
                message = f"{said}; choose another name or move it away."
                raise TsfitError(message, code="exists", file=beside)
            refuse_existing(beside, replace=None)
    return names


def average(measured: Sequence[Measurement], path: Path) -> Averaged:
    """Average repeats into `path`; their conditions tell how they agree. Raises TsfitError ``exists``, ``cannot_write``."""
    curves = tuple(one.curve for one in measured if one.curve is not None)
    agreement = judge_repeats(curves)
    averaged = average_curves(curves)
    write_curve(averaged, path)
    for one in measured:
        add_conditions(one.recording, repeats=plain(repeats_form(agreement)))
    return Averaged(averaged, path, curves, agreement)
