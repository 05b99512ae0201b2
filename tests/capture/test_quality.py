"""The verdict on a sweep, on simulated recordings with planted faults and without."""

from dataclasses import replace

import numpy as np
import pytest
from helpers.paths import RIGS

from tsfit.base.forms import plain
from tsfit.capture.excitation import Wanted, make_excitation
from tsfit.capture.forms import sweep_verdict_form
from tsfit.capture.quality import judge, judge_curve
from tsfit.capture.rig import read_rig
from tsfit.capture.simulated import SimulatedBench
from tsfit.circuit.load import free_air
from tsfit.driver.curve import ImpedanceCurve
from tsfit.formats.driver import read_driver

RIG = read_rig(RIGS / "simulated.toml")
DRIVER = read_driver(RIGS / "drivers" / "dunlin-10.toml")
SWEEP = make_excitation(Wanted("exponential sweep", sample_rate_hz=48000.0, seconds=5.0, level_dbfs=-20.0))


CUT, BLOCK = 60 * 2048, 2048
"""Where a block goes wrong, 2.56 s from the start, and its frames."""


def _judged(seed=0, excitation=SWEEP, fault=None, **changes):
    """Verdict on a recording of which a block was lost, came twice, or came with a flag and unharmed."""
    bench = replace(SimulatedBench(DRIVER, free_air(), RIG, rng=np.random.default_rng(seed)), **changes)
    blocks = []
    report = bench.play(excitation, blocks.append)
    samples = np.concatenate(blocks).astype(float)
    if fault == "missing block":
        samples = np.concatenate([samples[:CUT], samples[CUT + BLOCK :], samples[:BLOCK]])
    elif fault == "repeated block":
        samples = np.concatenate([samples[: CUT + BLOCK], samples[CUT:-BLOCK]])
    elif fault == "overflow":
        report = replace(report, flags=((CUT, "input overflow"),))
    return judge(samples, excitation, RIG, report)


def _codes(verdict):
    return {note.code: note.severity for note in verdict.notes}


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("kind", ["exponential sweep", "multisine", "odd multisine"])
def test_a_clean_sweep_is_good(kind, seed):
    excitation = make_excitation(Wanted(kind, sample_rate_hz=48000.0, seconds=5.0, level_dbfs=-20.0))
    verdict = _judged(seed, excitation)
    assert verdict.notes == ()
    assert verdict.action.startswith("Good")
    assert verdict.delay_samples == 600
    assert verdict.clock_ppm == pytest.approx(0.0)
    # A plain multisine cannot tell distortion, and says so.
    told = sweep_verdict_form(verdict).distortion
    assert told == "not measurable" if kind == "multisine" else told.worst_percent is None


@pytest.mark.parametrize("kind", ["missing block", "repeated block"])
def test_a_lost_or_repeated_block_refuses_the_sweep(kind):
    verdict = _judged(fault=kind)
    assert _codes(verdict) == {"dropout": "refuse"}
    assert "2.5" in verdict.action or "2.6" in verdict.action


@pytest.mark.parametrize(
    ("changes", "code", "severity"),
    [
        ({"input_gain_db": 30.0}, "clipping", "refuse"),
        ({"input_gain_db": 19.5}, "near_full_scale", "warn"),
        ({"noise_dbfs": -15.0}, "noise", "refuse"),
        ({"noise_dbfs": -62.0}, "noise", "warn"),
        ({"true_rate_hz": 47900.0}, "clock", "warn"),
        ({"fault": "overflow"}, "dropout", "warn"),
    ],
)
def test_a_planted_fault_is_named(changes, code, severity):
    assert _codes(_judged(**changes)).get(code) == severity


@pytest.mark.parametrize("kind", ["exponential sweep", "odd multisine"])
def test_a_suspension_driven_too_far_is_no_small_signal(kind):
    excitation = make_excitation(Wanted(kind, sample_rate_hz=48000.0, seconds=5.0, level_dbfs=-20.0))
    bent = {"asymmetry_per_m": 30.0, "volts_per_full_scale": 100.0}
    verdict = _judged(excitation=excitation, **bent)
    assert _codes(verdict)["distortion"] == "warn"
    assert ("2nd harmonic" if kind == "exponential sweep" else "even distortion") in verdict.action
    told = plain(sweep_verdict_form(verdict).distortion)
    assert told["worst_percent"] > 1.0
    # As far below as the remedy says, it is one.
    less = int(verdict.action.split(" dB and record")[0].rsplit(" ", 1)[1])
    quieter = make_excitation(Wanted(kind, sample_rate_hz=48000.0, seconds=5.0, level_dbfs=-20.0 - less))
    assert "distortion" not in _codes(_judged(excitation=quieter, **bent))


def test_a_channel_that_hears_something_else_is_refused():
    noise = 0.1 * np.random.default_rng(0).standard_normal((len(SWEEP.samples), 2))
    blocks = []
    bench = SimulatedBench(DRIVER, free_air(), RIG)
    report = bench.play(SWEEP, blocks.append)
    assert _codes(judge(noise, SWEEP, RIG, report))["not_heard"] == "refuse"


def test_noise_per_octave_follows_the_noise():
    quiet, loud = _judged(noise_dbfs=-90.0), _judged(noise_dbfs=-70.0)
    for octave in ("31.5", "250", "2000"):
        assert loud.percent_per_octave[octave] / quiet.percent_per_octave[octave] == pytest.approx(10.0, rel=0.3)


def test_a_wrong_phase_breaks_kramers_and_kronig():
    f = np.geomspace(5.0, 20000.0, 400)
    bench = SimulatedBench(DRIVER, free_air(), RIG)
    z = bench.impedance(f)
    assert judge_curve(ImpedanceCurve(f, z)) == ()
    (note,) = judge_curve(ImpedanceCurve(f, np.conj(z)))
    assert note.code == "kramers_kronig"
