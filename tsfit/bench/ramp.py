"""A driver is led to full travel, or to a power run, level by level: each is judged before the next is offered.

The first level is quiet and tells how many volts a level gives. What a louder one will do is told by a model of the driver
that has been fitted to all levels so far; a `Watchdog` looks after each while it plays.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from tsfit.base.causes import refused
from tsfit.base.errors import TsfitError
from tsfit.base.notes import QualityNote
from tsfit.bench.file import SweepTable
from tsfit.bench.guard import NotBeyond, Watchdog
from tsfit.bench.sweep import Specimen, known_before, plan
from tsfit.bench.travel import read_terminals
from tsfit.capture.absolute import Scale, scale_of
from tsfit.capture.alignment import round_trip
from tsfit.capture.excitation import Excitation, Wanted, fade
from tsfit.capture.level_limit import LIMIT_DBFS, QUIET_DBFS
from tsfit.capture.player import Hung, open_player
from tsfit.capture.recorder import Recorder
from tsfit.capture.recording import PARTIAL, read_recording
from tsfit.capture.rig import Rig
from tsfit.capture.stream import Block, Levels, StreamReport
from tsfit.circuit.large_signal import LargeSignal, move
from tsfit.circuit.large_signal_start import start_of
from tsfit.circuit.response import FREE_AIR, Circuit, Response, Source
from tsfit.driver.record import Driver
from tsfit.travel.fit import looked
from tsfit.travel.level import LevelData, prepared

FROM_FS, TO_FS, FALL = 0.3, 10.0, 1.0
RUN_FROM_FS, RUN_FALL = 2.0, 0.5
"""Of a power run: pink from above the resonance, so that heat and not travel binds, where Re is read best."""
PERIOD_S, SLOW_FS, SLOW_PERIOD_S = 2.0, 20.0, 4.0
"""Of the multisine, and of that for a driver of lower resonance."""
SETTLING, KEPT = 2, 4
"""Periods that settle, the fade in among them, and that are kept."""
RAMP_S = 2.0
OF_LIMIT = 0.9
"""Share of a limit that a level is planned for: what the model does not know must not trip the guard."""
LEAST_STEP_DB = 1.0
OF_FULL_SCALE = 0.85
GROWN, LEAST_LEFT = 3.0, 0.1
"""What the model leaves of the current may grow from level to level by so much, and up to this share of it anyway."""
PILOT_DB, PILOT_S, FADE_OUT_S = -40.0, 20.0, 0.1
LIKENESS, APART = 0.5, 0.01
"""Least correlation of the total channel with what was played, and by how much its periods may differ."""


@dataclass(frozen=True)
class Ramp:
    """What is to be done with which driver on which rig, and what it is not to exceed.

    Attributes
    ----------
    count : levels in all, the quiet first one among them
    run_s, cool_s : of the power run that takes the place of the last level, and of the cooling after it; None for no run
    top_v : peak volts across everything of the last level, at most; infinite where only the limits bind
    """

    rig: Rig
    driver: Driver
    limits: NotBeyond
    stem: Path
    count: int = 4
    run_s: float | None = None
    cool_s: float = 600.0
    top_v: float = math.inf

    @property
    def scale(self) -> Scale:
        """Volts of the rig. Raises TsfitError ``no_scale``."""
        return scale_of(self.rig)

    @property
    def wanted(self) -> Wanted:
        """What each level plays, but for how loud it is."""
        fs = self.driver.Fs
        period = PERIOD_S if fs >= SLOW_FS else SLOW_PERIOD_S
        return Wanted(
            "odd multisine", (SETTLING + KEPT) * period, low_hz=FROM_FS * fs, high_hz=TO_FS * fs, fall=FALL, fade_s=RAMP_S,
            periods=SETTLING + KEPT,
        )  # fmt: skip


@dataclass(frozen=True)
class Offer:
    """A level that may be played next: peak level, and what is expected of it; None for what cannot be told yet.

    `bound` names what keeps the top from being louder; `most_v` are the peak volts that end it, infinite where `volts` do.
    """

    number: int
    excitation: Excitation
    volts: float | None
    travel: float | None
    coil_c: float | None
    bound: str
    last: bool
    run: bool
    most_v: float = math.inf


@dataclass(frozen=True)
class JudgedLevel:
    """A level that was played.

    Attributes
    ----------
    travel : m, peak either way by the model fitted to it
    coil_c : of the coil on average, by its resistance against that of the first level
    left : share of the current that the model does not explain
    data, model : the level as the fit takes it, the driver that explains it
    notes : what is wrong with it; a refusal forbids a louder one
    """

    sweep: SweepTable
    offer: Offer
    volts: float
    travel: float
    coil_c: float
    left: float
    data: LevelData
    model: LargeSignal
    notes: tuple[QualityNote, ...]

    @property
    def usable(self) -> bool:
        """Whether something louder may follow."""
        return all(note.severity != "refuse" for note in self.notes)


def next_offer(ramp: Ramp, judged: Sequence[JudgedLevel]) -> Offer | None:
    """Return the level to be offered after those that were judged, None when nothing more is to be played.

    Raises TsfitError ``no_scale``; ``level_limit`` where even a quiet level would exceed the limits.
    """
    k = len(judged)
    if not judged:
        return _first(ramp)
    if not judged[-1].usable or judged[-1].offer.last:
        return None
    last = judged[-1]
    top, bound = _top(ramp, last, partial(_farthest, last))
    highest = (top, bound)
    if ramp.run_s is not None:
        signal = _run_signal(ramp)
        highest = _top(ramp, last, lambda factor: _farthest_in_run(last, signal, factor))
    # One taken up may have all its levels and higher limits now: then as many more as steps of 6 dB take.
    further = max(math.ceil(math.log2(highest[0])) - 1, 0) if highest[0] > 0.0 else 0
    final = ramp.count - 1 if k < ramp.count else k + further
    if final - k > 0 and highest[0] * 0.5 ** (final - k) * 10.0 ** (-LEAST_STEP_DB / 20.0) < 1.0:
        k = final - max(math.floor(math.log2(highest[0])), 0)
    step, factor = 10.0 ** (LEAST_STEP_DB / 20.0), min(highest[0] * 0.5 ** (final - k), top)
    if factor < step and k < final:
        # A step that is hardly one is left out, not the rest of the way.
        k = final if ramp.run_s is not None else k + 1
        factor = min(highest[0] * 0.5 ** (final - k), top)
    run = ramp.run_s is not None and k >= final
    if run:
        factor, bound = highest
    elif factor < step:
        return None
    # What the output's limit binds comes to it but for rounding.
    dbfs = min(last.offer.excitation.level_dbfs + 20.0 * math.log10(factor), LIMIT_DBFS)
    excitation = _run(at_level(signal, dbfs), ramp) if run else at_level(judged[0].offer.excitation, dbfs)
    travel = _farthest_in_run(last, signal, factor) if run else _farthest(last, factor)
    warm = (last.coil_c - ramp.limits.ambient_c) * factor**2
    return Offer(
        len(judged) + 1, excitation, last.volts * factor, travel, ramp.limits.ambient_c + warm, bound, k >= final, run
    )


def binding(ramp: Ramp, last: JudgedLevel) -> str:
    """What keeps another level from being louder than the `last`, in words."""
    return _top(ramp, last, partial(_farthest, last))[1]


def _first(ramp: Ramp) -> Offer:
    rig = ramp.rig
    level = QUIET_DBFS if rig.level_dbfs is None else min(rig.level_dbfs, QUIET_DBFS)
    excitation = plan(rig, replace(ramp.wanted, level_dbfs=level))
    peak, most_v = 10.0 ** (level / 20.0), min(ramp.limits.volts, ramp.top_v)
    per_volt = _moved(ramp.driver, excitation.samples, excitation.sample_rate_hz) / peak
    most_v = min(most_v, OF_LIMIT * ramp.limits.travel / per_volt)
    cold, bound = ramp.limits.ambient_c, "the quiet beginning"
    if rig.volts_per_full_scale is None:
        return Offer(1, at_level(excitation, level), None, None, cold, bound, False, False, most_v)
    volts = min(rig.volts_per_full_scale * peak, most_v)
    level = 20.0 * math.log10(volts / rig.volts_per_full_scale)
    return Offer(1, at_level(excitation, level), volts, per_volt * volts, cold, bound, False, False)


def at_level(excitation: Excitation, level_dbfs: float) -> Excitation:
    """Return the same excitation at another level."""
    samples = excitation.samples * 10.0 ** ((level_dbfs - excitation.level_dbfs) / 20.0)
    return replace(excitation, samples=samples, level_dbfs=level_dbfs)


def _moved(driver: Driver, volts: np.ndarray, rate: float) -> float:
    """How far `volts` (n,) move a driver whose curves are straight, m."""
    from scipy.fft import next_fast_len

    n = int(next_fast_len(len(volts) + round(rate), real=True))
    frequency = np.fft.rfftfreq(n, 1.0 / rate)[1:]
    known = replace(driver, Sd=driver.Sd or 1.0)
    answer = Response(frequency, known.values(), Circuit(driver.coil, driver.suspension), FREE_AIR, Source(1.0))
    return float(np.abs(np.fft.irfft(np.append(0.0, np.fft.rfft(volts, n)[1:] * answer.travel), n)).max())


def _farthest(last: JudgedLevel, factor: float) -> float:
    """Peak travel that the last model expects at `factor` times its volts, m."""
    return move(last.model, factor * last.data.volts, last.data.steps_hz, block=last.data.block).farthest


def _run_signal(ramp: Ramp) -> Excitation:
    """Return what a run plays, at the quiet level."""
    fs = ramp.driver.Fs
    return plan(ramp.rig, replace(ramp.wanted, low_hz=RUN_FROM_FS * fs, fall=RUN_FALL, level_dbfs=QUIET_DBFS))


def _farthest_in_run(last: JudgedLevel, signal: Excitation, factor: float) -> float:
    """Peak travel that the last model expects of the run at `factor` times the last level's peak volts, m."""
    rate, n = signal.sample_rate_hz, signal.period
    played = signal.samples[signal.start + n : signal.start + 3 * n]
    volts = factor * last.volts * 10.0 ** (-signal.level_dbfs / 20.0) * played
    dense = 2 * math.ceil(last.model.steps_hz() / rate)
    grid = np.arange(dense * (len(volts) - 1) + 1) / dense
    return move(last.model, np.interp(grid, np.arange(len(volts)), volts), rate * dense / 2.0).farthest


