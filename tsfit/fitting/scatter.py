"""By how much the suspension of one driver changes from sweep to sweep, as the sweeps themselves tell.

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
from tsfit.fitting.least_squares import Objective, covariance_of
from tsfit.fitting.model import JointModel
from tsfit.fitting.solve import Solved, solve
from tsfit.fitting.sweep import Scatter

log = logging.getLogger(__name__)
USUAL = Scatter(compliance=3e-3, friction=1e-2)
"""Scatter of a suspension at rest from sweep to sweep: common practice, no source."""
USUAL_COUNTS = 1
"""How many sweeps the usual scatter counts for beside those that were made, of which two can agree by chance."""
ANY = Scatter(compliance=0.1, friction=0.3)
"""Wide enough that the sweeps alone tell."""
BY_CHANCE = 1e-3
"""Chance at which sweeps of a suspension that stays the same would differ as much."""
WORTH_A_LOOK = 0.05
"""The same from which a search for it is worth its time."""
UNUSUAL = 0.03
"""The same from which it may be something else: common practice, no source."""
FARTHEST = 0.05
"""Scatter of the compliance beyond which something else is wrong."""


def scatter_of(best: Solved) -> Scatter | None:
    """Scatter of the suspension as the sweeps of `best` show it, in which it is the same in all; None where they agree."""
    if len(best.model.sweeps) < 2 or best.fault is not None:
        return None
    model = replace(best.model, scatter=ANY)
    x = best.at(model.names)
    objective = Objective(model, best.solution.weights)
    slopes = objective.jacobian(x)
    covariance = covariance_of(slopes, model.n_priors)
    # One step from where all are the same costs a hundredth of a search, and tells whether one is worth it.
    if not _unlike(_spreads(model, x - covariance @ (slopes @ objective.residual(x)), covariance), WORTH_A_LOOK):
        return None
    free = solve(model, x, best.floor, rough=True)
    spreads = _spreads(model, free.x, free.covariance)
    if not _unlike(spreads, BY_CHANCE):
        return None
    made = {name: spread.most_likely(getattr(USUAL, name)) for name, spread in spreads.items()}
    log.info(
        "compliance scatters by %.2g %% from sweep to sweep, friction by %.2g %%", *(1e2 * each for each in made.values())
    )
    return Scatter(**made) if made["compliance"] < FARTHEST else None


def scatter_note(scatter: Scatter | None) -> list[QualityNote]:
    """Say what was found."""
    if scatter is None:
        return []
    message = (
        f"From sweep to sweep the suspension's compliance scatters by about "
        f"{in_figures(100.0 * scatter.compliance, 1)} %, beyond "
        "what noise and masses explain; that is part of the stated uncertainty. Let the driver rest between sweeps, at the "
        "same warmth."
    )
    if scatter.compliance < UNUSUAL:
        return [QualityNote("scatter", "note", message)]
    message += " So much also comes of a mass that slipped, a box that leaks, or a file whose header names another rate."
    return [QualityNote("scatter", "warn", message)]


def _spreads(model: JointModel, x: Real, covariance: Real) -> dict[str, _Spread]:
    found = {}
    for name in ("compliance", "friction"):
        places = [model.names.index(f"{name}:{sweep.number}") for sweep in model.sweeps]
        contrast = np.eye(len(places))[1:] - np.eye(len(places))[0]
        unit = getattr(ANY, name)
        noise = unit**2 * contrast @ covariance[np.ix_(places, places)] @ contrast.T
        found[name] = _Spread(unit * contrast @ x[places], noise, contrast @ contrast.T)
    return found


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
        """Standard deviation that is most likely beside `USUAL_COUNTS` sweeps that scatter by the `usual` one.

        As wide as makes 95 % intervals of it hold, which so few sweeps tell (Student's t; JCGM 100:2008, G.3).
        """
        from scipy.optimize import minimize_scalar
        from scipy.special import stdtrit

        def unlikely(log_scatter: float) -> float:
            scatter = math.exp(log_scatter)
            covariance = self.covariance + scatter**2 * self.one
            here = float(np.linalg.slogdet(covariance)[1] + self.off @ np.linalg.solve(covariance, self.off))
            return here + USUAL_COUNTS * (2.0 * log_scatter + (usual / scatter) ** 2)

        ends = math.log(0.1 * usual), math.log(100.0 * usual)
        found = math.exp(float(minimize_scalar(unlikely, bounds=ends, method="bounded").x))
        return found * float(stdtrit(USUAL_COUNTS + len(self.off), 0.975)) / NORMAL_95
