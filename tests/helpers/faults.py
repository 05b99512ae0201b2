"""What goes wrong with recordings, at two strengths or more.

A fault is done to the samples, or to the driver, of one sweep of a bench (free air and added mass). Nothing here shares
anything with the code that looks for faults.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import signal

from helpers import faults_of_benches as between
from helpers.faults_of_drivers import contact_midway, contact_ohm, heating, lead_left_out, leak, stiffening, vented
from helpers.healthy_benches import Made

# What is done to the samples x (n, 2) of the free-air sweep, at `strength`.


def _add(x, at, y, shares=(0.03, 1.0)):
    out = x.copy()
    y = y[: len(x) - at]
    out[at : at + len(y)] += y[:, None] * np.array(shares) * np.abs(x[:, 1]).max()
    return out


def voice(m, x, strength):
    n = round(0.6 * m.rate)
    t = np.arange(n) / m.rate
    hum = sum(np.sin(2 * np.pi * 118.0 * k * t * (1.0 + 0.03 * np.sin(9.0 * t)) + k) / k for k in range(1, 12))
    return _add(x, m.at(150.0), strength * 0.3 * hum * np.hanning(n) * (1.0 + np.sin(2 * np.pi * 5.0 * t)))


def slam(m, x, strength):
    t = np.arange(round(0.4 * m.rate)) / m.rate
    return _add(
        x, m.at(1.3 * m.bench.Fs), strength * np.sin(2 * np.pi * 17.0 * t) * np.exp(-t / 0.07) * (1.0 - np.exp(-t / 0.004))
    )


def contact_spikes(m, x, strength):
    out, free = x.copy(), _open(m, x)
    for at in m.rng.integers(m.at(20.0), m.at(2000.0), size=round(strength)):
        out[at : at + 25, 1] = free[at : at + 25]
    return out


def contact_dropout(m, x, strength):
    out, at = x.copy(), m.at(0.9 * m.bench.Fs)
    n = round(strength * m.rate)
    out[at : at + n, 1] = _open(m, x)[at : at + n]
    return out


def _open(m, x):
    """What the second channel hears with the driver off."""
    return (x[:, 0] if m.bench.topology == "divider" else 0.0) + 5e-5 * m.rng.standard_normal(len(x))


def gap_both(m, x, strength):
    x[m.at(1.1 * m.bench.Fs) :][: round(strength)] = 0.0
    return x


def gap_one(m, x, strength):
    out, at = x.copy(), m.at(1.1 * m.bench.Fs)
    out[at : at + round(strength), 1] = 0.0
    return out


def lost(m, x, strength, hz=1.0):
    at = m.at(hz * m.bench.Fs)
    return np.delete(x, slice(at, at + round(strength)), axis=0)


def lost_high(m, x, strength):
    return lost(m, x, strength, 12.0)


def slip_one(m, x, strength):
    at, n = m.at(3.0 * m.bench.Fs), round(strength)
    return np.column_stack([x[n:, 0], np.delete(x[:, 1], slice(at, at + n))])


def repeated(m, x, strength):
    at, n = m.at(1.05 * m.bench.Fs), round(strength)
    return np.concatenate([x[:at], x[at - n :]])


def swapped_blocks(m, x, strength):
    at, n = m.at(0.95 * m.bench.Fs), round(strength)
    return np.concatenate([x[:at], x[at + n : at + 2 * n], x[at : at + n], x[at + 2 * n :]])


def other_clock(m, x, strength):
    """A stretch around the resonance at another clock."""
    start, stop = m.at(0.7 * m.bench.Fs), m.at(1.5 * m.bench.Fs)
    middle = signal.resample(x[start:stop], round((stop - start) * (1.0 + strength)))
    return np.concatenate([x[:start], middle, x[stop:]])


def resampled(m, x, strength):
    m.header_rate = round(m.rate * strength)
    m.sweeps[1] = signal.resample(m.sweeps[1], round(len(x) * strength))
    return signal.resample(x, round(len(x) * strength))


def delayed(m, x, strength):
    m.sweeps[1] = _late(m.sweeps[1], strength)
    return _late(x, strength)


def _late(x, samples):
    f = np.fft.rfftfreq(2 * len(x))
    y = np.fft.irfft(np.fft.rfft(x[:, 1], 2 * len(x)) * np.exp(-2j * np.pi * f * samples), 2 * len(x))[: len(x)]
    return np.column_stack([x[:, 0], y])


def hum(mains):
    def apply(m, x, strength):
        t = np.arange(len(x)) / m.rate
        tones = sum(
            np.sin(2 * np.pi * k * mains * t + m.rng.uniform(0, 6.28)) / (1.0 if k == 1 else math.sqrt(k))
            for k in (1, 2, 3, 5, 7, 9)
        )
        return x + 10.0 ** (strength / 20.0) * tones[:, None] * np.array([0.7, 1.0])

    return apply


def clip(channel):
    def apply(m, x, strength):
        out = x.copy()
        top = np.abs(x[:, channel]).max() * 10.0 ** (-strength / 20.0)
        out[:, channel] = np.clip(x[:, channel], -top, top)
        return out

    return apply


def soft_clip(channel):
    def apply(m, x, strength):
        out, top = x.copy(), np.abs(x[:, channel]).max() / strength
        out[:, channel] = top * np.tanh(x[:, channel] / top)
        return out

    return apply


def gain_control(m, x, strength):
    out, keep = x.copy(), math.exp(-12.0 / m.rate)
    for channel in range(2):
        level = np.sqrt(np.abs(signal.lfilter([1.0 - keep], [1.0, -keep], x[:, channel] ** 2)))
        out[:, channel] /= (level / level.max() + 0.02) ** strength
    return out * 0.5 * np.abs(x).max() / np.abs(out).max()


def lossy(m, x, strength):
    import io

    import soundfile

    # Whatever the codec makes of it, saved as WAV again.
    held = io.BytesIO()
    soundfile.write(held, 0.7 * x / np.abs(x).max(), m.rate, format="OGG", subtype="VORBIS", compression_level=strength)
    held.seek(0)
    return soundfile.read(held)[0]


def lossy_file(m, x, strength):
    m.format, m.subtype = "OGG", "VORBIS"
    return x * strength


def lossy_noisy(m, x, strength):
    return lossy(m, x + 1e-3 * np.abs(x).max() * m.rng.standard_normal(x.shape), strength)


def crosstalk(m, x, strength):
    m.sweeps[1] = _crossed(m.sweeps[1], strength)
    return _crossed(x, strength)


def _crossed(x, db):
    share = 10.0 ** (db / 20.0)
    return x + share * x[:, ::-1]


def sag(m, x, strength):
    course = 1.0 - strength * np.clip((np.arange(len(x)) / len(x) - 0.3) / 0.2, 0.0, 1.0)
    return x * course[:, None]


def sudden_sag(m, x, strength):
    return x * np.where(np.arange(len(x)) > m.at(1.2 * m.bench.Fs), 1.0 - strength, 1.0)[:, None]


def _travel(m, x):
    """Something like the cone's travel: the second channel's resonance by a low-pass of second order."""
    w = 2 * np.pi * m.bench.Fs
    b, a = signal.bilinear([w**2], [1.0, w * (1 / m.bench.Qes + 1 / m.bench.Qms), w**2], m.rate)
    y = signal.lfilter(b, a, x[:, 0])
    return y / np.abs(y).max()


def rattle(m, x, strength):
    y = _travel(m, x)
    n = m.rng.standard_normal(len(x)) * (y > 0.7)
    return _add(x, 0, strength * signal.lfilter([1.0], [1.0, -0.9], n))


def nonlinear(m, x, strength):
    y = _travel(m, x)
    speed = np.gradient(y) * m.rate / (2 * np.pi * m.bench.Fs)
    return _add(x, 0, strength * (0.5 * y - y**2) * speed)


def dead(channel):
    def apply(m, x, strength):
        out = x.copy()
        out[:, channel] = strength * m.rng.standard_normal(len(x))
        return out

    return apply


def inverted(m, x, strength):
    return x * np.array([1.0, -strength])


def swapped(m, x, strength):
    return x[:, ::-1] * strength


def offset(m, x, strength):
    return x + strength * np.abs(x).max() * np.array([1.0, -0.6])


def mains_dropout(m, x, strength):
    out, at = x.copy(), m.at(1.4 * m.bench.Fs)
    n = round(strength * m.rate)
    fade = 1.0 - signal.windows.tukey(n, 0.2)
    out[at : at + n] = out[at : at + n] * fade[:, None] + 3e-5 * m.rng.standard_normal((n, 2))
    return out


def cut_off(m, x, strength):
    return x[: m.at(strength * m.bench.Fs)]


def cut_on(m, x, strength):
    return x[m.at(strength * m.bench.Fs) :]


def mono(m, x, strength):
    return x[:, [0, 0]] * strength


def mono_noisy(m, x, strength):
    return x[:, [0, 0]] + strength * m.rng.standard_normal(x.shape)


def one_channel(m, x, strength):
    return x[:, :1] * strength


def mass_mistyped(m, x, strength):
    m.typed_mass = strength
    return x


def reference_off(m, x, strength):
    m.rig = {"reference_ohm": m.bench.reference * strength}
    return x


def noisy(m, x, strength):
    return x + 10.0 ** (strength / 20.0) * m.rng.standard_normal(x.shape)


def clicks(m, x, strength):
    """One converter's wrong samples."""
    out = x.copy()
    out[m.rng.integers(m.at(15.0), m.at(3000.0), size=round(strength)), 1] += 0.4 * np.abs(x[:, 1]).max()
    return out


