"""Hum in what is left over: tones of known frequency beside known noise."""

import numpy as np
import pytest

from tsfit.capture.hum import hum_of, near_mains
from tsfit.capture.lines import lines_of

RATE, SECONDS = 4000.0, 5.3


def left(tones, seed=1):
    rng = np.random.default_rng(seed)
    time = np.arange(round(RATE * SECONDS)) / RATE
    noise = rng.standard_normal(len(time))
    signal = noise + sum(size * np.sin(2.0 * np.pi * f * time + 1.0) for f, size in tones)
    block = lines_of(np.ones(len(time)) + noise, signal, RATE).blocks[0]
    return block, block.second / np.sqrt(len(time))


@pytest.mark.parametrize("mains", [49.92, 50.0, 50.07, 59.9, 60.1])
def test_mains_are_found_where_they_are(mains):
    block, rest = left([(mains, 1.0), (3.0 * mains, 0.4)])
    found = hum_of(block, rest)
    assert len(found) == 2
    assert found[0] == pytest.approx(mains, abs=0.02)
    assert found[1] == pytest.approx(3.0 * mains, abs=0.06)


def test_a_tone_elsewhere_is_no_hum():
    assert hum_of(*left([(73.0, 1.0)])) == []


def test_noise_is_no_hum():
    assert sum(bool(hum_of(*left([], seed))) for seed in range(40)) <= 1


@pytest.mark.parametrize("size", [3.0, 100.0])
def test_a_broad_misfit_is_no_hum(size):
    """A ratio that is not followed yet is many times its noise at the harmonics too."""
    block, rest = left([])
    assert hum_of(block, rest + size * np.exp(-((block.frequency_hz / 300.0) ** 2))) == []


def test_hum_is_found_on_a_broad_misfit():
    block, rest = left([(50.03, 1.0), (150.09, 0.4)])
    assert hum_of(block, rest + 5.0 * np.exp(-((block.frequency_hz / 300.0) ** 2)))[0] == pytest.approx(50.03, abs=0.03)


def test_lines_near_harmonics_of_either_mains():
    block, _ = left([])
    near = block.frequency_hz[near_mains(block)]
    assert {round(f / 10.0) for f in near if f < 130.0} == {5, 6, 10, 12}


@pytest.mark.parametrize("mains", [59.93, 59.98, 60.04, 60.1])
def test_a_harmonic_that_both_mains_have_is_not_taken_for_the_other(mains):
    """The fifth of 60 Hz is nearly the sixth of 50 Hz, and the loudest where a driver's resonance hides the others."""
    found = hum_of(*left([(mains, 0.25), (5.0 * mains, 3.0), (7.0 * mains, 0.2)]))
    assert found == pytest.approx([mains, 5.0 * mains, 7.0 * mains], abs=0.05)


@pytest.mark.parametrize(("mains", "size"), [(59.8935, 1.0), (59.891, 10.0), (59.891, 30.0), (59.924, 300.0)])
def test_hum_of_any_strength_is_found_to_a_part_of_a_line(mains, size):
    """A strong tone fills its surroundings: by what stands out of these alone, a neighbouring line was taken for it."""
    tones = [(order * mains, size * share) for order, share in ((1, 1.0), (2, 0.25), (3, 0.5), (5, 0.3), (7, 0.15))]
    block, rest = left(tones)
    found = hum_of(block, rest)
    assert len(found) >= 4
    assert max(abs(one - round(one / mains) * mains) for one in found) < 0.2 * block.step_hz
