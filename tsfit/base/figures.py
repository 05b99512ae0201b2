"""Numbers as people read them: so many figures, and never a power of ten; and lists of words."""

import math
import re
import string
from collections.abc import Sequence
from typing import SupportsFloat


def in_figures(value: SupportsFloat | None, figures: int = 4, *, zeros: bool = False, sign: str = "") -> str:
    """Write a number with so many figures, of three and more with all before its point; zeros at its end only where asked
    for.

    With the `sign` "+" it has one. A dash stands for what is not known.
    """
    if value is None:
        return "-"
    value = float(value)
    if figures < 3 and math.isfinite(value):
        value = float(f"{value:.{figures}g}")
    if value == 0.0 or not math.isfinite(value):
        return f"{value:{sign}g}"
    decimals = max(0, figures - 1 - math.floor(math.log10(abs(value))))
    told = f"{value:{sign}.{decimals}f}"
    return told if zeros or not decimals else told.rstrip("0").rstrip(".")


def listed(words: Sequence[str]) -> str:
    """Write words in a row, "and" before the last; there is one at least."""
    *first, last = words
    return f"{', '.join(first)} and {last}" if first else last


class InFigures(string.Formatter):
    """Fills sentences in, and what they ask in figures ("{low:.3g}") as `in_figures` writes it."""

    def format_field(self, value: object, format_spec: str) -> str:
        """Write one value."""
        asked = re.fullmatch(r"(\+?)\.(\d)g", format_spec)
        if asked and isinstance(value, SupportsFloat):
            return in_figures(value, int(asked[2]), sign=asked[1])
        return str(super().format_field(value, format_spec))
