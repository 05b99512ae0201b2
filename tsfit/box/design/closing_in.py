"""The best of many boxes: a coarse grid finds the neighbourhoods worth looking at, finer grids around the best close in.

Every grid is one evaluation of the circuit. Where limits exclude everything on a grid, the search follows what exceeds
them least, so that it finds small feasible regions too.
"""

from collections.abc import Callable, Sequence
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from tsfit.base.arrays import Real

GRIDS = {2: (26, 7), 3: (13, 5)}
"""Points along each variable of the coarse grid and of the finer ones, by how many variables there are."""
SHRINK = 0.5
NEIGHBOURHOODS = (4, 4, 4, 3, 3, 2, 2, 2, 1, 1, 1)
"""How many of the best places each finer grid is drawn around."""
Boxes = TypeVar("Boxes")


def closing_in(
    ranges: Sequence[tuple[float, float]],
    evaluate: Callable[[Real], tuple[Boxes, Real, Real]],
) -> tuple[Boxes, int]:
    """Return the boxes of the last grid and the number of the best one among them.

    `ranges` are those of the variables, which are searched by their logarithm. `evaluate` takes points
    ``(n_variables, n)`` and returns their boxes, by how much these exceed limits ``(n,)``, and what is to be least
    ``(n,)``, NaN for what does not exist.
    """
    low, high = np.log(ranges).T
    coarse, fine = GRIDS[len(ranges)]
    cell = (high - low) / (coarse - 1)

    def tried(points: Real) -> tuple[Boxes, NDArray[np.intp]]:
        boxes, excess, aim = evaluate(np.exp(points))
        return boxes, np.lexsort((np.nan_to_num(aim, nan=np.inf), excess))

    axes = [np.linspace(a, b, coarse) for a, b in zip(low, high, strict=True)]
    points = np.stack([axis.ravel() for axis in np.meshgrid(*axes, indexing="ij")])
    boxes, order = tried(points)
    centres: list[Real] = []
    for point in points.T[order]:
        if all(np.max(np.abs(point - other) / np.where(cell > 0.0, cell, 1.0)) > 2.5 for other in centres):
            centres.append(point)
        if len(centres) == NEIGHBOURHOODS[0]:
            break
    steps = len(ranges) * [np.linspace(-1.5, 1.5, fine)]
    offsets = np.stack([axis.ravel() for axis in np.meshgrid(*steps, indexing="ij")])
    at_edge = np.max(np.abs(offsets), axis=0) == 1.5
    places = [(centre, cell) for centre in centres]
    for kept in NEIGHBOURHOODS:
        places = places[:kept]
        near = np.concatenate([centre[:, None] + offsets * step[:, None] for centre, step in places], axis=1)
        near = np.clip(near, low[:, None], high[:, None])
        boxes, order = tried(near)
        number, within = order // at_edge.size, order % at_edge.size
        best = {k: int(np.argmax(number == k)) for k in dict.fromkeys(number.tolist())}
        # A best box at the edge of its grid may have better ones beyond: a valley is followed before it is looked into.
        places = [
            (near[:, order[place]], places[k][1] * (1.0 if at_edge[within[place]] else SHRINK)) for k, place in best.items()
        ]
    return boxes, int(order[0])
