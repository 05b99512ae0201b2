"""The one rule by which something is within its tolerance, given how surely it is known (ISO 14253-1)."""

from collections.abc import Sequence
from typing import Literal

Verdict = Literal["inside", "outside", "undecided"]


def conformity(deviation: float, tolerance: float, expanded: float) -> Verdict:
    """Decide whether `deviation` is within ±`tolerance`, given its expanded uncertainty; all in one unit."""
    if abs(deviation) <= tolerance - expanded:
        return "inside"
    return "outside" if abs(deviation) > tolerance + expanded else "undecided"


def falls_short(shortfall: float, tolerance: float, expanded: float) -> Verdict:
    """The same of something that may be more than promised, and by no more than `tolerance` less."""
    if shortfall <= tolerance - expanded:
        return "inside"
    return "outside" if shortfall > tolerance + expanded else "undecided"


def worst(verdicts: Sequence[Verdict]) -> Verdict:
    """Return the verdict on the whole: outside if any is, else undecided if any is, else inside."""
    return next((verdict for verdict in ("outside", "undecided") if verdict in verdicts), "inside")
