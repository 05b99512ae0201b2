"""A number that is refused in one sentence when it cannot be."""

from __future__ import annotations

import math

from tsfit.base.errors import TsfitError


def within(value: float, low: float, high: float, name: str, unit: str) -> float:
    """Return `value` if it lies between `low` and `high`. Raises ``wrong_value``."""
    if not low <= value <= high:
        unit = f" {unit}" if unit else ""
        allowed = f"{low:g}{unit} or more" if math.isinf(high) else f"a value between {low:g} and {high:g}{unit}"
        raise TsfitError(f"{name}: {value:.6g}{unit} cannot be; give {allowed}.", code="wrong_value")
    return float(value)