def _top(ramp: Ramp, last: JudgedLevel, farthest: Callable[[float], float]) -> tuple[float, str]:
    """By which factor on the last level's volts the top is louder, and what binds it; `farthest` tells travel by it."""
    limits, scale, rise = ramp.limits, ramp.scale, last.coil_c - ramp.limits.ambient_c
    full_a = scale.second_v / ramp.rig.reference_ohm if ramp.rig.topology == "shunt" else math.inf
    amperes = float(np.abs(last.data.amperes).max())
    if ramp.run_s is not None:
        amperes = max(amperes, last.volts / ramp.driver.Re)
    bounds = {
        "the volts asked for": ramp.top_v / last.volts,
        "the limit of volts": limits.volts / last.volts,
        "full scale of the total channel": OF_FULL_SCALE * scale.total_v / last.volts,
        "full scale of the reference channel": OF_FULL_SCALE * full_a / amperes,
        f"the {LIMIT_DBFS:g} dBFS of the output": 10.0 ** ((LIMIT_DBFS - last.offer.excitation.level_dbfs) / 20.0),
    }
    if rise > 2.0 and ramp.run_s is None:
        bounds["the limit of the coil"] = math.sqrt(OF_LIMIT * (limits.coil_c - limits.ambient_c) / rise)
    bound = min(bounds, key=lambda name: bounds[name])
    top = bounds[bound]
    if farthest(top) <= OF_LIMIT * limits.travel:
        return top, bound
    low, high = 0.0, top
    for _ in range(10):
        middle = math.sqrt(max(low, 0.1) * high)
        low, high = (middle, high) if farthest(middle) <= OF_LIMIT * limits.travel else (low, middle)
    return low, "the limit of travel"


