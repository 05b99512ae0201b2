"""Calibrate a rig: record known things in the driver's place, write a rig file that names them, prove it on one more.

The output is calibrated in volts by a tone and a voltmeter.
"""

import math
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np
import tomlkit

from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.base.files import write_new
from tsfit.capture.calibration import check_differing, read_standard
from tsfit.capture.excitation import Excitation
from tsfit.capture.impedance import impedance_from_recording
from tsfit.capture.player import Hung, open_player
from tsfit.capture.recorder import Recorder
from tsfit.capture.rig import Rig, read_rig
from tsfit.capture.stream import Block, Levels

PROOF_RANGE_HZ = (10.0, 20000.0)
TRIM_RANGE_HZ = (50.0, 2000.0)
NOT_HEARD_DBFS = -80.0
METER_OFF = 0.1
"""By how much a voltmeter and a channel's stated volts may differ: a meter at audio frequencies errs by percents (common
practice, no source)."""
LEAST_OUTPUT_V, MOST_OUTPUT_V = 0.01, 500.0
"""Peak volts of full scale, from a headphone's output turned down to a power amplifier's (common practice, no source)."""


@dataclass(frozen=True)
class KnownThing:
    """A known thing: ohm (infinite for open, 0 for short) with its standard uncertainty, and where it was recorded."""

    ohm: float
    uncertainty_ohm: float | None
    recording: Path

    @property
    def name(self) -> str:
        """What to call it when asking for it."""
        return "open circuit" if math.isinf(self.ohm) else "short circuit" if self.ohm == 0.0 else f"{self.ohm:g} ohm"


@dataclass(frozen=True)
class Proof:
    """How far the calibrated rig is off on a resistor that took no part in it, 10 Hz to 20 kHz."""

    ohm: float
    percent: float  # worst error of the magnitude
    degrees: float  # and of the phase
    median_percent: float  # error of the magnitude in the median point


def dated_folder(rig: Rig, now: datetime) -> Path:
    """Make a folder beside the rig file for one calibration's recordings. Raises TsfitError ``cannot_write``."""
    folder = rig.path.parent / f"{rig.path.stem}-calibration-{now:%Y-%m-%d-%H%M%S}"
    try:
        folder.mkdir()
    except OSError as error:
        message = f"{folder}: cannot be made ({error.strerror}); look after the folder of the rig file."
        raise TsfitError(message, code="cannot_write", file=folder) from error
    return folder


def record_standard(
    rig: Rig,
    standard: KnownThing,
    excitation: Excitation,
    on_level: Callable[[Levels], None] | None = None,
    before: Sequence[KnownThing] = (),
) -> None:
    """Record one standard, and hold it against those `before`; on the simulated rig it takes the driver's place by itself.

    Raises TsfitError as `tsfit.bench.sweep.measure`; ``calibration`` when the recordings do not differ as the
    standards do.
    """
    player = open_player(rig, Hung(known_ohm=standard.ohm))
    conditions = {"rig": {"name": rig.name, "file": str(rig.path)}, "standard": standard.name}
    with Recorder(standard.recording, excitation.sample_rate_hz, conditions) as recorder:
        player.play(excitation, recorder.write, on_level=on_level)
        recorder.finish()
    if before:
        things = (*before, standard)
        named = [(one, _relative(one.recording, rig.path)) for one in things]
        check_differing(rig, [read_standard(rig, one.name, one.ohm, 0.0, recording) for one, recording in named])


def write_calibrated(rig: Rig, standards: Sequence[KnownThing], path: Path, now: datetime) -> Rig:
    """Write a copy of the rig file to `path` that names the recordings of `standards`; return it as read back.

    Raises TsfitError ``exists`` or ``cannot_write``; ``wrong_value`` when the standards are too few.
    """
    table: dict[str, object] = {"made": now.replace(microsecond=0), "rig": rig.name}
    named = {math.inf: "open", 0.0: "short"}
    table |= {named[one.ohm]: _relative(one.recording, path) for one in standards if one.ohm in named}
    known = [
        {"recording": _relative(standard.recording, path), "ohm": standard.ohm}
        | ({} if standard.uncertainty_ohm is None else {"uncertainty_ohm": standard.uncertainty_ohm})
        for standard in standards
        if 0.0 < standard.ohm < math.inf
    ]
    document = _document(rig, path)
    document["calibration"] = table | {"known": known}
    return _written(document, path)


