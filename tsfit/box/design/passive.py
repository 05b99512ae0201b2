"""The best box for given passive radiators: volume, tuning, and the mass to add; and whether the radiators stand it."""

import math
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from tsfit.base.figures import in_figures
from tsfit.base.notes import QualityNote
from tsfit.box.design.proposal import Proposal, VentedAim, VentedBounds
from tsfit.box.design.search import PassiveSearch, best_vented
from tsfit.box.kinds import PassivePlan
from tsfit.box.limits import maximum_output, ratings_of
from tsfit.box.numbers import merit_frequencies
from tsfit.box.result import BoxResult
from tsfit.box.uncertainty import sensitivity
from tsfit.circuit.load import Losses
from tsfit.driver.fit_result import FitResult
from tsfit.driver.record import Driver

MOST_ADDED = 2.0
"""Mass that may be added to a radiator, of its own: more hangs off centre (common practice, no source)."""


def propose_passive(
    driver: Driver,
    aim: VentedAim,
    bounds: VentedBounds,
    like: PassivePlan,
    *,
    fit: FitResult | None = None,
    frequency_hz: ArrayLike | None = None,
) -> Proposal:
    """Box by `aim` (no family) within `bounds`, in all but volume and tuning `like` that plan, with its radiators.
    Raises ``unreachable_limits``, ``usage``, and as `VentedBounds.limits` and `PassivePlan.build`.
    """
    given, one = like.setup(driver), like.radiator
    radiators = one.together(one.mass)
    most = one.count * (MOST_ADDED * one.mass if bounds.added_mass is None else bounds.added_mass)
    limits, losses = bounds.limits(given.driver, like.filling), Losses(**like.losses.factors())
    search = PassiveSearch(given, limits, losses, radiators=radiators, most_added=most)
    found = best_vented(search, aim.sought, ratings=ratings_of(given, like.ratings), output_hz=aim.output_hz)
    plan = replace(like, volume=like.filling.around(float(found.volume[0])), tuning=float(found.tuning[0]))
    result = plan.build(driver, frequency_hz)
    result = replace(result, remarks=(*result.remarks, *_travel(plan, result)))
    return Proposal(aim.words("passive"), plan, result, sensitivity(result, fit), search=search)


def _travel(plan: PassivePlan, result: BoxResult) -> tuple[QualityNote, ...]:
    """How far the radiators travel from the tuning up at the most output that all else allows, and how many stand it."""
    box, tuning, stands = result.enclosure, result.opening.fb, result.ratings.radiator_xmax_m
    assert tuning is not None
    f = merit_frequencies(6.0 * tuning, tuning)
    most = maximum_output(box, f, replace(result.ratings, radiator_xmax_m=None))
    if most is None:
        return ()
    answer = box.respond(f)
    travel = answer.peak_port_flow * most.voltage_v / box.voltage / (2.0 * math.pi * f * np.asarray(box.port_area))
    k, count = int(np.argmax(travel)), plan.radiator.count
    said = (
        f"At the most output that driver and amplifier allow each radiator travels {1e3 * travel[k]:.1f} mm at "
        f"{in_figures(f[k], 3)} Hz"
    )
    if stands is None:
        return (QualityNote("radiator_travel", "note", f"{said}; see that it stands that, or say what with "
                            "--radiator-xmax-mm."),)  # fmt: skip
    if travel[k] <= stands:
        return ()
    needed = math.ceil(count * float(travel[k]) / stands - 1e-9)
    said += (
        f", more than its {in_figures(1e3 * stands, 3)} mm: take about {needed} of them, or one kind that "
        f"moves as much more air."
    )
    return (QualityNote("radiator_travel", "warn", said),)
