"""What may be equal for all drivers of a comparison: Qtc, volume, tuning, cabinet, f3, a planned box, a baffle."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tsfit.base.errors import TsfitError
from tsfit.box.build import closed_box, infinite_baffle, vented_box
from tsfit.box.numbers import cutoff
from tsfit.box.plan import BoxPlan
from tsfit.box.result import BoxResult
from tsfit.driver.fit_result import FitResult
from tsfit.driver.record import Driver


@dataclass(frozen=True)
class Candidate:
    """A driver to compare; with its fit differences have an uncertainty. `displaced` (m³) counts in the same cabinet.

    `ratings`, fields of `tsfit.box.limits.Ratings`, replace those of its sheet and of a planned box.
    """

    driver: Driver
    fit: FitResult | None = None
    cost: float | None = None
    displaced: float = 0.0
    ratings: Mapping[str, float | None] = field(default_factory=dict)

    @property
    def xmax_m(self) -> float | None:
        """One-way peak travel that counts, m, unless a planned box states another."""
        return self.ratings.get("xmax_m") or self.driver.Xmax

    @property
    def power_w(self) -> float | None:
        """Continuous rating that counts, W, unless a planned box states another."""
        return self.ratings.get("power_w") or self.driver.Pe

    def rated(self, common: Mapping[str, Any]) -> dict[str, Any]:
        """Return arguments of a box, `common` to all, with this driver's own ratings in place of theirs."""
        given = {name: value for name, value in self.ratings.items() if value is not None}
        return {**common, "ratings": {**(common.get("ratings") or {}), **given}}


@dataclass(frozen=True)
class Case:
    """A condition that is equal for all candidates.

    Attributes
    ----------
    name : in words
    build : candidate -> its box in this condition
    flat_to_hz : with it, every candidate is equalised to a Butterworth response down to there
    """

    name: str
    build: Callable[[Candidate], BoxResult]
    flat_to_hz: float | None = None


def same_qtc(qtc: float, **common: Any) -> Case:
    """Closed boxes of one and the same Qtc; each driver gets the volume that it takes."""
    return Case(f"closed, Qtc {qtc:g}", lambda one: closed_box(one.driver, qtc=qtc, **one.rated(common)))


def same_volume(volume: float, **common: Any) -> Case:
    """Closed boxes of one and the same net volume, m³."""
    return Case(f"closed, {1e3 * volume:.4g} l net", lambda one: closed_box(one.driver, volume=volume, **one.rated(common)))


def same_cabinet(volume: float, **common: Any) -> Case:
    """One and the same closed cabinet of inner `volume` (m³), of which each driver takes its own room."""
    return Case(
        f"closed, cabinet of {1e3 * volume:.4g} l",
        lambda one: closed_box(one.driver, volume=volume, displaced=one.displaced, **one.rated(common)),
    )


def same_f3(f3_hz: float, **common: Any) -> Case:
    """Closed boxes of one and the same f3: the larger of the volumes that give it, where there are two."""

    def build(one: Candidate) -> BoxResult:
        from scipy.optimize import brentq

        def off(log_volume: float) -> float:
            found = cutoff(closed_box(one.driver, volume=math.exp(log_volume), **common, frequency_hz=[100.0]).enclosure)
            return math.inf if found is None else found - f3_hz

        volumes = np.log(np.geomspace(0.01 * one.driver.Vas, 50.0 * one.driver.Vas, 60))
        value = np.array([off(v) for v in volumes])
        changes = np.flatnonzero(np.sign(value[:-1]) != np.sign(value[1:]))
        if not len(changes):
            best = math.exp(volumes[int(np.argmin(np.abs(value)))])
            raise TsfitError(
                f"{one.driver.name}: no closed box has its f3 at {f3_hz:g} Hz; the nearest, {1e3 * best:.3g} l, has "
                f"{f3_hz + float(value[np.argmin(np.abs(value))]):.3g} Hz: ask for that, or equalise.",
                code="unreachable_f3",
            )
        last = int(changes[-1])
        volume = math.exp(brentq(off, volumes[last], volumes[last + 1], xtol=1e-6))
        return closed_box(one.driver, volume=volume, **one.rated(common))

    return Case(f"closed, f3 {f3_hz:g} Hz", build)


def same_vented(volume: float, tuning: float, port_diameter: float | None = None, **common: Any) -> Case:
    """Vented boxes of one and the same net volume (m³), tuning (Hz) and, where given, inner diameter of the port (m)."""
    through = "" if port_diameter is None else f", port of {100.0 * port_diameter:.3g} cm"
    return Case(
        f"vented, {1e3 * volume:.4g} l net, {tuning:.3g} Hz{through}",
        lambda one: vented_box(one.driver, volume=volume, tuning=tuning, port_diameter=port_diameter, **one.rated(common)),
    )


def in_baffle(**common: Any) -> Case:
    """Infinite baffle."""
    return Case("infinite baffle", lambda one: infinite_baffle(one.driver, **one.rated(common)))


def in_box(plan: BoxPlan, name: str) -> Case:
    """A planned box as it is."""
    return Case(name, lambda one: plan.build(one.driver, ratings=one.rated(plan.values)["ratings"]))