def write_trimmed(rig: Rig, standard: KnownThing, path: Path) -> Rig:
    """Write a copy of the rig file to `path` whose channel-gain trim makes `standard` read right; return it as read back.

    One resistor sets the ratio of the gains, 50 Hz to 2 kHz, and nothing else; what it leaves is the resistor's uncertainty
    and what loading, leads and phase do.

    Raises TsfitError ``exists`` or ``cannot_write``; what a recording may be refused for.
    """
    curve = impedance_from_recording(standard.recording, replace(rig, gain_trim=1.0))
    inside = (curve.frequency_hz > TRIM_RANGE_HZ[0]) & (curve.frequency_hz < TRIM_RANGE_HZ[1])
    measured = complex(np.median(curve.impedance_ohm[inside].real))
    trim = float(abs(rig.ratio(standard.ohm) / rig.ratio(measured)))
    nudged = float(abs(rig.ratio(standard.ohm * 1.001) / rig.ratio(standard.ohm))) - 1.0
    share = 1e-3 if standard.uncertainty_ohm is None else standard.uncertainty_ohm / standard.ohm
    reference = rig.reference_stdev / rig.reference_ohm
    document = _document(rig, path)
    document["channels"]["gain_trim"] = trim
    document["channels"]["gain_uncertainty_percent"] = 1e5 * nudged * math.hypot(share, reference)
    return _written(document, path)


@dataclass(frozen=True)
class HeardTone:
    """A tone for the voltmeter as both channels heard it, peak dB re full scale."""

    total_dbfs: float
    second_dbfs: float