def _run(level: Excitation, ramp: Ramp) -> Excitation:
    """Return a pilot, the level for the time of the run, and the pilot again, as one excitation."""
    assert ramp.run_s is not None
    rate, n = level.sample_rate_hz, level.period
    one = level.samples[level.start + n : level.start + 2 * n].astype(np.float32)
    pilot, loud, cool = (math.ceil(seconds * rate / n) for seconds in (PILOT_S, ramp.run_s, ramp.cool_s))
    gain = np.full((pilot + loud + cool) * n, 10.0 ** (PILOT_DB / 20.0), dtype=np.float32)
    begin, end = pilot * n, (pilot + loud) * n
    rise, fall = fade(round(RAMP_S * rate)), fade(round(FADE_OUT_S * rate))
    gain[begin:end] = 1.0
    gain[begin : begin + len(rise)] = gain[0] + (1.0 - gain[0]) * rise
    gain[end - len(fall) : end] = gain[0] + (1.0 - gain[0]) * fall[::-1]
    gain[: len(fall)] *= fall
    gain[-len(fall) :] *= fall[::-1]
    played = np.tile(one, pilot + loud + cool)
    played *= gain
    before = np.zeros(level.start, dtype=np.float32)
    samples = np.concatenate([before, played, before])
    return replace(level, kind="power run", samples=samples, stop=len(before) + len(played), periods=pilot + loud + cool)


