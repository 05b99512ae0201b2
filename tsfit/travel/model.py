"""The levels of a driver at full travel as a problem of least squares: variables, misfits, their derivatives."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np

from tsfit.base.arrays import Mask, Real
from tsfit.circuit.large_signal import CURVES, SCALARS, LargeSignal, Moved, move, rebased, resting
from tsfit.travel.level import LevelData

Found = TypeVar("Found")
BY_LEVEL = ("Re", "push")
LOGARITHMIC = ("Le", "L2", "R2", "Rms")
SPREADS = {
    **dict.fromkeys(("Le", "L2", "R2", "Rms", "Bl", "shape"), 1.0), "K": 3.0, "Rv": 2.0, "Rv2": 2.0, "arm": 0.2, "Re": 0.5,
    "push": 2.0,
}  # fmt: skip
"""Prior standard deviations: of logarithms; of coefficients, and of Rv, Rv2 and the arms, over the value at rest that they
add to. Wide, so that they only hold what the data leave open. The push at a level counts decades of creep beyond the
slowest arm: by so much the suspension gives way to the mean force, and the middle of the motion is elsewhere."""
EXTRAS = ("Rv", "Rv2", "arm")
"""Friction that goes with speed and with its square, and creep: in the model where the data speak for them."""
LOST = 1e3
"""Misfit of a level whose motion ran away."""


@dataclass(frozen=True)
class FullTravel:
    """The problem.

    Attributes
    ----------
    base : the driver from which variables count; its Mms is held, and coefficients are in its values at rest
    levels : quietest first
    orders : highest orders of Bl, K and the coil's shape
    extras : which of `EXTRAS` vary
    sigma : (levels,) A, standard deviation of a row
    middle : (levels,) m, about what travel the cone moves; where it is not known, nothing pushes it there
    """

    base: LargeSignal
    levels: tuple[LevelData, ...]
    orders: tuple[int, int, int]
    extras: tuple[str, ...] = ()
    sigma: Real = field(default_factory=lambda: np.ones(1))
    middle: Real | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Variables in order; those of the levels come first."""
        curves = [
            f"{name}_{n}"
            for name, order in zip(CURVES, self.orders, strict=True)
            for n in range(name == "shape", order + 1)
        ]
        return (*(f"{name}_{k}" for name in BY_LEVEL for k in range(len(self.levels))), *LOGARITHMIC, *self.extras, *curves)

    @property
    def spreads(self) -> Real:
        """Prior standard deviations (n,)."""
        return np.array([SPREADS[name.partition("_")[0]] for name in self.names])

    def scale(self, name: str) -> float:
        """What a variable that is no logarithm is multiplied by."""
        kind = name.partition("_")[0]
        known = {"Bl": self.at_rest[0], "shape": 1.0, "Rv": self.base.friction, "Rv2": self.base.friction}
        return known.get(kind, self.at_rest[1])

    @property
    def at_rest(self) -> tuple[float, float]:
        """Bl and K of `base` at rest."""
        return float(self.base.at("Bl", 0.0)), float(self.base.at("K", 0.0))

    def of(self, levels: Sequence[LevelData]) -> FullTravel:
        """Return the same problem of other recordings of the same levels."""
        return replace(self, levels=tuple(levels))

    def start(self) -> Real:
        """Variables (n,) of `base`."""
        found = []
        for name in self.names:
            kind, _, n = name.partition("_")
            if kind in BY_LEVEL or kind in LOGARITHMIC:
                found.append(0.0)
            else:
                value = getattr(self.base, kind)
                at = float(value) if kind in self.extras else float(value[int(n)]) if int(n) < len(value) else 0.0
                found.append(at / self.scale(name))
        return np.array(found)

    def driver(self, x: Real, level: int = 0) -> LargeSignal:
        """Return the driver that variables (n,) describe, with Re of a level."""
        values: dict[str, float | Real] = dict.fromkeys(EXTRAS, 0.0)
        curves: dict[str, list[float]] = {name: [] for name in CURVES}
        for name, value in zip(self.names, x.tolist(), strict=True):
            kind = name.partition("_")[0]
            if name == f"Re_{level}" or kind in LOGARITHMIC:
                values[kind] = getattr(self.base, kind) * float(np.exp(value))
            elif kind in self.extras:
                values[kind] = value * self.scale(kind)
            elif kind in curves:
                curves[kind].append(value * self.scale(name))
        values["Bl"], values["K"] = np.array(curves["Bl"]), np.array(curves["K"])
        values["shape"] = resting(np.array([0.0, *curves["shape"]]))
        return replace(self.base, **values)  # type: ignore[arg-type]

    def moved(self, x: Real, level: int, *, sensitive: bool = False) -> Moved:
        """What the driver does at a level."""
        data = self.levels[level]
        driver, arms = self.driver(x, level), "arm" in self.extras
        push = self.force(level) * float(x[len(self.levels) + level])
        return move(driver, data.volts, data.steps_hz, block=data.block, sensitive=sensitive, arms=arms, push=push)

    def force(self, level: int) -> float:
        """N, what the push at a level is multiplied by: an arm's pull; nothing where the suspension does not creep."""
        return 0.0 if self.middle is None or "arm" not in self.extras else self.base.arm * float(self.middle[level])

    def moves_about(self, x: Real) -> Real:
        """About what travel the cone moves at each level (levels,), m."""
        return np.array(_side_by_side(lambda level: self._middle(self.moved(x, level), level), len(self.levels)))

    def _middle(self, moved: Moved, level: int) -> float:
        return float(moved.states[self.levels[level].skipped :, 2].mean())

    def misfits(self, x: Real) -> list[Real]:
        """For each level (rows,), in its sigma."""
        return _side_by_side(lambda level: self._misfit(x, level, self.moved(x, level)), len(self.levels))

    def slopes(self, x: Real) -> list[tuple[Real, Real]]:
        """For each level the misfit (rows,) and its derivatives (n, rows)."""
        return _side_by_side(lambda level: self._sloping(x, level), len(self.levels))

    def reached(self, x: Real) -> Real:
        """How far the cone goes at each level, inward and outward (levels, 2), m."""
        ends = _side_by_side(lambda level: self.moved(x, level), len(self.levels))
        return np.array([(each.inward, each.outward) for each in ends])

    def on_scale(self, x: Real, x0: float, orders: tuple[int, int, int]) -> FullTravel:
        """Return the same problem about the driver that `x` describes, its curves told up to `x0`."""
        driver = self.driver(x)
        curves = {
            name: rebased(getattr(driver, name), driver.x0, x0, order) for name, order in zip(CURVES, orders, strict=True)
        }
        curves["shape"] = resting(curves["shape"])
        return replace(self, base=replace(driver, x0=x0, **curves), orders=orders)  # type: ignore[arg-type]

    def _misfit(self, x: Real, level: int, moved: Moved) -> Real:
        data = self.levels[level]
        apart = moved.states[data.skipped :, 0] - data.amperes
        if not np.all(np.isfinite(apart)):
            return np.full(len(apart), LOST)
        return np.asarray((apart - apart.mean()) / self.sigma[level])

    def _sloping(self, x: Real, level: int) -> tuple[Real, Real]:
        data, moved = self.levels[level], self.moved(x, level, sensitive=True)
        raw = moved.slopes[:, data.skipped :] / self.sigma[level]
        driver = self.driver(x, level)
        kept: Mask = np.array([name not in EXTRAS or name in self.extras for name in SCALARS])
        factors = np.array(
            [
                getattr(driver, name) if name in ("Re", *LOGARITHMIC) else self.scale(name)
                for name in SCALARS
                if kept[SCALARS.index(name)]
            ]
            + [self.scale(name) for name in self.names if name.partition("_")[0] in CURVES]
        )
        rows = raw[:-1][np.concatenate([kept, np.ones(len(raw) - 1 - len(kept), dtype=bool)])] * factors[:, None]
        rows = np.concatenate([rows, raw[-1:] * self.force(level)])
        rows -= rows.mean(axis=1, keepdims=True)
        own = np.zeros((len(BY_LEVEL), len(self.levels), rows.shape[1]))
        own[:, level] = rows[0], rows[-1]
        return self._misfit(x, level, moved), np.nan_to_num(np.concatenate([*own, rows[1:-1]]))


def _side_by_side(work: Callable[[int], Found], count: int) -> list[Found]:
    """Do `work` for 0, 1, …, on as many cores as there are; the compiled steps let the others run."""
    with ThreadPoolExecutor(min(count, os.cpu_count() or 1)) as pool:
        return list(pool.map(work, range(count)))
