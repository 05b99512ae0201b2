"""Faulty recordings at two strengths or more: found and named, or harmless; healthy ones are left alone.

``TSFIT_FAULTS=all pytest tests/capture/test_disturbance.py -s`` prints the
table of all of them; a few, the weaker or the stronger in turn,
stand for them otherwise.
"""

import os
import re
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from helpers.faults import FAULTS
from helpers.healthy_benches import BENCHES, made

from tsfit.base.errors import TsfitError
from tsfit.bench.fit import fit_bench
from tsfit.capture.impedance import hear
from tsfit.capture.recording import read_recording
from tsfit.capture.rig import read_rig

ALL = os.environ.get("TSFIT_FAULTS") == "all"
SAID = ("other_resistance", "coarse")
"""Notes that name a cause, without a warning where it may be harmless."""
ON_TRUST = {
    "wrong reference": "its resistor",
    "automatic gain": "gain stays",
    "second channel limited softly": "gain stays",
    "crosstalk, dB": "hears less",
    "lead left out, ohm": "its leads",
    "mass typed wrong, times": "mass as typed",
    "header of every file lies, times": "sample rate in the recordings' headers",
}
"""What two channels and a driver cannot tell, and the words by which every such fit says that it took it on trust."""
FEW = (
    "voice over the sweep",
    "loose contact, spikes",
    "lost at the resonance, samples",
    "gap, both channels, samples",
    "total channel limited softly",
    "contact of more ohm in one sweep",
    "vented box, tuning over Fs",
)
CASES = [(name, strength) for name, fault in FAULTS.items() for strength in fault.strengths]
CONVERTERS = ((16, "PCM_24"), (14, "FLOAT"), (12, "PCM_24"), (12, "FLOAT"))
"""Bits, and the form of file that they are in."""


@pytest.fixture(scope="module")
def healthy(bench_simulator):
    kept = {}

    def one(number):
        if number not in kept:
            kept[number] = made(bench_simulator, BENCHES[number], number)
        here = kept[number]
        return replace(here, sweeps=[x.copy() for x in here.sweeps], rig={}, rng=np.random.default_rng([7, number]))

    return one


def _written(folder, m):
    ending = "ogg" if m.format == "OGG" else "wav"
    for name, samples in zip(("free", "second"), m.sweeps, strict=True):
        path = folder / f"{name}.{ending}"
        soundfile.write(path, samples, m.header_rate or m.rate, format=m.format, subtype=m.subtype)
    (folder / "rig.toml").write_text(m.bench.rig(**m.rig))
    state = (
        f'state = "added mass"\nmass_g = {1e3 * m.typed_mass * m.bench.mass}\nmass_uncertainty_g = {0.1 * m.bench.mass}\n'
    )
    if m.second_state != "added mass":
        state = f'state = "closed box"\nvolume_l = {m.second_state.split()[-1]}\n'
    sweeps = (
        f'[[sweep]]\nrecording = "free.{ending}"\nstate = "free air"\n[[sweep]]\nrecording = "second.{ending}"\n{state}'
    )
    bench = folder / "bench.toml"
    bench.write_text(f'rig = "rig.toml"\n[driver]\nname = "made"\nsd_cm2 = 300\n{sweeps}')
    return bench


def _judged(bench, truth, words, trusted):
    """Verdict on a bench with a fault, largest error in stated deviations and in percent, and what was said."""
    try:
        found = fit_bench(bench)
    except TsfitError as error:
        return ("refused" if re.search(words, error.message) else "misnamed"), 0.0, 0.0, error.message
    said = "; ".join(note.message for note in found.quality if note.severity == "warn" or note.code in SAID)
    off = [(found.parameters[name].value - value, found.parameters[name].stdev, value) for name, value in truth.items()]
    sigmas = max(abs(apart) / stdev for apart, stdev, _ in off)
    percent = max(abs(100.0 * apart / value) for apart, _, value in off)
    wrong = any(abs(apart) > max(3.0 * stdev, 0.01 * value) for apart, stdev, value in off)
    if re.search(words, said):
        return "found", sigmas, percent, said
    if not wrong:
        return "harmless", sigmas, percent, said
    on_trust = trusted and any(trusted in note.message for note in found.quality)
    return ("on trust" if on_trust else "warned of" if said else "SILENT"), sigmas, percent, said


def test_faults_are_found_and_named_or_do_no_harm(healthy, tmp_path):
    verdicts, silent, rows = [], [], []
    for number, (name, strength) in enumerate(CASES):
        if not (ALL or (name in FEW and strength == FAULTS[name].strengths[FEW.index(name) % 2])):
            continue
        m = healthy(number % len(BENCHES))
        if m.bench.kind == "noise" and name.startswith(("coil warms", "tail", "head")):
            m = healthy(0)
        m.sweeps[0] = FAULTS[name].apply(m, m.sweeps[0].copy(), strength)
        folder = tmp_path / str(number)
        folder.mkdir()
        verdict, sigmas, percent, said = _judged(_written(folder, m), m.bench.truth, FAULTS[name].words, ON_TRUST.get(name))
        verdicts.append(verdict)
        said = said.removeprefix(str(folder))[:110]
        rows.append(f"{name:34s} {strength:8g}  {verdict:9s} {percent:6.2f} % {sigmas:6.1f} s  {said}")
        if verdict == "SILENT":
            silent.append(rows[-1])
    print("\nfault, strength, verdict, largest error left\n" + "\n".join(rows))
    assert not silent
    assert verdicts.count("misnamed") + verdicts.count("warned of") <= 0.05 * len(verdicts), rows


def test_healthy_recordings_are_left_alone(healthy, tmp_path):
    """Converters of few bits in files of many, loud and quiet, without dither."""
    said = []
    for number, bench in enumerate(BENCHES):
        for k, (bits, subtype) in enumerate(CONVERTERS):
            for level in (0.98, 0.15):
                if not ALL and (number + k) % 3:
                    continue
                m = healthy(number)
                x = level * m.sweeps[0] / np.abs(m.sweeps[0]).max()
                x = np.rint(x * 2.0 ** (bits - 1)) / 2.0 ** (bits - 1)
                path = tmp_path / "healthy.wav"
                soundfile.write(path, x, m.rate, subtype=subtype)
                (tmp_path / "rig.toml").write_text(bench.rig())
                try:
                    heard = hear(read_recording(path), read_rig(tmp_path / "rig.toml"), 48.0)
                    said += [
                        (number, bits, subtype, level, note.message) for note in heard.notes if note.severity == "warn"
                    ]
                except TsfitError as error:
                    said.append((number, bits, subtype, level, error.message))
    assert not said