def play(
    ramp: Ramp, offer: Offer, judged: Sequence[JudgedLevel], *, on_level: Callable[[Levels], None] | None = None
) -> tuple[SweepTable, StreamReport, Watchdog]:
    """Play what was offered and confirmed; the recording is on disk when this returns.

    Raises TsfitError ``exists``, ``cannot_write``; `Stopped`, with a partial recording kept, for what device, disk, guard
    or Ctrl-C ended.
    """
    excitation, rate = offer.excitation, offer.excitation.sample_rate_hz
    path = recording_path(ramp, offer)
    if offer.run:
        sweep = SweepTable(recording=path.name, state="power run", ambient_temperature_c=ramp.limits.ambient_c)
    else:
        settle = (excitation.start + SETTLING * excitation.period) / rate
        sweep = SweepTable(
            recording=path.name, state="full travel", settle_s=settle, period_s=excitation.period / rate
        )  # fmt: skip
    model = judged[-1].model if judged else start_of(ramp.driver)
    limits = replace(ramp.limits, volts=min(ramp.limits.volts, offer.most_v))
    guard = Watchdog(ramp.scale, ramp.driver, model, limits, excitation, offer.volts)
    if judged:
        guard.cold_ohm = judged[0].model.Re
    player = open_player(ramp.rig, Hung(at_power=True))
    with Recorder(path, rate, known_before(ramp.rig, sweep, excitation, Specimen())) as recorder:

        def keep(block: Block) -> None:
            recorder.write(block)
            guard.look(block)

        report = player.play(excitation, keep, on_level=on_level, watch=guard.watch)
        recorder.finish(stream=report.form())
    return sweep, report, guard


