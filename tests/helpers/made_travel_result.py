"""What `tsfit travel` tells of an invented driver, made without a fit."""

import numpy as np

from tsfit.base.notes import QualityNote
from tsfit.driver.fit_result import Estimate
from tsfit.driver.record import NamedDriver
from tsfit.driver.travel_result import (
    CRITERIA,
    DISTORTION,
    SIDES,
    BothWays,
    TravelCurves,
    TravelLevel,
    TravelLimit,
    TravelResult,
    smallest,
)

OUTWARD = {"Bl82": 0.0118, "C75": 0.0135, "L10": 0.006, "Bl70": 0.0139}
INWARD = {"Bl82": 0.0129, "C75": 0.0131, "L10": 0.0061}
REACHED = 0.0145


def _limit(value: float | None, spread: float) -> TravelLimit:
    if value is None:
        return TravelLimit(False, at_least=REACHED)
    return TravelLimit(True, value, spread, (value - 1.96 * spread, value + 1.96 * spread))


def made_travel_result(*, outward_known: bool = True, spread: float = 2e-5) -> TravelResult:
    x = np.linspace(-REACHED, REACHED, 41)
    limits = {name: BothWays(_limit(OUTWARD.get(name), spread), _limit(INWARD.get(name), spread)) for name in CRITERIA}
    bl, k, inductance = 14.5 - 2e4 * x**2, 4000.0 + 1e7 * x**2, 2e-3 - 0.03 * x
    return TravelResult(
        driver=NamedDriver("Dunlin 12", "A-1"),
        outward_known=outward_known,
        limits=limits,
        travel={
            name: BothWays(*(smallest({one: getattr(limits[one], side) for one in criteria}) for side in SIDES))
            for name, criteria in DISTORTION.items()
        },
        curves=TravelCurves(x, bl, 0.01 * bl, k, 0.01 * k, inductance, 0.01 * inductance),
        levels=(TravelLevel("level-1.wav", REACHED, REACHED, 3.41, 0.3, 0.02),),
        parameters={"Bl": Estimate(14.5, 0.02, (14.46, 14.54), "T·m")},
        orders={"Bl": 8, "K": 4, "L": 4},
        floor_percent=0.2,
        quality=(QualityNote("polarity", "note", "Which way is out is not known."),),
    )
