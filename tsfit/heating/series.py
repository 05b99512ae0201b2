"""Readings of the coil's resistance in bins, with how surely each is read."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from tsfit.base.arrays import Mask, Real
from tsfit.circuit.thermal import Heating
from tsfit.heating.readout import STEP_S, Readings

LONGEST_BIN = 6
FLOOR = 3e-4
"""Relative standard uncertainty below which no reading of Re is taken to be: the heat within a bin is not steady."""


@dataclass(frozen=True)
class Series:
    """Readings in bins that lengthen as things slow down; (n,)."""

    heat: Heating
    loud: Mask
    end_s: Real
    ohm: Real
    stdev: Real  # infinite where nothing was read
    velocity: float  # mean cone velocity while it is loud
    square: float  # mean square of the current then


def in_bins(readings: Readings, loud: Mask, re: float) -> Series:
    """Bin the readings of a coil of `re` ohm, `loud` where it is heated.

    Those are left out that hold a switch, or the end of what was loud before.
    """
    changes = np.flatnonzero(np.diff(loud)) + 1
    ends = np.array([0, *changes, len(loud)])
    stdev = readings.stdev.copy()
    for first, last in pairwise(ends):
        part = slice(first, last)
        typical = np.median(readings.square[part])
        for k in {first if first else last - 1, last - 1 if last < len(loud) else first} if len(changes) else ():
            if not loud[k] or readings.square[k] < 0.7 * typical:
                stdev[k] = math.inf
        stdev[part] *= _scatter(readings.resistance[part], stdev[part])
    edges = [0]
    while edges[-1] < len(loud):
        at = edges[-1]
        since, until = (int(ends[np.searchsorted(ends, at, side="right") - way]) for way in (1, 0))
        edges.append(min(at + min(max((at - since) // 20, 1), LONGEST_BIN), until))
    starts = np.array(edges[:-1])
    counts = np.diff(edges)
    weight = np.where(np.isfinite(stdev), 1.0 / stdev**2, 0.0)
    total = np.add.reduceat(weight, starts)
    with np.errstate(divide="ignore", invalid="ignore"):
        ohm = np.add.reduceat(np.where(weight > 0.0, weight * readings.resistance, 0.0), starts) / total
        spread = np.sqrt(1.0 / total + (FLOOR * re) ** 2)

    def mean(values: Real) -> Real:
        return np.asarray(np.add.reduceat(values, starts) / counts)

    square = mean(readings.square)
    iron = readings.spectrum.magnet_ohm(np.array([re]))[0]
    heat = Heating(STEP_S * counts.astype(float), square, np.sqrt(mean(readings.velocity**2)), square * iron)
    return Series(
        heat, loud[starts], np.array(edges[1:]) * STEP_S, ohm, spread,
        float(np.sqrt(np.mean(readings.velocity[loud] ** 2))), float(readings.square[loud].mean()),
    )  # fmt: skip


def _scatter(ohm: Real, stdev: Real) -> float:
    """Factor on the `stdev` of readings (n,) that makes them those by which neighbours differ; 1 of too few."""
    kept = np.isfinite(stdev) & (stdev > 0.0)
    ohm, stdev = ohm[kept], stdev[kept]
    if len(ohm) < 5:
        return 1.0
    bent = np.diff(ohm, 2) / np.sqrt(stdev[:-2] ** 2 + 4.0 * stdev[1:-1] ** 2 + stdev[2:] ** 2)
    return float(1.4826 * np.median(np.abs(bent)))
