"""Fs, Qms, Qes, Cms and Re against the level of the sweeps, and their limit at level zero.

Free-air sweeps at several levels share the coil and the bench; each level has Fs, Qms and Qes of its own. In a driver that
is alike inwards and outwards, stiffness, friction and the square of the force factor change to first order with the square
of travel (Taylor's series, a common argument; travel is taken as proportional to level), and Re with power. So Fs², Fs/Qms,
Fs·Re/Qes and Re each get a straight line in the square of level, weighted by the covariance of the levels, and their values
at level zero give the limit. A suspension with friction like that of dry matter, or one that creeps, need not follow it:
three levels or more show whether it does.

The levels are fitted under the one circuit chosen for the driver; what rival circuits would say is not counted here. Mms
comes from the joint fit and is taken as independent of the levels, which hold for any mass.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from tsfit.base.arrays import Complex, Number, Real
from tsfit.base.figures import in_figures
from tsfit.base.notes import QualityNote
from tsfit.circuit.coil import Values
from tsfit.driver.fit_result import AtLevel, Estimate, LevelDependence
from tsfit.driver.formulas import compliance
from tsfit.driver.parameters import PARAMETERS
from tsfit.fitting.agreement import relative_misfit
from tsfit.fitting.model import JointModel
from tsfit.fitting.propagation import propagate
from tsfit.fitting.solve import Solved, solve
from tsfit.fitting.start import Resonance
from tsfit.fitting.sweep import FitSweep
from tsfit.fitting.uncertainty import estimate_of

OWN = ("Fs", "Qms", "Qes")
"""What every level has of its own."""
JUDGED = ("Fs", "Qms")
"""What must have come to rest before a level counts as small-signal."""
K = 2.0
"""Coverage factor of the verdict."""
LEAST_SHARE = 1e-2
"""Least discrepancy floor of a level over the largest; noise can hide it altogether."""
NEGLIGIBLE = 0.002
"""Relative difference from the limit that needs no lower level, however surely it is there: common practice, no source."""
BENT = 0.01
"""Probability below which the levels do not lie on a straight line."""


@dataclass(frozen=True)
class LevelModel(JointModel):
    """Free-air sweeps at several levels as one least-squares problem."""

    # Numbers of the sweeps of each level, lowest first; the variables of the lowest have their
    # plain names, those of level k are called ``Fs:k`` and so on.
    groups: Sequence[Sequence[int]] = ()
    # Discrepancy floor of each level over the largest, which the weights have: a linear circuit misses
    # the high levels more.
    shares: Sequence[float] = ()

    @cached_property
    def _level(self) -> dict[int, int]:
        return {number: k for k, group in enumerate(self.groups) for number in group}

    def _further(self) -> Sequence[str]:
        return [f"{name}:{k}" for k in range(1, len(self.groups)) for name in OWN]

    @cached_property
    def size(self) -> tuple[Real, ...]:
        """|Z|² times the squared share of its level."""
        shares = self.shares or [1.0] * len(self.groups)
        return tuple(
            shares[self._level[sweep.number]] ** 2 * size for sweep, size in zip(self.sweeps, super().size, strict=True)
        )

    def circuit_values(self, v: Values, sweep: FitSweep | None = None) -> dict[str, Number]:
        """Return what the circuit needs, as it was at the level of `sweep`."""
        k = 0 if sweep is None else self._level[sweep.number]
        return super().circuit_values(self.at_level(v, k), sweep)

    @staticmethod
    def at_level(v: Values, k: int) -> Values:
        """Values with those of level `k` under the plain names."""
        return {**v, **{name: v[f"{name}:{k}"] for name in OWN}} if k else v

    def _rows(self, v: Values, sweep: FitSweep) -> tuple[Complex, dict[str, Complex]]:
        z, rows = super()._rows(v, sweep)
        k = self._level[sweep.number]
        return z, {f"{name}:{k}" if k and name in OWN else name: row for name, row in rows.items()}

    def lines(self, x: Real) -> Real:
        """Re, Fs², Fs/Qms and Fs·Re/Qes of every level, shape (4 × levels, ...), level by level; x has shape (..., n)."""
        v = self.values(x)
        rows = []
        for k, group in enumerate(self.groups):
            here = self.at_level(v, k)
            drifts = [self.drift(v, sweep) for sweep in self.sweeps if sweep.number in group]
            re, fs = here["Re"] * np.exp(sum(drifts) / len(drifts)), here["Fs"]
            # Qes is fitted with the Re of the first sweep, and Bl² = Fs Re/Qes does not know of heat.
            rows += [re, fs**2, fs / here["Qms"], fs * here["Re"] / here["Qes"]]
        return np.array(rows)


def _figures(lines: Real, kg: float | None) -> Real:
    """Re, Fs, Qms, Qes and, with the mass, Cms (..., 4 or 5) from what `LevelModel.lines` gives for one level (..., 4)."""
    re, square, friction, motor = np.moveaxis(lines, -1, 0)
    fs = np.sqrt(square)
    figures = [re, fs, fs / friction, fs * re / motor]
    return np.stack(figures if kg is None else [*figures, compliance(fs, kg)], axis=-1)


def fit_levels(
    best: Solved, sweeps: Sequence[FitSweep], groups: Sequence[Sequence[int]], peaks: Sequence[Resonance]
) -> Solved:
    """Fit the free-air `sweeps` of all levels in `groups` of one level (lowest first) under the circuit of the fit `best`.

    The search begins at the `peaks`, the resonance that each sweep shows.
    """
    order = [number for group in groups for number in group]
    ordered = sorted(sweeps, key=lambda sweep: order.index(sweep.number))

    # What hangs on level cannot be the same at all of them.
    demands = best.model.demands.of([name for name in best.model.shape if name != "Lambda"] + ["Re"])

    def model(shares: Sequence[float] = ()) -> LevelModel:
        return LevelModel(ordered, best.circuit, None, False, demands, groups=groups, shares=shares)

    start = dict(best.values)
    if "Lambda" in start:
        start["Lambda"] /= start["Mms"]
    for k, group in enumerate(groups):
        start |= {f"{name}:{k}" if k else name: float(getattr(peaks[group[0]], name)) for name in OWN}
    found = solve(model(), start, best.floor)
    if found.fault is not None:
        return found
    missed = [max(relative_misfit(found, s) for s in ordered if s.number in group) for group in groups]
    worst = max(missed)
    if not worst > 0.0:
        return found
    return solve(model([max(each / worst, LEAST_SHARE) for each in missed]), found.x, worst)


def level_dependence(
    found: Solved, unit: Literal["V", "dBFS"], levels_db: Sequence[float], mass: Estimate | None
) -> LevelDependence | None:
    """Return figures by level, with their limit; None where the lines lead to nothing a driver could be.

    `found` is from `fit_levels`; `levels_db` are those of its groups; `mass` is Mms of the joint fit, None where no state
    told it.
    """
    model = found.model
    assert isinstance(model, LevelModel)
    kg = None if mass is None else mass.value
    names = ("Re", *OWN, *(() if mass is None else ("Cms",)))
    levels = len(levels_db)
    square = 10.0 ** ((np.array(levels_db) - levels_db[-1]) / 10.0)
    y, covariance = model.lines(found.x), propagate(model.lines, found.x, found.covariance)
    fits = [straight_line(square, y[k::4], covariance[k::4, k::4]) for k in range(4)]
    to_zero = np.stack([line.to_zero for line in fits])
    if np.any(np.sum(to_zero * y.reshape(levels, 4).T, axis=1) <= 0.0):
        return None

    def by_level(at: Real) -> Real:
        return np.moveaxis(_figures(at.reshape(*at.shape[:-1], levels, 4), kg), (-2, -1), (0, 1))

    def against_limit(at: Real) -> Real:
        """The limit, then the lowest and the highest level minus it, (3, figures, ...) from (..., 4 × levels)."""
        each = by_level(at)
        zero = np.einsum("kl,...lk->...k", to_zero, at.reshape(*at.shape[:-1], levels, 4))
        limit = np.moveaxis(_figures(zero, kg), -1, 0)
        return np.stack([limit, each[0] - limit, each[-1] - limit])

    wider = np.tile([math.sqrt(line.scatter) for line in fits], levels)
    at_levels = _estimates(by_level, y, covariance, names, mass, levels)
    limit, lowest, highest = _estimates(against_limit, y, covariance * np.outer(wider, wider), names, mass, 1)
    at = tuple(
        AtLevel(10.0 ** (db / 20.0) if unit == "V" else db, tuple(group), figures)
        for db, group, figures in zip(levels_db, model.groups, at_levels, strict=True)
    )
    small = all(abs(lowest[name].value) <= max(K * lowest[name].stdev, NEGLIGIBLE * limit[name].value) for name in JUDGED)
    chances = [line.chance for line in fits[1:3] if line.chance is not None]
    straight = None if not chances else min(chances) >= BENT
    return LevelDependence(unit, at, limit, lowest, highest, small, straight)


def _estimates(
    function: Callable[[Real], Real],
    y: Real,
    covariance: Real,
    names: Sequence[str],
    mass: Estimate | None,
    positive: int,
) -> list[dict[str, Estimate]]:
    """Estimates by name for each row of `function`, (rows, figures, ...); beyond `positive` rows they are differences."""
    values = function(y)

    def flat(at: Real) -> Real:
        out = function(at)
        return out.reshape(-1, *out.shape[2:])

    variance = np.diag(propagate(flat, y, covariance)).reshape(values.shape)
    found = []
    for k in range(len(values)):
        named = {}
        for name, value, square in zip(names, values[k].tolist(), variance[k].tolist(), strict=True):
            # The mass is the same at all levels, and so is what it leaves open of Cms.
            common = 0.0 if mass is None or name != "Cms" else mass.stdev / mass.value * value
            stdev = math.hypot(math.sqrt(square), common)
            named[name] = estimate_of(value, stdev, PARAMETERS[name].unit, level=k >= positive)
        found.append(named)
    return found


@dataclass(frozen=True)
class Line:
    """A weighted straight line."""

    to_zero: Real  # (n,), weights of the points in the value at zero
    chance: float | None  # probability of points that lie further from the line; None with two points
    # factor on all variances: 1, or where the points contradict the line what brings them to it (Birge, Physical Review 40,
    # 1932)
    scatter: float


def straight_line(u: Real, y: Real, covariance: Real) -> Line:
    """Generalised least squares of y = a + b·u; shapes (n,), (n,), (n, n)."""
    from scipy.special import chdtrc

    design = np.column_stack([np.ones_like(u), u])
    weighted = np.linalg.solve(covariance, design)
    hat = np.linalg.solve(design.T @ weighted, weighted.T)
    freedom = len(u) - 2
    if not freedom:
        return Line(hat[0], None, 1.0)
    rest = y - design @ (hat @ y)
    square = float(rest @ np.linalg.solve(covariance, rest))
    chance = float(chdtrc(freedom, square))
    return Line(hat[0], chance, square / freedom if chance < BENT else 1.0)


def level_notes(levels: LevelDependence) -> list[QualityNote]:
    """Say whether the lowest level is already small-signal, and whether the straight line can be trusted."""

    def percent(name: str) -> str:
        part, whole = levels.lowest_from_limit[name], levels.limit[name].value
        return (
            f"{name} by {in_figures(100.0 * part.value / whole, 2, sign='+')} ± "
            f"{in_figures(100.0 * part.stdev / whole, 2)} %"
        )

    apart = " and ".join(percent(name) for name in JUDGED)
    verdict = (
        f"small-signal to within twice its uncertainty or {100.0 * NEGLIGIBLE:g} %."
        if levels.small_signal
        else "not small-signal yet; sweep at a lower level, or take the limit."
    )
    message = f"The lowest level differs from the limit at level zero in {apart}: {verdict}"
    if levels.straight is None:
        message += " Two levels cannot show whether the change goes with the square of level; a third would."
    notes = [QualityNote("small_signal", "note" if levels.small_signal else "warn", message)]
    if levels.straight is False:
        message = (
            "Stiffness or friction do not change in a straight line with the square of level, so the limit is less sure "
            "than its ±; sweep at lower levels."
        )
        notes.append(QualityNote("bent_levels", "warn", message))
    return notes
