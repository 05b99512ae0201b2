"""Make the recordings and truth.json of the demonstration; everything here is invented.

Run it as ``python sample_data/make_sample_data.py [FOLDER]``; without FOLDER it writes beside itself. Rig, bench and
sheet files are written by hand: they say what the people at the bench believe. This script knows the truth, which is a
little off, and its drivers are none that a lumped circuit describes exactly.
"""

from __future__ import annotations

import json
import math
import sys
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from bench_simulator import BenchDriver, BenchRig, BenchState, Samples, exponential_sweep, simulate
from numpy.typing import NDArray

from tsfit.driver.air import REFERENCE_AIR, Air

SAMPLE_RATE = 48000
FULL_BITS = 1 << 15


def _area(diameter: float) -> float:
    return math.pi / 4.0 * diameter**2


CREEP = tuple((0.02 + 0.002 * half, 10.0 ** (half / 2.0 - 3.0)) for half in range(8))
"""The suspension gives further with time, 4 % in the decade from a millisecond and 7 % in that to three seconds."""
DRIVERS = {
    "Saltwit 12": BenchDriver(
        Re=5.083, Bl=13.62, Mms=97.8e-3, Cms=0.3673e-3, Rms=2.59, Sd=_area(0.2563), Le=0.34e-3,
        rungs=((1.12e-3, 7.3),), creep=CREEP,
    ),
    "Saltwit 12 B": BenchDriver(
        Re=3.624, Bl=12.14, Mms=86.5e-3, Cms=0.3469e-3, Rms=2.19, Sd=_area(0.2558), Le=0.13e-3,
        rungs=((0.40e-3, 3.4), (0.02e-3, 8.4)), creep=CREEP, part=(4e-3, 760.0, 3.0),
    ),
}  # fmt: skip

DIVIDER = BenchRig(
    topology="divider", reference=99.91, input=19.6e3, lead=0.083, source=3.3, gain=(0.9962, 1.0031), full_scale=1.6,
    coupling_hz=(1.61, 1.74), skew=0.125, noise_dbfs=-86.0, hum_dbfs=(-90.0, -94.0), mains_hz=49.98,
)  # fmt: skip
SHUNT = BenchRig(
    topology="shunt", reference=10.014, input=9.97e3, lead=0.0604, source=22.0, gain=(1.0001, 0.9999), full_scale=1.1,
    coupling_hz=(2.2, 2.2), noise_dbfs=-88.0, hum_dbfs=(-96.0, -96.0), mains_hz=50.01,
)  # fmt: skip
KNOWN_OHM = 10.0123
EVENING = Air(17.6, 1007.9, 68.0)
MORNING = Air(18.4, 1008.6, 63.0)

MASS = BenchState(mass=50.06e-3, warming=1.001, air=MORNING)
BOX = BenchState(volume=31.43e-3, air_load=0.88, warming=1.0015, leak_q=60.0, absorption_q=25.0, air=MORNING)
SCATTER = {"compliance": 6e-3, "friction": 1.5e-2}
"""Of the suspension, from one recording to the next: warmth, rest and handling (common practice, no source)."""


def at_rest(state: BenchState, rng: np.random.Generator) -> BenchState:
    """Return `state` with what the suspension happens to be in it."""
    return replace(state, **{key: math.exp(size * rng.standard_normal()) for key, size in SCATTER.items()})


_chance = np.random.default_rng(1101)
STATES = {
    stem: (name, rig, at_rest(state, _chance))
    for stem, name, rig, state in (
        ("saltwit-12-free-air", "Saltwit 12", DIVIDER, BenchState(air=MORNING)),
        ("saltwit-12-mass-50g", "Saltwit 12", DIVIDER, MASS),
        ("saltwit-12-box", "Saltwit 12", DIVIDER, BOX),
        ("saltwit-12b-free-air", "Saltwit 12 B", DIVIDER, BenchState(air=MORNING)),
        ("saltwit-12b-mass-50g", "Saltwit 12 B", DIVIDER, MASS),
        ("saltwit-12b-box", "Saltwit 12 B", DIVIDER, BOX),
        ("shunt-saltwit-12-free-air", "Saltwit 12", SHUNT, BenchState(warming=0.9982, air=EVENING)),
        ("shunt-saltwit-12-mass-30g", "Saltwit 12", SHUNT, BenchState(mass=29.985e-3, warming=0.9988, air=EVENING)),
    )
}  # fmt: skip
STANDARDS = {"calibration-open": math.inf, "calibration-short": 0.0, "calibration-known-10r": KNOWN_OHM}


