"""What is made of the same recordings or curves, and counts once however often it is named."""

from collections.abc import Hashable, Mapping, Sequence


def recordings_of(provenance: Mapping[str, object]) -> frozenset[Hashable]:
    """Hashes of the recordings and curves that a fit was made of."""
    told = provenance.get("sweeps")
    sweeps = told if isinstance(told, list) else [provenance.get("curve")]
    return frozenset(
        sweep["sha256"] for sweep in sweeps if isinstance(sweep, dict) and isinstance(sweep.get("sha256"), str)
    )


def copies(made_of: Sequence[frozenset[Hashable]], *, last: bool = False) -> dict[int, int]:
    """Which counts for each that does not.

    That is one which holds all it is made of and more, or of equal ones the first, or the `last`. What is made of nothing
    that is known counts.
    """
    holders: dict[Hashable, list[int]] = {}
    for number, mine in enumerate(made_of):
        for one in mine:
            holders.setdefault(one, []).append(number)
    found = {}
    for number, mine in enumerate(made_of):
        near = holders[min(mine, key=lambda one: len(holders[one]))] if mine else ()
        richer = [
            other
            for other in near
            if mine < made_of[other] or (mine == made_of[other] and (other > number if last else other < number))
        ]
        if richer:
            found[number] = richer[-1 if last else 0]
    return found
