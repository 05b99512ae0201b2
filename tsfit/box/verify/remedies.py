"""What to do about a finished box that is not as planned: one plan at a time, with what each comes to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from tsfit.base.figures import in_figures
from tsfit.box.enclosure import Enclosure
from tsfit.box.kinds import BandPassPlan, PassivePlan, VentedPlan
from tsfit.box.plan import BoxPlan
from tsfit.box.told import LITRE

VOLUMES = {"volume": "the volume", "rear_volume": "the closed chamber", "front_volume": "the vented chamber"}
UNLIKELY = 1.5
"""Ratio of a volume to its plan that no builder is off: something else is not as told. Common practice, no source."""
FILLED = 1.2
"""What light filling makes of a volume at most. Common practice, no source."""


@dataclass(frozen=True)
class WayBack:
    """One way to bring a box to its plan; what is not to be changed is left out, or None."""

    says: str
    volumes: dict[str, float]  # m³ by which each is to grow
    port_m: float | None  # by which each port is to be longer
    radiator_kg: float | None  # to be added to each radiator
    off_db: float  # largest difference of its level from the plan, both with the driver and losses as found


@dataclass(frozen=True)
class Boxes:
    """One box as planned with the driver as told, as built, and as planned with driver and losses as found."""

    planned: Enclosure
    built: Enclosure
    whole: Enclosure


@dataclass(frozen=True)
class Way:
    """A box with some of its sizes (`changed`) as planned and the others as built."""

    changed: tuple[str, ...]
    enclosure: Enclosure


def ways(sizes: Mapping[str, float], off: Mapping[str, float]) -> list[tuple[str, ...]]:
    """Which `sizes` to bring to the plan together, when those `off` surely differ: the volumes and then the port for them,
    or the port alone.
    """
    volumes = [name for name in VOLUMES if name in off]
    outlet = next((name for name in ("front_volume", "volume") if name in sizes), "")
    tuned = ["fb"] if "fb" in sizes and ("fb" in off or outlet in off) else []
    found = [(*volumes, *tuned)]
    if tuned and outlet in off:
        kept = [name for name in volumes if name != outlet]
        found.append((*kept, *(tuned if "fb" in off else ())))
    return found if volumes or tuned else []


def remedy(plan: BoxPlan, boxes: Boxes, way: Way, litres: Mapping[str, tuple[float, float]]) -> WayBack:
    """What makes the built box that of a way, when `litres` tell volumes planned and built."""
    built, whole = boxes.built, boxes.whole
    volumes = {name: (litres[name][0] - litres[name][1]) * LITRE for name in way.changed if name in VOLUMES}
    steps = [_volume(name, *litres[name], filled=plan.kind == "closed") for name in volumes]
    port_m = radiator_kg = None
    if "fb" in way.changed:
        more = float(way.enclosure.load.outlet.port_mass - built.load.outlet.port_mass)
        if plan.kind == "passive":
            radiator_kg, step = _radiator(plan, boxes, more)
        else:
            port_m, step = _port(plan, built, more)
        steps.append(step)
    near = max(float(whole.load.outlet.tuning) if whole.load.outlet.ported else 0.0, whole.driver.Fs)
    band = np.geomspace(0.7 * near, 5.0 * near, 80)
    off_db = float(np.max(np.abs(way.enclosure.respond(band).spl_db - whole.respond(band).spl_db)))
    what = ", and then ".join(steps) if steps else "leave it as it is"
    result = "as planned" if off_db < 0.05 else f"within {off_db:.1f} dB of the plan"
    if steps and "fb" in way.changed:
        result = f"tuned to {in_figures(float(way.enclosure.load.outlet.tuning), 3)} Hz, {result}"
    return WayBack(f"{what}; {'then' if steps else 'as built'} it is {result}", volumes, port_m, radiator_kg, off_db)


def unlikely(litres: Mapping[str, tuple[float, float]], off: Mapping[str, float]) -> str | None:
    """Say that a volume is off by more than any builder is."""
    for name, words in VOLUMES.items():
        if name in off and not 1.0 / UNLIKELY < litres[name][1] / litres[name][0] < UNLIKELY:
            planned, built = litres[name]
            return (
                f"The curve fits {words} best at {in_figures(built, 3)} l, where {in_figures(planned, 3)} l were "
                f"planned: nobody builds so far "
                "off. Most likely it is another driver, another box or an old plan; check these first."
            )
    return None


def _volume(name: str, planned: float, built: float, *, filled: bool) -> str:
    """What brings a volume from `built` to `planned` litres."""
    change, named = abs(planned - built), VOLUMES[name]
    if built > planned:
        return f"{named} is {in_figures(change, 2)} l too large: put {in_figures(change, 2)} l of solid blocks into it"
    larger = (
        f"{named} is {in_figures(change, 2)} l too small: take filling blocks out, or enlarge it by "
        f"{in_figures(change, 2)} l"
    )
    return larger + f", or fill it lightly to act as {planned / built:.2f} times as much" * (
        filled and planned < FILLED * built
    )


def _port(plan: BoxPlan, built: Enclosure, more: float) -> tuple[float | None, str]:
    """How much longer (m) each port must be for so much `more` acoustic mass, kg/m⁴; the end corrections cancel."""
    port = plan.opening.port if isinstance(plan, VentedPlan | BandPassPlan) else None
    if port is None:
        return None, f"make the air in the port {100.0 * more / float(built.load.outlet.port_mass):+.0f} % as heavy"
    change = more * port.area / built.driver.air.density
    each = "each port" if port.count > 1 else "the port"
    return change, f"make {each} {abs(1e3 * change):.0f} mm {'longer' if change > 0.0 else 'shorter'}"


def _radiator(plan: BoxPlan, boxes: Boxes, more: float) -> tuple[float, str]:
    """How much mass (kg) each radiator needs for so much `more` acoustic mass in all."""
    assert isinstance(plan, PassivePlan)
    assert boxes.built.port_area is not None
    count = plan.radiator.count
    per_acoustic = float(boxes.built.port_area) ** 2 / count
    grams = 1e3 * per_acoustic * more
    added = 1e3 * (per_acoustic * float(boxes.planned.load.port_mass) - plan.radiator.mass)
    each = "each radiator" if count > 1 else "the radiator"
    if grams > 0.0:
        return 1e-3 * grams, f"fix {in_figures(grams, 3)} g more to {each}"
    if -grams <= added + 0.05:
        return 1e-3 * grams, f"take {in_figures(-grams, 3)} g off {each}"
    said = (
        f"{each} is {in_figures(-grams, 3)} g too heavy for that, and {in_figures(added, 3)} g are all that "
        f"was added; take a lighter one"
    )
    return 1e-3 * grams, said
