"""What the fit at full travel tells, put together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from tsfit.base.notes import QualityNote
from tsfit.driver.record import NamedDriver
from tsfit.driver.travel_result import (
    DISTORTION,
    SIDES,
    BothWays,
    TravelLevel,
    TravelResult,
    smallest,
)
from tsfit.travel.fit import Settled
from tsfit.travel.limits import ScaleErrors, at_rest, curves, limits

OPEN = 0.01
"""Share of the current that the model leaves open from which a warning says so."""


def result_of(
    settled: Settled, errors: ScaleErrors, driver: NamedDriver, *, outward_known: bool, notes: Sequence[QualityNote] = (),
    provenance: Mapping[str, object] | None = None,
) -> TravelResult:  # fmt: skip
    """Return the result with its limits, curves and levels, quietest level first."""
    found = limits(settled, errors)
    problem = settled.problem
    levels = []
    for number, (level, left, ends) in enumerate(zip(problem.levels, settled.left, settled.reached.tolist(), strict=True)):
        levels.append(
            TravelLevel(
                level.source, ends[1], -ends[0], problem.driver(settled.x, number).Re, 100.0 * float(left) / level.rms,
                100.0 * level.noise / level.rms,
            )
        )  # fmt: skip
    travel = {
        name: BothWays(*(smallest({one: getattr(found[one], side) for one in criteria}) for side in SIDES))
        for name, criteria in DISTORTION.items()
    }
    return TravelResult(
        driver=driver,
        outward_known=outward_known,
        limits=found,
        travel=travel,
        curves=curves(settled, errors),
        levels=tuple(levels),
        parameters=at_rest(settled, errors),
        orders=dict(zip(("Bl", "K", "L"), problem.orders, strict=True)),
        floor_percent=100.0 * settled.floor,
        quality=(*notes, *_remarks(settled, outward_known)),
        provenance=provenance or {},
    )


def _remarks(settled: Settled, outward_known: bool) -> list[QualityNote]:
    found = []
    if settled.floor > OPEN:
        message = (
            f"{100.0 * settled.floor:.1f} % of the current is neither the model's nor noise, and the intervals are widened "
            "for it; look for a rattle, a coil that warms during a recording, or a mount that gives."
        )
        found.append(QualityNote("misfit", "warn", message))
    if not outward_known:
        message = (
            "Which way is out is not known, so the sides are called one way, that of a positive voltage, and the other: "
            "touch the terminals with a 1.5 V cell, plus to red; if the cone moves out, write "
            'outward = "positive" in [driver] of the bench file.'
        )
        found.append(QualityNote("polarity", "note", message))
    return found
