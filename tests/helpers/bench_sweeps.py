"""Recordings of excitations on the independent bench simulator, late by a round trip, and ways to break them."""

import numpy as np

DELAY = 1234
RATE, HIGH_HZ = 16000, 7000.0


def bench_driver(simulator):
    return simulator.BenchDriver(
        Re=5.6, Bl=11.5, Mms=0.062, Cms=0.52e-3, Rms=1.9, Sd=0.0515, Le=0.9e-3, rungs=((1.1e-3, 3.5),)
    )


def played(simulator, excitation, rig, *, driver=None, state=None, delay=DELAY):
    """Recording (n, 2) without noise or hum; as long as the excitation, so that its tail holds what comes late."""
    rng = np.random.default_rng(0)
    clean = simulator.simulate(
        bench_driver(simulator) if driver is None else driver, state or simulator.BenchState(), rig, excitation.samples, rng
    )
    return np.pad(clean, ((delay, 0), (0, 0)))[: len(clean)]


def lose(samples, at, count):
    """`count` frames are missing, silence fills up."""
    return np.pad(np.delete(samples, slice(at, at + count), axis=0), ((0, count), (0, 0)))


def repeat(samples, at, count):
    """`count` frames come twice."""
    return np.concatenate([samples[:at], samples[at - count : at], samples[at:]])[: len(samples)]


def blank(samples, at, count):
    """`count` frames are silent."""
    broken = samples.copy()
    broken[at : at + count] = 0.0
    return broken
