"""By how much the suspension of one driver changes from sweep to sweep, as the sweeps themselves tell.

What changes it changes the motor too, which beside one mass or box cannot be told from the moving mass.

Compliance and friction of a suspension follow warmth, rest and handling by more than the noise of a good recording. A fit
that takes them for the same in every sweep puts what they moved into Mms, three times as large where a mass or a box
shifts the resonance by a third. Left free, they cost little: masses and volumes show away from the resonance too.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.figures import in_figures
from tsfit.base.intervals import NORMAL_95
from tsfit.base.notes import QualityNote
from tsfit.fitting.least_squares import Objective, newton_step
from tsfit.fitting.model import JointModel
from tsfit.fitting.solve import Solved, solve
from tsfit.fitting.sweep import Scatter

log = logging.getLogger(__name__)
USUAL = Scatter(compliance=3e-3, friction=1e-2)
"""Scatter of a suspension at rest from sweep to sweep: common practice, no source."""
USUAL_COUNTS = 1
"""How many sweeps the usual scatter counts for beside those that were made, of which two can agree by chance."""
MOTOR, BY_REST = 0.2, 6e-3
"""Scatter of Bl over that of the compliance, and the part of that which, where a third sweep is there to contradict it,
comes of rest and creep and leaves the motor. A ferrite magnet loses 0.2 % a kelvin (from memory), a suspension yields 0.5
to 1 % a kelvin more, and a mass on the cone moves the coil in its gap (common practice, no source)."""
ANY_MOTOR = 0.05
"""Wide enough that sweeps in one state tell it, and what is not told stays within reach."""
ANY = Scatter(compliance=0.1, friction=0.3)
"""Wide enough that the sweeps alone tell."""
BY_CHANCE = 1e-3
"""Chance at which sweeps of a suspension that stays the same would differ as much."""
WORTH_A_LOOK = 0.05
"""The same from which a search for it is worth its time."""
UNUSUAL = 0.03
"""The same from which it may be something else: common practice, no source."""
FARTHEST = 0.25
"""Scatter of the compliance beyond which the sweeps are of no one driver."""


def scatter_of(best: Solved) -> Scatter | None:
    """Scatter of the suspension as the sweeps of `best` show it, in which it is the same in all; None where they agree."""
    if len(best.model.sweeps) < 2 or best.fault is not None:
        return None
    model = replace(best.model, scatter=ANY)
    x = best.at(model.names)
    # One step from where all are the same costs a hundredth of a search, and tells whether one is worth it.
    step, covariance = newton_step(Objective(model, best.solution.weights), x)
    if not _unlike(_spreads(model, x + step, covariance), WORTH_A_LOOK):
        return None
    free = solve(model, x, best.floor, rough=True)
    spreads = _spreads(model, free.x, free.covariance)
    if not _unlike(spreads, BY_CHANCE):
        return None
    likely = {name: spread.most_likely(getattr(USUAL, name)) for name, spread in spreads.items()}
    found = Scatter(**{name: likely[name] * spread.wider for name, spread in spreads.items()})
    log.info(
        "compliance scatters by %.2g %% from sweep to sweep, friction by %.2g %%",
        1e2 * found.compliance,
        1e2 * found.friction,
    )
    if found.compliance > FARTHEST:
        return None
    by_rest = BY_REST if len(model.sweeps) > 2 else 0.0
    beyond = math.sqrt(max(likely["compliance"] ** 2 - by_rest**2, 0.0)) * spreads["compliance"].wider
    return replace(found, motor=_of_motor(free, found, MOTOR * beyond)) if beyond else found


def _of_motor(free: Solved, found: Scatter, usual: float) -> float:
    """What the motor scatters by, which sweeps in one state tell from the moving mass, in one step from `free`."""
    model = replace(free.model, scatter=replace(found, motor=ANY_MOTOR))
    x = free.at(model.names)
    for place, name in enumerate(model.names):
        kind = name.partition(":")[0]
        if kind in ("compliance", "friction"):
            x[place] *= getattr(ANY, kind) / getattr(found, kind)
    step, covariance = newton_step(Objective(model, free.solution.weights), x)
    return _spread("motor", model, x + step, covariance).most_likely(usual)


def scatter_note(scatter: Scatter | None) -> list[QualityNote]:
    """Say what was found."""
    if scatter is None:
        return []
    message = (
        f"From sweep to sweep the compliance scatters by some {in_figures(100.0 * scatter.compliance, 1)} % beyond noise "
        "and masses; the ± counts that. Let the driver rest between sweeps, at one warmth."
    )
    if scatter.motor:
        message += (
            f" What warms it changes the motor too, taken to scatter by {in_figures(100.0 * scatter.motor, 1)} %, which "
            "widens Mms: sweep free air again, and with another mass or a box."
        )
    if scatter.compliance < UNUSUAL:
        return [QualityNote("scatter", "note", message)]
    message += (
        " So much also comes of a mass that slipped, a box that leaks, a gain or contact that changed, another sample of "
        "the driver, or a file whose header names another rate: look for which, and sweep again."
    )
    return [QualityNote("scatter", "warn", message)]


def _spreads(model: JointModel, x: Real, covariance: Real) -> dict[str, _Spread]:
    return {name: _spread(name, model, x, covariance) for name in ("compliance", "friction")}


def _spread(name: str, model: JointModel, x: Real, covariance: Real) -> _Spread:
    places = [model.names.index(f"{name}:{sweep.number}") for sweep in model.sweeps]
    contrast = np.eye(len(places))[1:] - np.eye(len(places))[0]
    unit = getattr(model.scatter, name)
    noise = unit**2 * contrast @ covariance[np.ix_(places, places)] @ contrast.T
    return _Spread(unit * contrast @ x[places], noise, contrast @ contrast.T)


def _unlike(spreads: Mapping[str, _Spread], chance: float) -> bool:
    """Whether noise alone would make sweeps differ as much in any of `spreads` with less than that `chance`."""
    return all(np.all(np.isfinite(each.covariance)) for each in spreads.values()) and any(
        len(spreads) * each.chance < chance for each in spreads.values()
    )


@dataclass(frozen=True)
class _Spread:
    """Differences (n,) of a logarithm between sweeps, their covariance (n, n), and what it is of a scatter of `one`."""

    off: Real
    covariance: Real
    one: Real

    @property
    def chance(self) -> float:
        """Of as much by noise alone."""
        from scipy.special import chdtrc

        return float(chdtrc(len(self.off), self.off @ np.linalg.solve(self.covariance, self.off)))

    def most_likely(self, usual: float) -> float:
        """Standard deviation that is most likely beside `USUAL_COUNTS` sweeps that scatter by the `usual` one."""
        from scipy.optimize import minimize_scalar

        def unlikely(log_scatter: float) -> float:
            scatter = math.exp(log_scatter)
            covariance = self.covariance + scatter**2 * self.one
            here = float(np.linalg.slogdet(covariance)[1] + self.off @ np.linalg.solve(covariance, self.off))
            return here + USUAL_COUNTS * (2.0 * log_scatter + (usual / scatter) ** 2)

        ends = math.log(0.1 * usual), math.log(100.0 * usual)
        return math.exp(float(minimize_scalar(unlikely, bounds=ends, method="bounded").x))

    @property
    def wider(self) -> float:
        """Times so wide 95 % intervals of what so few sweeps tell hold (Student's t; JCGM 100:2008, G.3)."""
        from scipy.special import stdtrit

        return float(stdtrit(USUAL_COUNTS + len(self.off), 0.975)) / NORMAL_95
