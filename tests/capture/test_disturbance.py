"""Faulty recordings at two strengths or more: found and named, or harmless; healthy ones are left alone.

``TSFIT_FAULTS=all pytest tests/capture/test_disturbance.py -s`` prints the
table of all of them; a few, the weaker or the stronger in turn,
stand for them otherwise.
"""

import os
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from helpers.faults import FAULTS
from helpers.healthy_benches import BENCHES, made
from helpers.paths import ROOT
from helpers.verdicts import judged

from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.capture.impedance import hear
from tsfit.capture.recording import read_recording
from tsfit.capture.rig import read_rig

ALL = os.environ.get("TSFIT_FAULTS") == "all"
ON_TRUST = {
    "wrong reference": "resistor, leads",
    "automatic gain": "steady gains",
    "second channel limited softly": "steady gains",
    "total channel limited softly": "steady gains",
    "gain in one sweep, dB": "steady gains",
    "second sweep on its face, air over Mms": "mass as typed",
    "another sample for the mass": "mass as typed",
    "reference warms": "resistor, leads",
    "one channel coupled otherwise, Hz": "resistor, leads",
    "crosstalk, dB": "crosstalk (-90 dB)",
    "lead left out, ohm": "resistor, leads",
    "mass typed wrong, times": "mass as typed",
    "header of every file lies, times": "sample rate in the headers",
}
"""What two channels and a driver cannot tell, and the words by which every such fit says that it took it on trust."""
FEW = (
    "voice over the sweep",
    "loose contact, spikes",
    "lost at the resonance, samples",
    "gap, both channels, samples",
    "total channel limited softly",
    "vented box, tuning over Fs",
    "crosstalk, dB",
    "header of every file lies, times",
    "second sweep warmer, K",
    "slip of every recording, samples",
)
HEAD = """# What becomes of faulty recordings

Made by `TSFIT_FAULTS=all pytest tests/capture/test_disturbance.py`: each fault at three strengths, in the free-air
recording of a bench of two. *Refused*: with its cause; *found*: fitted under a warning that names it; *harmless*: every
figure within 1 % or three of its own standard uncertainties; *on trust*: two channels and a driver cannot tell, and the
fit says what it took on trust. Beside it the largest error that is left in Re, Fs, Qms, Qes or Mms.

| fault | weak | middling | strong |
|---|---|---|---|
"""
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
        rate = (name == "second" and m.second_rate) or m.header_rate or m.rate
        soundfile.write(path, samples, rate, format=m.format, subtype=m.subtype)
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


def test_faults_are_found_and_named_or_do_no_harm(healthy, tmp_path):
    verdicts, rows = {}, []
    for number, (name, strength) in enumerate(CASES):
        if not (ALL or (name in FEW and strength == FAULTS[name].strengths[FEW.index(name) % 2])):
            continue
        m = healthy(number % len(BENCHES))
        if m.bench.kind == "noise" and name.startswith(("coil warms", "tail", "head")):
            m = healthy(0)
        m.sweeps[0] = FAULTS[name].apply(m, m.sweeps[0].copy(), strength)
        folder = tmp_path / str(number)
        folder.mkdir()
        found = judged(_written(folder, m), m.bench.truth, FAULTS[name].words, ON_TRUST.get(name))
        verdicts[name, strength] = found
        said = found.said.removeprefix(str(folder))[:110]
        rows.append(f"{name:34s} {strength:8g}  {found.word:9s} {found.percent:6.2f} % {found.sigmas:6.1f} s  {said}")
        print(rows[-1], flush=True)
    if ALL:
        (ROOT / "tests" / "FAULTS.md").write_text(_table(verdicts))
    words = [found.word for found in verdicts.values()]
    assert "SILENT" not in words, rows
    assert words.count("misnamed") + words.count("warned of") <= 0.05 * len(words), rows


def _table(verdicts):
    """Return what stands in FAULTS.md."""
    lines = []
    for name, fault in FAULTS.items():
        cells = []
        for strength in fault.strengths:
            found = verdicts[name, strength]
            left = "" if found.word in ("refused", "misnamed") else f", {in_figures(found.percent, 2)} %"
            cells.append(f"{in_figures(strength)}: {found.word}{left}")
        lines.append(f"| {name} | {' | '.join(cells)} |")
    return HEAD + "\n".join(lines) + "\n"


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
