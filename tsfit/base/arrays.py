"""The names of numbers and arrays that all rooms use.

`Number` is a float or an array that broadcasts with the others of its call; `Real`, `Complex` and `Mask` are arrays, whose
shape each docstring tells.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Real: TypeAlias = NDArray[np.float64]
Complex: TypeAlias = NDArray[np.complex128]
Mask: TypeAlias = NDArray[np.bool_]
Number: TypeAlias = float | Real
