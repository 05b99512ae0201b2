"""Check a rig before measuring with it: play quietly, listen, and say what to turn and which way."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.errors import TsfitError
from tsfit.bench.how_long import Need, needs
from tsfit.capture.excitation import Excitation
from tsfit.capture.forms import SweepVerdictForm, sweep_verdict_form
from tsfit.capture.impedance import hear, impedance_of, with_standards
from tsfit.capture.lines import MAINS_HZ
from tsfit.capture.player import Hung, open_player
from tsfit.capture.quality import SweepVerdict, judge
from tsfit.capture.ratio import channel_ratio
from tsfit.capture.recording import Recording
from tsfit.capture.rig import Rig
from tsfit.capture.stream import Block, Levels, Player

HARMONICS = (1, 2, 3, 4, 5)
GOOD_PEAK_DB = (-45.0, -3.0)
AIM_DB = -12.0
HUM_OVER_NOISE = 10.0
"""Hum over the noise that falls into the same line, from which it is hum, dB."""
HUM_BELOW_SIGNAL_DB = 50.0
MATCH_RANGE_HZ = (50.0, 2000.0)


@dataclass(frozen=True)
class RigCheck:
    """What a check of a rig found."""

    KIND: ClassVar = "rig check"

    verdict: SweepVerdictForm  # levels, noise, delay, clock, dropouts
    # by mains frequency in Hz, amplitude of fundamental and harmonics together in both channels
    hum_dbfs: dict[str, tuple[float, float]]
    hum_found_hz: float | None  # mains frequency that stands out of the noise, None when none does
    gain_percent: float | None  # error of the ratio of the channels' gains, None without a known resistor
    advice: tuple[str, ...]  # sentences; empty when nothing needs turning
    how_long: tuple[Need, ...]  # what usual uncertainties take; empty where no driver's resonance is heard


def check_rig(
    rig: Rig,
    excitation: Excitation,
    *,
    known_ohm: float | None = None,
    player: Player | None = None,
    on_level: Callable[[Levels], None] | None = None,
) -> RigCheck:
    """Play `excitation` on `rig`, keep nothing, and judge what comes back.

    A resistor of `known_ohm` in the driver's place tells the match of the channels' gains. A `player` plays instead of the
    device that the rig file names.

    Raises TsfitError for what the device refuses.
    """
    blocks: list[Block] = []
    player = player or open_player(rig, Hung(known_ohm=known_ohm))
    report = player.play(excitation, lambda block: blocks.append(block.copy()), on_level=on_level)
    samples = np.concatenate(blocks).astype(float)
    verdict = judge(samples, excitation, rig, report)
    rate = excitation.sample_rate_hz
    quiet = samples[: excitation.start + (verdict.delay_samples or 0)]
    levels = {f"{mains:g}": hum_level(quiet, rate, mains) for mains in MAINS_HZ}
    found = _standing_out(levels, verdict.noise_dbfs, len(quiet))
    gain = None if known_ohm is None else _gain_percent(samples, rate, rig, known_ohm)
    excited = (excitation.stop - excitation.start) / rate
    times = () if known_ohm is not None else _how_long(Recording(rig.path, samples, rate, ""), rig, excited)
    advice = tuple(_advise(verdict, levels, found, gain))
    return RigCheck(sweep_verdict_form(verdict), levels, found, gain, advice, times)


def _how_long(recording: Recording, rig: Rig, seconds: float) -> tuple[Need, ...]:
    """What usual uncertainties take; nothing where no resonance of a driver is heard."""
    try:
        [heard] = with_standards([hear(recording, rig)])
        return needs(impedance_of(heard), seconds, rig)
    except TsfitError:
        return ()


def hum_level(quiet: Real, rate: float, mains_hz: float) -> tuple[float, float]:
    """Amplitude of mains hum and its harmonics together in both channels of silence (n, 2), dB re full scale."""
    time = np.arange(len(quiet)) / rate
    total = np.zeros(2)
    window = np.hanning(len(quiet))[:, None]
    for harmonic in HARMONICS:
        wave = np.exp(-2j * math.pi * harmonic * mains_hz * time)[:, None]
        total += np.abs(2.0 * np.sum(window * quiet * wave, axis=0) / np.sum(window)) ** 2
    first, second = (10.0 * math.log10(max(float(power), 1e-30)) for power in total)
    return first, second


def _standing_out(levels: dict[str, tuple[float, float]], noise: tuple[float, float], n: int) -> float | None:
    """Mains frequency whose lines stand out of what white noise of that level would put into them."""
    # A line of n samples under a Hann window holds 1.5 x 4/n of the noise's power as squared amplitude.
    floor = 10.0 * math.log10(6.0 * len(HARMONICS) / n)
    over = {name: max(level - floor - own for level, own in zip(both, noise, strict=True)) for name, both in levels.items()}
    loudest = max(over, key=lambda name: over[name])
    return float(loudest) if over[loudest] > HUM_OVER_NOISE else None


def _gain_percent(samples: Real, rate: float, rig: Rig, known_ohm: float) -> float:
    found = channel_ratio(samples[:, rig.total], samples[:, rig.second], rate, points_per_octave=12.0)
    inside = (found.frequency_hz > MATCH_RANGE_HZ[0]) & (found.frequency_hz < MATCH_RANGE_HZ[1])
    measured = float(np.median(np.abs(found.value[inside]))) * rig.gain_trim
    return 100.0 * (measured / float(abs(rig.ratio(known_ohm))) - 1.0)


def _advise(
    verdict: SweepVerdict, hum: dict[str, tuple[float, float]], found: float | None, gain: float | None
) -> list[str]:
    advice = [note.message[0].upper() + note.message[1:] for note in verdict.notes if note.code not in ("weak", "noise")]
    # Both inputs keep one gain: their ratio is the measurement. So the louder channel decides.
    loudest = max(verdict.peak_dbfs)
    if loudest < GOOD_PEAK_DB[0]:
        advice.append(f"Turn up both inputs alike, or the level, by up to {AIM_DB - loudest:.0f} dB.")
    elif loudest > GOOD_PEAK_DB[1]:
        advice.append(f"Turn down both inputs alike, or the level, by about {loudest - AIM_DB:.0f} dB.")
    if found is not None:
        below = min(peak - level for peak, level in zip(verdict.peak_dbfs, hum[f"{found:g}"], strict=True))
        if below < HUM_BELOW_SIGNAL_DB:
            advice.append(
                f"Mains hum of {found:g} Hz stands only {below:.0f} dB below the signal: part signal cables from mains "
                "cables, and look for a second path to ground."
            )
    if gain is not None and abs(gain) > 0.5:
        advice.append(
            f"The channels' gains differ by {gain:+.2f} %: set both inputs alike, then calibrate, if only with --trim."
        )
    return advice
