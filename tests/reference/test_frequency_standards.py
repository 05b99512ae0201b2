"""Frequencies of tables and bands against the standards that name them."""

import numpy as np
import pytest

from tsfit.box.frequencies import PREFERRED_HZ, table_frequencies
from tsfit.capture.octaves import octaves

# ISO 266, preferred frequencies of one decade in third octaves, from memory.
ISO_266 = (100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0, 800.0, 1000.0)


# Levels at 30 and 60 Hz are what is asked for of a bass: common practice, no source.
ASKED_FOR = {315.0: 300.0, 630.0: 600.0}


@pytest.mark.against("frequencies of tables", "ISO 266, preferred frequencies, from memory", "exact, but 30 and 60 Hz")
def test_tables_stand_at_preferred_frequencies_but_for_thirty_and_sixty():
    preferred = {round(ASKED_FOR.get(hz, hz) * decade, 6) for hz in ISO_266 for decade in (0.1, 1.0, 10.0)}
    decade = [hz for hz in sorted(preferred) if 20.0 <= hz <= 200.0]
    assert list(PREFERRED_HZ) == decade
    assert set(table_frequencies(950.0)) <= preferred


# IEC 61260-1, from memory: octave ratio G = 10^(3/10), mid-bands 1000 G^x, edges G^(1/2) to either side.
@pytest.mark.against("octave bands", "IEC 61260-1, base-ten mid-bands and edges, from memory", "1e-9")
@pytest.mark.parametrize("number", range(-7, 5))
def test_octaves_are_those_of_base_ten(number):
    ratio = 10.0**0.3
    middle = 1000.0 * ratio**number
    low, high = middle / ratio**0.5, middle * ratio**0.5
    frequency = np.array([low * (1.0 - 1e-9), low * (1.0 + 1e-9), middle, high * (1.0 - 1e-9), high * (1.0 + 1e-9)])
    (inside,) = [inside for name, inside in octaves(frequency) if float(name) == pytest.approx(middle, rel=0.02)]
    np.testing.assert_array_equal(inside, [False, True, True, True, False])


@pytest.mark.against("nominal names of octave bands", "IEC 61260-1, from memory", "1.6 %, their rounding")
def test_names_are_the_nominal_ones():
    exact = 1000.0 * 10.0 ** (0.3 * np.arange(-7, 5))
    named = [float(name) for name, _ in octaves(exact)]
    np.testing.assert_allclose(named, exact, rtol=0.016)
