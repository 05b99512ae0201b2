"""The names of numbers and arrays that all rooms use.

`Number` is a float or an array that broadcasts with the others of its call; `Real`, `Complex` and `Mask` are arrays, whose
shape each docstring tells.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, TypeAlias

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from pydantic_core import CoreSchema

Real: TypeAlias = NDArray[np.float64]
Complex: TypeAlias = NDArray[np.complex128]
Mask: TypeAlias = NDArray[np.bool_]
Number: TypeAlias = float | Real


def runs(holds: Mask) -> NDArray[np.intp]:
    """Stretches in which something `holds` (n,): index of the first of each, and of the one behind it, (n_runs, 2)."""
    edges = np.diff(np.concatenate([[False], holds, [False]]))
    return np.flatnonzero(edges).reshape(-1, 2)


class _Read:
    """Tells pydantic how a number or (nested) list of JSON becomes a float or an array; null becomes NaN."""

    def __get_pydantic_core_schema__(self, source: object, handler: object) -> CoreSchema:
        from pydantic_core import core_schema

        return core_schema.no_info_plain_validator_function(_numbers)


def _numbers(value: object) -> Number:
    try:
        found = np.asarray(value, dtype=float)
    except TypeError:
        raise ValueError("should hold numbers") from None
    return found if found.ndim else float(found)


Read: TypeAlias = Annotated[Real, _Read()]
"""An array in a record that is also read from JSON."""
ReadFloat: TypeAlias = Annotated[float, _Read()]
"""A number in a record that is also read from JSON, NaN where that has null."""