def header_lies(m, x, strength):
    m.header_rate = round(m.rate * strength)
    return x


def header_of_one_lies(m, x, strength):
    m.second_rate = round(m.rate * strength)
    return x


@dataclass(frozen=True)
class Fault:
    """A fault: what it does, at which strengths, which words name it ("harmless" where it does no harm)."""

    apply: Callable[[Made, np.ndarray, float], np.ndarray]
    strengths: tuple[float, ...]
    words: str


FAULTS = {
    "voice over the sweep": Fault(voice, (0.01, 0.1, 0.5), "burst|disturb"),
    "slammed door": Fault(slam, (0.02, 0.1, 0.5), "burst|disturb"),
    "loose contact, spikes": Fault(contact_spikes, (2, 12, 40), "burst|disturb|contact"),
    "loose contact, s": Fault(contact_dropout, (0.01, 0.05, 0.3), "burst|disturb|contact"),
    "gap, both channels, samples": Fault(gap_both, (16, 64, 480), "gap|lost|silent|disturb"),
    "gap, one channel, samples": Fault(gap_one, (16, 64, 480), "gap|lost|silent|disturb"),
    "lost at the resonance, samples": Fault(lost, (32, 128, 1024), "lost|gap|disturb"),
    "lost above it, samples": Fault(lost_high, (32, 128, 1024), "lost|gap|disturb"),
    "slip of one channel, samples": Fault(slip_one, (1, 8, 64), "slip|lost|delay"),
    "repeated block, samples": Fault(repeated, (64, 200, 512), "lost|repeated|gap|disturb"),
    "blocks in wrong order, samples": Fault(swapped_blocks, (64, 128, 512), "lost|repeated|gap|disturb"),
    "stretch of another clock": Fault(other_clock, (0.0005, 0.005, 0.02), "clock|converted|lost"),
    "resampled by the system": Fault(resampled, (44.1 / 48.0, 0.5, 2.0), "converted"),
    "delay between channels, samples": Fault(delayed, (0.1, 0.25, 0.5), "delay"),
    "hum at 50 Hz less 0.2 %, dBFS": Fault(hum(49.9), (-60.0, -52.0, -45.0), "hum"),
    "hum at 60 Hz and 0.2 %, dBFS": Fault(hum(60.12), (-60.0, -52.0, -45.0), "hum"),
    "total channel clipped, dB": Fault(clip(0), (0.25, 1.0, 3.0), "clip"),
    "second channel clipped, dB": Fault(clip(1), (0.25, 1.0, 3.0), "clip"),
    "total channel limited softly": Fault(soft_clip(0), (0.1, 0.3, 1.0), "clip|overload|nonlinear|distort"),
    "second channel limited softly": Fault(soft_clip(1), (0.1, 0.3, 1.0), "clip|overload|nonlinear|distort"),
    "automatic gain": Fault(gain_control, (0.02, 0.1, 0.3), "automatic|gain|level|nonlinear"),
    "lossy codec, WAV again": Fault(lossy, (0.9, 0.6, 0.3), "codec|lossy|compress"),
    "lossy codec and noise, WAV again": Fault(lossy_noisy, (0.9, 0.6, 0.3), "codec|lossy|compress"),
    "lossy codec": Fault(lossy_file, (0.9, 0.5, 0.1), "codec|lossy|compress"),
    "crosstalk, dB": Fault(crosstalk, (-60.0, -50.0, -40.0), "crosstalk|hears"),
    "coil warms within the sweep": Fault(heating, (0.02, 0.05, 0.10), "warm|heat|cool|unsteady"),
    "amplifier sags": Fault(sag, (0.03, 0.1, 0.3), "sag"),
    "level drops at once": Fault(sudden_sag, (0.03, 0.1, 0.4), "level|burst|disturb"),
    "contact of more ohm in one sweep": Fault(contact_ohm, (0.1, 0.25, 0.5), "contact|resistance|ohm more"),
    "contact worse midway, ohm": Fault(contact_midway, (0.1, 0.25, 0.5), "contact|burst|disturb"),
    "leaking box, QL": Fault(leak, (15.0, 7.0, 3.0), "leak"),
    "vented box, tuning over Fs": Fault(vented, (0.8, 0.95, 1.1), "vented"),
    "rattle": Fault(rattle, (0.003, 0.01, 0.1), "rattle|distort|rubs"),
    "nonlinear driver": Fault(nonlinear, (0.02, 0.05, 0.3), "nonlinear|overdriven|level|distort"),
    "suspension that stiffens": Fault(stiffening, (0.01, 0.025, 0.05), "nonlinear|overdriven|overload|level|distort"),
    "total channel dead": Fault(dead(0), (0.0, 1e-7, 1e-6), "silent"),
    "second channel dead": Fault(dead(1), (0.0, 1e-7, 1e-6), "silent|short|level"),
    "one channel inverted": Fault(inverted, (1.0, 0.98, 0.9), "polarity"),
    "channels swapped": Fault(swapped, (1.0, 0.5, 0.2), "swap|louder"),
    "offset": Fault(offset, (0.02, 0.1, 0.3), "offset"),
    "mains dropout, s": Fault(mains_dropout, (0.02, 0.1, 0.3), "gap|lost|silent|disturb"),
    "tail cut off, at Fs times": Fault(cut_off, (30.0, 6.0, 2.0), "cut|ends|covers|range"),
    "head cut off, at Fs times": Fault(cut_on, (0.3, 0.6, 0.95), "cut|begins|covers|range|below"),
    "both channels the same": Fault(mono, (1.0, 0.5, 0.1), "same"),
    "mono file": Fault(one_channel, (1.0, 0.5, 0.1), "one channel"),
    "lead left out, ohm": Fault(lead_left_out, (0.05, 0.2, 0.5), "its leads"),
    "mass typed wrong, times": Fault(mass_mistyped, (0.9, 1.03, 1.1), "mass as typed"),
    "header of every file lies, times": Fault(header_lies, (44.1 / 48.0, 1.002, 2.0), "sample rate"),
    "header of one file lies, times": Fault(header_of_one_lies, (1.003, 0.97, 1.03), "sample rate"),
    "wrong reference": Fault(reference_off, (1.02, 10.0, 0.1), "reference"),
    "noise, dBFS": Fault(noisy, (-50.0, -30.0, -15.0), "noise"),
    "second sweep on its face, air over Mms": Fault(between.on_its_face, (0.01, 0.03, 0.1), "mass as typed"),
    "second sweep warmer, K": Fault(between.warmer, (1.0, 4.0, 12.0), "scatter|Re is"),
    "suspension of one sweep, Fs": Fault(between.suspension_of_one_sweep, (0.005, 0.02, 0.06), "scatter"),
    "gain in one sweep, dB": Fault(between.gain_of_one_sweep, (0.03, 0.1, 0.5), "scatter|gain|contact"),
    "another sample for the mass": Fault(between.another_sample, (0.01, 0.03, 0.1), "another sample|mass as typed"),
    "mass falls off, at Fs times": Fault(between.mass_falls_off, (0.4, 0.8, 4.0), "mass|burst|disturb"),
    "mass on putty, rings at Fs times": Fault(between.mass_on_putty, (30.0, 8.0, 4.0), "mass"),
    "mass rubs, friction times": Fault(between.mass_rubs, (1.5, 3.0, 10.0), "scatter|mass"),
    "channels swapped in one file": Fault(between.swapped_in_one, (1.0, 0.5, 0.2), "swap|louder"),
    "block repeated in place, samples": Fault(between.repeated_in_place, (48, 192, 960), "lost|repeated|disturb|changed"),
    "reference warms": Fault(between.reference_warms, (0.005, 0.02, 0.05), "unsteady|contact|warm"),
    "buzz in one channel, dBFS": Fault(between.buzz, (-70.0, -60.0, -50.0), "hum|disturb|neither"),
    "hum that wanders, dBFS": Fault(between.wandering_hum, (-70.0, -58.0, -48.0), "hum|disturb|neither"),
    "both channels high-passed, Hz": Fault(between.both_high_passed, (5.0, 20.0, 40.0), "range|level"),
    "one channel coupled otherwise, Hz": Fault(between.one_coupled_otherwise, (0.5, 2.0, 10.0), "coupled|calibrate"),
    "channels of two clocks": Fault(between.channels_of_two_clocks, (1e-6, 1e-5, 1e-4), "slip|clock"),
    "polarity turns, at Fs times": Fault(between.polarity_turns, (0.5, 1.3, 5.0), "polarity|disturb|neither"),
    "contact that rectifies": Fault(between.rectifying, (0.001, 0.01, 0.05), "contact|neither"),
    "contact that is noisy": Fault(between.contact_noise, (0.001, 0.01, 0.05), "contact|neither"),
    "rate converted by straight lines": Fault(between.resampled_badly, (48.0 / 44.1, 1.5, 0.92), "neither|a conversion"),
    "amplifier limits": Fault(between.amplifier_limits, (0.3, 1.0, 3.0), "distort"),
    "wrong samples": Fault(clicks, (1, 5, 20), "burst|disturb|spike|lost"),
    "slip of every recording, samples": Fault(delayed, (1, 3, 20), "a slip that is taken out"),
    "both channels the same but for noise": Fault(mono_noisy, (1e-7, 1e-6, 1e-5), "recorded twice"),
}  # fmt: skip
