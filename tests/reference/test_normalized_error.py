"""E_n of a change against ISO/IEC 17043, from memory: (x1 - x2) / sqrt(U1² + U2²), U expanded with k = 2."""

from dataclasses import replace

import numpy as np
import pytest
from helpers.made_histories import FRESH, made_fit

from tsfit.drift.change import Repeatability, compare
from tsfit.drift.entry import entry_of

EXACT = Repeatability(np.zeros(5), 0)


def entry(seed, hours, factor, rig):
    """One fit whose moving mass is `factor` times the fresh one; nothing it stems from is shared with another entry."""
    fit = made_fit({**FRESH, "Mms": factor * FRESH["Mms"]}, np.random.default_rng(seed), (0.0, 0.0), rig=rig)
    own = entry_of(fit, hours)
    systematic = {f"{name} of {rig}": shifts for name, shifts in own.systematic.items()}
    return replace(own, systematic=systematic)


@pytest.mark.against("E_n of what changed", "ISO/IEC 17043, formula, from memory", "1.5 %, second order of a small change")
@pytest.mark.parametrize("factor", [0.98, 1.0, 1.02])
def test_en_of_the_moving_mass_by_hand(factor):
    first, other = entry(1, 0.0, 1.0, "one"), entry(2, 5.0, factor, "two")
    (before, u_before), (after, u_after) = ((e.parameters["Mms"][0], e.parameters["Mms"][1]) for e in (first, other))
    en = (after - before) / np.hypot(2.0 * u_before, 2.0 * u_after)
    found = compare(first, other, EXACT).causes["moving mass"]
    assert found.e_n == pytest.approx(en, rel=0.015, abs=1e-6)
    assert found.beyond_repeatability == (abs(found.e_n) > 1.0)
