"""Make ``saltwit-12b-travel.json``: how far the successor goes, from simulated recordings; everything here is invented.

Run it as ``python sample_data/make_travel.py [FOLDER]``; without FOLDER it writes beside itself, where none may be. Three
levels of a multisine through a power amplifier, a 0.1 Ω shunt and attenuators are simulated and fitted; the recordings are
not kept. With z what the spring bends by, x the travel outward, s(x) what is left of coil and rungs::

    dφ/dt = u - Re i - Σ Rk s (i - ik) - Bl(x) v,  i = φ / (Le s)      dφk/dt = Rk s (i - ik),  ik = φk / (Lk s)
    M dv/dt = Bl(x) i + ½ s'(x) (Le i² + Σ Lk ik²) - Rms v - F      F = k(x) z / Cms,  z = x - Σ xj
    τj dxj/dt = λj Cms F - xj

The steps are Heun's, far shorter than the fastest rung decays. SI units.
"""

from __future__ import annotations

import json
import math
import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile
from make_sample_data import DRIVERS
from numba import njit
from numpy.typing import NDArray

from tsfit.base.files import to_json, write_new
from tsfit.bench.fit import fit_bench
from tsfit.bench.travel import travel_bench
from tsfit.formats.fit import fit_to_dict

HERE = Path(__file__).parent
NAME = "saltwit-12b-travel.json"
RATE, FINE = 16000, 48
PERIOD_S, PERIODS = 2.0, 4
SHUNT, LEAD, TOTAL_V, REFERENCE_V = 0.1, 0.03, 80.0, 2.5
"""Ohm, and peak volts at the nodes that read as full scale."""
PEAKS_V = (8.0, 18.0, 38.0)
NOISE = 10.0 ** (-90.0 / 20.0)
MIDDLE, HALF, STEEP = 0.5e-3, 0.0104, 4.0
"""Where the force factor is strongest, how far from there it has halved, m, and how steeply it falls."""
STIFFER = (-9.0, 1700.0, 1.5e7)
"""By what the spring is stiffer per m, m² and m⁴."""
LESS_L, OVER_M = 0.25, 0.013
"""Share of its inductance that the coil loses far outside, and over which travel."""
RIG = f"""name = "amplifier and shunt"
topology = "shunt"
reference_ohm = {SHUNT}
reference_uncertainty_ohm = 0.0001
[channels]
total = 1
reference = 2
total_v_full_scale = {TOTAL_V}
reference_v_full_scale = {REFERENCE_V}
full_scale_uncertainty_percent = 0.1
[leads]
resistance_ohm = {LEAD}
resistance_uncertainty_ohm = 0.002
"""


@njit
def _rates(y, u, p, rungs, creep, out):  # type: ignore[no-untyped-def]
    re, bl0, mass, cms, rms, le = p
    x, v, n = y[0], y[1], len(rungs)
    tanh = math.tanh(x / OVER_M)
    s, s1 = 1.0 - LESS_L * tanh, -LESS_L * (1.0 - tanh * tanh) / OVER_M
    bl = bl0 / (1.0 + abs((x - MIDDLE) / HALF) ** STEEP)
    i = y[2] / (le * s)
    bent, stored, left = x, le * i * i, u - re * i - bl * v
    for k in range(n):
        ring = y[3 + k] / (rungs[k, 0] * s)
        out[3 + k] = rungs[k, 1] * s * (i - ring)
        left -= out[3 + k]
        stored += rungs[k, 0] * ring * ring
    for j in range(len(creep)):
        bent -= y[3 + n + j]
    force = bent / cms * (1.0 + STIFFER[0] * x + STIFFER[1] * x * x + STIFFER[2] * x**4)
    for j in range(len(creep)):
        out[3 + n + j] = (creep[j, 0] * cms * force - y[3 + n + j]) / creep[j, 1]
    out[0], out[1], out[2] = v, (bl * i + 0.5 * s1 * stored - rms * v - force) / mass, left
    return i


@njit
def _current(u, p, rungs, creep, h):  # type: ignore[no-untyped-def]
    """Current (n,) where each step of `h` begins, `u` being the voltage there."""
    size = 3 + len(rungs) + len(creep)
    y, one, two = np.zeros(size), np.zeros(size), np.zeros(size)
    out = np.zeros(len(u))
    for n in range(len(u)):
        out[n] = _rates(y, u[n], p, rungs, creep, one)
        _rates(y + h * one, u[(n + 1) % len(u)], p, rungs, creep, two)
        y += 0.5 * h * (one + two)
    return out


def _multisine(fs: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """One period of an odd-random multisine from 0.3 to 10 Fs that falls 6 dB an octave, of peak 1."""
    n = round(PERIOD_S * RATE) * FINE
    lines = np.arange(int(0.3 * fs * PERIOD_S) | 1, int(10.0 * fs * PERIOD_S), 2)
    lines = lines[rng.random(len(lines)) > 0.25]
    spectrum = np.zeros(n // 2 + 1, dtype=complex)
    spectrum[lines] = np.exp(2j * math.pi * rng.random(len(lines))) / lines
    wave = np.fft.irfft(spectrum)
    return np.asarray(wave / np.abs(wave).max())


def record(number: int) -> NDArray[np.float64]:
    """Samples (n, 2) of the level of that number (from 0): a period to settle, and those that count."""
    driver, rng = DRIVERS["Saltwit 12 B"], np.random.default_rng(2101 + number)
    wave = PEAKS_V[number] * _multisine(28.0, rng)
    p = np.array([driver.Re + SHUNT + LEAD, driver.Bl, driver.Mms, driver.Cms, driver.Rms, driver.Le])
    current = _current(np.tile(wave, 2), p, np.array(driver.rungs), np.array(driver.creep), 1.0 / (RATE * FINE))
    heard = np.concatenate([current, np.tile(current[len(wave) :], PERIODS - 1)])[::FINE]
    samples = np.column_stack([np.tile(wave[::FINE], PERIODS + 1) / TOTAL_V, SHUNT * heard / REFERENCE_V])
    assert np.abs(samples).max() < 1.0
    return np.asarray(samples + NOISE * rng.standard_normal(samples.shape))


def main(target: Path) -> None:
    """Simulate, fit and write."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "power-rig.toml").write_text(RIG, encoding="utf-8")
        fit = fit_bench(HERE / "saltwit-12b-bench.toml")
        (folder / "saltwit-12b-fit.json").write_text(to_json(fit_to_dict(fit)), encoding="utf-8")
        text = 'rig = "power-rig.toml"\n[driver]\nname = "Saltwit 12 B"\nserial = "B-0021"\nfrom = "saltwit-12b-fit.json"\n'
        text += 'outward = "positive"\n'
        for number in range(len(PEAKS_V)):
            file = f"level-{number + 1}.flac"
            soundfile.write(folder / file, record(number), RATE, subtype="PCM_24")
            text += f'[[sweep]]\nrecording = "{file}"\nstate = "full travel"\nperiod_s = {PERIOD_S}\n'
        (folder / "travel.toml").write_text(text, encoding="utf-8")
        told = travel_bench(folder / "travel.toml")
    write_new(target, to_json(told))


if __name__ == "__main__":
    target = (Path(sys.argv[1]) if len(sys.argv) > 1 else HERE) / NAME
    if target.exists():
        sys.exit(f"{target}: already there; remove it first.")
    main(target)
    limits = json.loads(target.read_text(encoding="utf-8"))["limits"]
    print({name: [side.get("value", side.get("at_least")) for side in both.values()] for name, both in limits.items()})