def recording_path(ramp: Ramp, offer: Offer) -> Path:
    """Where the recording of an offer goes; where one that was broken off, or no good, has the name, it gets a letter."""
    name = f"{ramp.stem.name}-run" if offer.run else f"{ramp.stem.name}-{offer.number}"
    paths = [ramp.stem.with_name(f"{name}{end}.wav") for end in ("", *(f"-{letter}" for letter in "bcdefghij"))]
    return next((path for path in paths if not (path.exists() or path.with_suffix(PARTIAL).exists())), paths[0])


def judge_level(
    ramp: Ramp, offer: Offer, sweep: SweepTable, report: StreamReport, judged: Sequence[JudgedLevel]
) -> JudgedLevel:
    """Judge a level that was recorded, by itself and against the quieter ones.

    Raises TsfitError ``not_heard``, ``dropout``; and as `read_terminals` and `prepared`.
    """
    bench = ramp.stem.with_name("bench.toml")
    recording = read_recording(bench.with_name(sweep.recording or ""))
    total = np.asarray(recording.samples[:, ramp.rig.total], dtype=float)
    _refuse_lost(bench.with_name(sweep.recording or ""), total, offer.excitation, report)
    notes = []
    base = judged[-1].model if judged else start_of(ramp.driver)
    terminals = read_terminals(bench, sweep, ramp.rig, lambda step: None)
    data = prepared(terminals, base, settle_s=sweep.settle_s, period_s=sweep.period_s)
    problem, x = looked(base, [data])
    model = problem.driver(x)
    left = float(np.sqrt(np.mean(problem.misfits(x)[0] ** 2))) * float(problem.sigma[0]) / data.rms
    before = max((one.left for one in judged), default=math.inf)
    if left > max(GROWN * before, LEAST_LEFT):
        notes.append(QualityNote("residual", "refuse", (
            f"What no driver explains of the current grew to {100.0 * left:.0f} %: it rubs, strikes or comes loose; look "
            "after the driver."
        )))  # fmt: skip
    inward, outward = problem.reached(x)[0]
    coil_c = ramp.limits.heated_to(model.Re / (judged[0].model if judged else model).Re)
    volts = ramp.scale.total_v * float(np.abs(total).max())
    return JudgedLevel(sweep, offer, volts, float(max(outward, -inward)), coil_c, left, data, model, tuple(notes))


def _refuse_lost(path: Path, total: np.ndarray, excitation: Excitation, report: StreamReport) -> None:
    """Refuse a level that was not heard, or not whole."""
    delay, likeness = round_trip(total, excitation)
    if abs(likeness) < LIKENESS:
        raise refused(path, "not_heard")
    first = excitation.start + max(delay, 0) + SETTLING * excitation.period
    periods = total[first : first + KEPT * excitation.period].reshape(KEPT, -1)
    apart = float(np.std(np.diff(periods, axis=0))) / math.sqrt(2.0)
    if report.frames < report.expected:
        raise refused(path, "dropout, never arrived", frames=report.expected - report.frames)
    if report.flags:
        raise refused(path, "dropout, reported", what=report.flags[0][1], times=len(report.flags))
    if apart > APART * float(np.std(periods)):
        raise refused(path, "dropout", when="some time, for the periods are unlike each other")


def refuse_small_rig(ramp: Ramp) -> None:
    """Refuse a rig without volts, and a driver without its mass.

    Raises TsfitError ``no_scale``, ``incomplete_driver``; ``no_volts`` where nothing says how loud a quiet level may be.
    """
    _ = ramp.scale
    if ramp.rig.volts_per_full_scale is None and math.isinf(min(ramp.limits.volts, ramp.top_v)):
        message = (
            f"{ramp.rig.path}: how many volts its output gives is not told, so nobody knows how loud the first level is; "
            "let `tsfit rig calibrate RIG --volts` find volts_per_full_scale, or say --limit-v."
        )
        raise TsfitError(message, code="no_volts", file=ramp.rig.path)
    if ramp.driver.Mms is None:
        message = f"{ramp.driver.name}: without the moving mass no travel can be told; fit it with an added mass first."
        raise TsfitError(message, code="incomplete_driver")