def to_pcm(samples: Samples) -> NDArray[np.int16]:
    """Quantise full-scale floats (n, 2) to 16 bits.

    Raises
    ------
    ValueError
        When a sample would clip.
    """
    codes = np.round(samples * FULL_BITS)
    if np.abs(codes).max() >= FULL_BITS:
        raise ValueError("the level chosen in this script clips; lower the sweep's voltage")
    return codes.astype(np.int16)


def record(stem: str) -> NDArray[np.int16]:
    """Simulate the recording of that file stem, with its own fixed seed; (n, 2) codes."""
    if stem in STANDARDS:
        sweep = exponential_sweep(SAMPLE_RATE, 4.0, 5.0, 20000.0, before=0.75)
        rng = np.random.default_rng(1301 + list(STANDARDS).index(stem))
        return to_pcm(simulate(STANDARDS[stem], BenchState(), DIVIDER, sweep, rng))
    name, rig, state = STATES[stem]
    sweep = exponential_sweep(SAMPLE_RATE, 7.0, 5.0, 20000.0, before=0.75, after=0.75)
    return to_pcm(simulate(DRIVERS[name], state, rig, sweep, np.random.default_rng(1201 + list(STATES).index(stem))))


def _resonance(driver: BenchDriver) -> tuple[float, float, float]:
    """Return where the mass and the stiffness of the suspension, creep included, cancel, rad/s, and Cms and Rms there.

    The sprung part goes with the cone.
    """
    omega = 1.0 / math.sqrt(driver.Mms * driver.Cms)
    for _ in range(50):
        given = 1.0 + sum(share / (1.0 + 1j * omega * time) for share, time in driver.creep)
        stiffness = 1.0 / (driver.Cms * given)
        omega = math.sqrt(stiffness.real / driver.Mms)
    return omega, 1.0 / stiffness.real, driver.Rms + stiffness.imag / omega


def figures(driver: BenchDriver, air: Air) -> dict[str, float]:
    """Return T/S figures in SI units from their definitions (Small, JAES 20(5), 1972); Vas and eta0 in `air`.

    Cms and Rms are those at resonance; Le_1kHz is the coil's reactance at 1 kHz over ω.
    """
    omega, cms, rms = _resonance(driver)
    qms, qes = omega * driver.Mms / rms, omega * driver.Mms * driver.Re / driver.Bl**2
    s = 2j * math.pi * 1000.0
    coil = s * driver.Le + sum(s * inductance * r / (s * inductance + r) for inductance, r in driver.rungs)
    return {
        **{name: getattr(driver, name) for name in ("Re", "Bl", "Mms", "Sd")},
        "Cms": cms,
        "Rms": rms,
        "Le_1kHz": (coil / s).real,
        "Fs": omega / (2.0 * math.pi),
        "Qms": qms,
        "Qes": qes,
        "Qts": qms * qes / (qms + qes),
        "Vas": air.density * air.sound_speed**2 * driver.Sd**2 * cms,
        "eta0": air.density * (driver.Bl * driver.Sd / driver.Mms) ** 2 / (2.0 * math.pi * air.sound_speed * driver.Re),
    }


def truth() -> dict[str, Any]:
    """Return what truth.json holds."""
    return {
        "note": "Simulated truth, SI units. Re and the figures derived from it hold for the free-air sweep on the divider.",
        "reference_air": asdict(REFERENCE_AIR),
        "bench_air": asdict(MORNING),
        "drivers": {
            name: {
                "equations": asdict(driver),
                "parameters": figures(driver, REFERENCE_AIR),
                "parameters_in_bench_air": figures(driver, MORNING),
            }
            for name, driver in DRIVERS.items()
        },
        "recordings": {
            f"recordings/{stem}.flac": {
                "driver": name,
                "Re": DRIVERS[name].Re * state.warming,
                "compliance": state.compliance,
                "friction": state.friction,
                "mass": state.mass,
                "volume": state.volume,
                "air_load": state.air_load if state.volume is not None else None,
                "air": asdict(state.air),
            }
            for stem, (name, _, state) in STATES.items()
        },
        "rigs": {"rig-divider.toml": asdict(DIVIDER), "rig-shunt.toml": asdict(SHUNT)},
        "known_ohm": KNOWN_OHM,
    }


def write(folder: Path) -> None:
    """Write all recordings and truth.json into `folder`."""
    (folder / "recordings").mkdir(parents=True, exist_ok=True)
    for stem in (*STATES, *STANDARDS):
        soundfile.write(folder / "recordings" / f"{stem}.flac", record(stem), SAMPLE_RATE, subtype="PCM_16")
    (folder / "truth.json").write_text(json.dumps(truth(), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    write(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