def play_tone(rig: Rig, tone: Excitation, on_level: Callable[[Levels], None] | None = None) -> HeardTone:
    """Play a `tone` of one frequency for the voltmeter; return what the channels heard of it.

    Raises TsfitError as `tsfit.bench.sweep.measure`; ``not_heard`` when next to nothing came back.
    """
    blocks: list[Block] = []
    open_player(rig).play(tone, lambda block: blocks.append(block.copy()), on_level=on_level)
    heard = np.concatenate(blocks)
    # From the middle, where the tone is steady however late it came; the window leaves next to nothing of hum and noise.
    middle = heard[len(heard) // 4 : 3 * len(heard) // 4]
    window = np.hanning(len(middle))
    turned = np.exp(-2j * math.pi * tone.low_hz / tone.sample_rate_hz * np.arange(len(middle))) * window
    peaks = 2.0 * np.abs(turned @ middle) / np.sum(window)
    total, second = (20.0 * math.log10(max(float(peaks[channel]), 1e-15)) for channel in (rig.total, rig.second))
    if total < NOT_HEARD_DBFS:
        message = (
            f"{rig.path}: the total channel heard only {total:.0f} dBFS of the tone; check output, cables and "
            "channel numbers."
        )
        raise TsfitError(message, code="not_heard", file=rig.path)
    return HeardTone(total, second)


def refuse_reading(rig: Rig, level_dbfs: float, reading_v: float, heard: HeardTone) -> None:
    """Refuse a voltmeter's reading, V RMS, that cannot belong to the tone which the total channel heard.

    Where the rig file says how many volts fill that channel, its own reading tells what the meter must show; else only that
    no output gives less than `LEAST_OUTPUT_V` or more than `MOST_OUTPUT_V` at full scale.

    Raises TsfitError ``wrong_reading``.
    """
    if rig.total_v is None:
        full_v = math.sqrt(2.0) * reading_v / 10.0 ** (level_dbfs / 20.0)
        if LEAST_OUTPUT_V <= full_v <= MOST_OUTPUT_V:
            return
        likely = "volts typed as millivolts" if full_v > MOST_OUTPUT_V else "a reading typed in a wrong unit"
        message = (
            f"{rig.path}: {reading_v:g} V at {level_dbfs:g} dBFS would make {in_figures(full_v, 3)} V peak of a "
            f"full-scale output, "
            f"which nothing gives: {likely}, a wrong range of the meter, or points where the tone is not; read again."
        )
        raise TsfitError(message, code="wrong_reading", file=rig.path)
    expected_v = rig.total_v * 10.0 ** (heard.total_dbfs / 20.0) / math.sqrt(2.0)
    factor = reading_v / expected_v
    if abs(factor - 1.0) <= METER_OFF:
        return
    named = next(
        (words for times, words in _misreadings(rig, heard).items() if abs(factor / times - 1.0) <= METER_OFF), None
    )
    why = (
        f"probably {named}" if named else "another range, other points, or an attenuator that total_v_full_scale leaves out"
    )
    message = (
        f"{rig.path}: the meter reads {reading_v:g} V, but by total_v_full_scale = {rig.total_v:g} channel {rig.total + 1} "
        f"had {in_figures(expected_v, 3)} V RMS of the tone, {_times(factor)}: {why}; read again, or mend "
        f"total_v_full_scale."
    )
    raise TsfitError(message, code="wrong_reading", file=rig.path)


def _misreadings(rig: Rig, heard: HeardTone) -> dict[float, str]:
    """Factors of a reading over what the total channel had, with the cause of each."""
    causes = {
        1e3: "millivolts were typed as volts",
        1e-3: "volts were typed as millivolts",
        2.0 * math.sqrt(2.0): "the reading is from peak to peak, not RMS",
        math.sqrt(2.0): "the reading is a peak, not RMS",
        10.0: "a range or probe that is ten times off, or an attenuator that total_v_full_scale leaves out",
        0.1: "a range or probe that is ten times off, or an attenuator that is not in the circuit",
    }
    if rig.total_v is None or rig.second_v is None or heard.second_dbfs < NOT_HEARD_DBFS:
        return causes
    second = rig.second_v / rig.total_v * 10.0 ** ((heard.second_dbfs - heard.total_dbfs) / 20.0)
    ends = ("driver", "resistor") if rig.topology == "divider" else ("resistor", "driver")
    return {second: f"the meter lies across the {ends[0]}", 1.0 - second: f"the meter lies across the {ends[1]}", **causes}


def _times(factor: float) -> str:
    """How far a reading is off."""
    return f"{in_figures(factor, 3)} times less" if factor > 1.0 else f"{in_figures(1.0 / factor, 3)} times more"


def write_volts(rig: Rig, level_dbfs: float, reading_v: float, path: Path) -> Rig:
    """Write a copy of the rig file to `path` that knows its output in volts; return it as read back.

    `level_dbfs` is the peak of the tone, `reading_v` what a voltmeter read across the total channel's points, V RMS.

    Raises TsfitError ``exists`` or ``cannot_write``.
    """
    document = _document(rig, path)
    document["playback"]["volts_per_full_scale"] = float(f"{math.sqrt(2.0) * reading_v / 10.0 ** (level_dbfs / 20.0):.5g}")
    return _written(document, path)


def prove(rig: Rig, standard: KnownThing) -> Proof:
    """Measure `standard` with `rig` and compare. Raises TsfitError for what a recording may be refused for."""
    curve = impedance_from_recording(standard.recording, rig)
    inside = (curve.frequency_hz >= PROOF_RANGE_HZ[0]) & (curve.frequency_hz <= PROOF_RANGE_HZ[1])
    ratio = curve.impedance_ohm[inside] / standard.ohm
    error = np.abs(np.abs(ratio) - 1.0)
    return Proof(
        ohm=standard.ohm,
        percent=100.0 * float(error.max()),
        degrees=float(np.degrees(np.abs(np.angle(ratio)).max())),
        median_percent=100.0 * float(np.median(error)),
    )


def _relative(recording: Path, file: Path) -> str:
    """Name of the recording as `file` beside it would name it."""
    return Path(os.path.relpath(recording, file.parent)).as_posix()


def _document(rig: Rig, path: Path) -> tomlkit.TOMLDocument:
    """Text of the rig file; the files that it names are named as from `path`."""
    document = tomlkit.parse(rig.path.read_text(encoding="utf-8-sig"))
    calibration = document.get("calibration", {})
    naming = [(document.get("playback", {}), "driver"), (calibration, "open"), (calibration, "short")]
    for table, key in [*naming, *((known, "recording") for known in calibration.get("known", []))]:
        if key in table:
            table[key] = _relative(rig.path.parent / table[key], path)
    return document


def _written(document: tomlkit.TOMLDocument, path: Path) -> Rig:
    write_new(path, tomlkit.dumps(document))
    return read_rig(path)
