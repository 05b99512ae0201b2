"""Figures against level: planted dependence found within its stated uncertainty, none where there is none, the choice."""

import os
from dataclasses import replace

import numpy as np
import pytest
from made_curves import make, truth

from tsfit.fitting.fit import fit
from tsfit.fitting.level_choice import choose
from tsfit.fitting.levels import LevelModel, level_notes
from tsfit.fitting.model import make_sweep
from tsfit.circuit.response import Circuit
from tsfit.records import State

DB = (-30.0, -20.0, -14.0, -10.0)
TRIALS = int(os.environ.get("TSFIT_LEVEL_TRIALS", "30"))


def _planted(levels, stiffness, friction, heat):
    """Figures by level: stiffness, friction and Re on straight lines in the square of level; mass and motor constant."""
    figures = []
    for u in [*10.0 ** ((np.array(levels) - levels[-1]) / 10.0), 0.0]:
        fs, re = 29.0 * np.sqrt(1.0 + stiffness * u), 5.4 * (1.0 + heat * u)
        qes = 0.42 * fs / 29.0 * re / 5.4
        figures.append({"Re": re, "Fs": fs, "Qms": 5.0 * fs / 29.0 / (1.0 + friction * u), "Qes": qes})
    *at, limit = figures
    return at, limit


def _swept(rng, slopes, kinds=("free air",), levels=DB, noise=2e-3):
    """Free air at every level on one bench, the other `kinds` at the lowest level, and what was planted."""
    planted, limit = _planted(levels, *slopes)
    bench = int(rng.integers(1 << 31))
    curves = []
    for k, (figures, db) in enumerate(zip(planted, levels, strict=True)):
        made, area, _ = make(kinds if k == 0 else kinds[:1], np.random.default_rng(bench), relative_noise=0.0, **figures)
        for curve, state in made:
            z = curve.impedance_ohm
            sigma = noise * np.sqrt(np.abs(z) * np.abs(z).min())
            own = sigma / np.sqrt(2.0) * (rng.standard_normal(len(z)) + 1j * rng.standard_normal(len(z)))
            noisy = replace(curve, impedance_ohm=z + own, variance_ohm2=sigma**2)
            curves.append((noisy, replace(state, level_dbfs=db)))
    return curves, area, planted, limit


def _fit(curves, area=None):
    return fit(curves, sd=area, coil="ladder-2", suspension="ideal")


@pytest.mark.parametrize("slopes", [(-0.08, 0.3, 0.04), (0.0, 0.0, 0.0)])
def test_planted_dependence_is_found_within_its_sigma(slopes):
    """z-scores of every level, of the limit, and of the difference from it; with and without dependence."""
    scores = {"level": [], "limit": [], "apart": []}
    small, straight = [], []
    for seed in range(TRIALS):
        curves, _, planted, limit = _swept(np.random.default_rng(seed), slopes)
        levels = _fit(curves).levels
        assert set(levels.limit) == {"Re", "Fs", "Qms", "Qes"}
        for name, true in limit.items():
            for found, at in zip(levels.at, planted, strict=True):
                scores["level"].append((found.figures[name].value - at[name]) / found.figures[name].stdev)
            scores["limit"].append((levels.limit[name].value - true) / levels.limit[name].stdev)
            for apart, at in ((levels.lowest_from_limit, planted[0]), (levels.highest_from_limit, planted[-1])):
                scores["apart"].append((apart[name].value - (at[name] - true)) / apart[name].stdev)
        small.append(levels.small_signal)
        straight.append(levels.straight)
    spread = {name: float(np.sqrt(np.mean(np.square(values)))) for name, values in scores.items()}
    print(slopes, spread, np.mean(small), np.mean(straight))
    assert all(0.8 < value < 1.2 for value in spread.values()), spread
    assert np.mean(straight) > 0.9
    # The planted friction changes Qms by 0.3 % at the lowest level already.
    assert np.mean(small) == (slopes[0] == 0.0)
