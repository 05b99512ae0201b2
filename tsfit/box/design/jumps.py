"""Where on a map of vented boxes a number jumps: the lines along which a dip in the level comes or goes."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from tsfit.base.arrays import Mask, Real
from tsfit.box.design.search import DesignMap
from tsfit.box.numbers import Merits

Quantity = Literal["f3", "ripple", "group delay"]
QUANTITIES: tuple[Quantity, ...] = ("f3", "ripple", "group delay")
LEAST: dict[Quantity, float] = {"f3": 0.08, "ripple": 0.3, "group delay": 0.3}
"""Between neighbours that differ by a smaller share, or by fewer dB, no jump is looked for."""
REMAINS = 0.25
"""What is no jump has shrunk to less than this part of that."""
STEEP_DB = 5.0
"""Ripple beyond which no jump is looked for."""
HALVINGS = 6
"""A place between two boxes of the map is known to the 64th part."""


@dataclass(frozen=True)
class Jumps:
    """Jumps of one number on a map of n_tuning times n_volume boxes."""

    upwards: Mask  # (n_tuning - 1, n_volume), between a tuning and the next
    across: Mask  # (n_tuning, n_volume - 1), between a volume and the next
    pieces: Real  # (n, 2, 2), straight pieces of the line: both ends, each (volume in m³, tuning in Hz)


def jumps(design: DesignMap, quantity: Quantity) -> Jumps:
    """Find the jumps of a number between neighbours of a map.

    Where neighbours differ by much, the way from one to the other is halved towards the larger change. What is merely steep
    shrinks with it; what remains is a jump, and its place lies on the line.
    """
    places = np.log(np.stack(np.meshgrid(design.volume, design.tuning), axis=-1))
    values = _scaled(design.boxes.merits, quantity).reshape(places.shape[:2])
    upwards = _crossings(design, quantity, places, values)
    across = _crossings(design, quantity, places.swapaxes(0, 1), values.T).swapaxes(0, 1)
    sides = np.stack([upwards[:, :-1], upwards[:, 1:], across[:-1], across[1:]])  # of each mesh
    there = np.isfinite(sides[..., 0])
    middle = np.sum(np.where(there[..., None], sides, 0.0), axis=0) / np.maximum(np.sum(there, axis=0), 1)[..., None]
    pieces = np.stack([sides, np.broadcast_to(middle, sides.shape)], axis=-2)[there]
    return Jumps(np.isfinite(upwards[..., 0]), np.isfinite(across[..., 0]), np.exp(pieces))


def _scaled(merits: Merits, quantity: Quantity) -> Real:
    if quantity == "ripple":
        return np.minimum(merits.unevenness_db, STEEP_DB)
    return np.asarray(np.log(merits.f3_hz if quantity == "f3" else merits.delay_s))


def _crossings(design: DesignMap, quantity: Quantity, places: Real, values: Real) -> Real:
    """Logarithms of volume and tuning ``(n - 1, m, 2)`` between the rows of `places` ``(n, m, 2)``; NaN without a jump."""
    found = np.full((places.shape[0] - 1, *places.shape[1:]), np.nan)
    row, column = np.nonzero(np.abs(np.diff(values, axis=0)) > LEAST[quantity])
    ends = np.stack([places[row, column], places[row + 1, column]])  # (2, n_found, 2)
    height = np.stack([values[row, column], values[row + 1, column]])
    for _ in range(HALVINGS if row.size else 0):
        half = ends.mean(axis=0)
        there = _scaled(design.search.evaluate(*np.exp(half.T)).merits, quantity)
        second = np.abs(height[1] - there) > np.abs(there - height[0])
        ends = np.stack([np.where(second[:, None], half, ends[0]), np.where(second[:, None], ends[1], half)])
        height = np.stack([np.where(second, there, height[0]), np.where(second, height[1], there)])
    kept = np.abs(height[1] - height[0]) > REMAINS * LEAST[quantity]
    found[row[kept], column[kept]] = ends.mean(axis=0)[kept]
    return found
