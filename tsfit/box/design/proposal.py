"""A box proposed for a driver: what was asked, the box with its curves, and how far its numbers spread."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, Unpack

from tsfit.base.errors import TsfitError
from tsfit.box.design.alignments import (
    Alignment,
    Family,
    align,
    closed_volumes_for_f3,
    deepest_closed_volume,
    possible_alignments,
)
from tsfit.box.design.search import Aim, DesignMap, Limits, VentedSearch, best_vented, design_map, usual_limits
from tsfit.box.design.tolerance import Sensitivity, sensitivity
from tsfit.box.enclosure import Kind
from tsfit.box.frequencies import checked_frequencies
from tsfit.box.limits import ratings_of
from tsfit.box.plan import BoxPlan
from tsfit.box.ports import Port
from tsfit.box.result import BoxResult
from tsfit.box.setup import Common, Setup, losses, net_volume, setup, within
from tsfit.circuit.load import Load
from tsfit.driver.fit_result import FitResult
from tsfit.driver.record import Driver


@dataclass(frozen=True)
class Proposal:
    """A box that serves what was asked.

    Attributes
    ----------
    asked : what it was designed by, in words
    plan : BoxPlan, as a box file keeps it
    result : BoxResult
    sensitivity : Sensitivity
    others : other boxes that answer the same question, or families that exist, in words
    alignment : of a vented box by family
    search : of a vented box, the limits and losses with it
    """

    asked: str
    plan: BoxPlan
    result: BoxResult
    sensitivity: Sensitivity
    others: tuple[str, ...] = ()
    alignment: Alignment | None = None
    search: VentedSearch | None = None

    def map(self) -> DesignMap:
        """Evaluate the vented boxes around this one."""
        assert self.search is not None
        return design_map(self.search, self.place)

    @property
    def place(self) -> tuple[float, float]:
        """Volume that acts (m³) and tuning (Hz) of a vented box."""
        volume, tuning = self.result.design["acting_volume_l"], self.result.design["fb_hz"]
        assert volume is not None
        assert tuning is not None
        return 1e-3 * volume, tuning

    def to_dict(self) -> dict[str, Any]:
        """Return the fixed machine form."""
        limits = None if self.search is None else asdict(self.search.limits)
        return {
            "schema": 1,
            "asked": self.asked,
            "others": list(self.others),
            "alignment": None if self.alignment is None else asdict(self.alignment),
            "limits": limits,
            "sensitivity": self.sensitivity.to_dict(),
            "box": self.result.to_dict(),
        }


def propose_closed(
    driver: Driver,
    *,
    qtc: float | None = None,
    f3_hz: float | None = None,
    volume: float | None = None,
    largest_volume: float | None = None,
    fit: FitResult | None = None,
    filling: float = 1.0,
    displaced: float = 0.0,
    leak_q: float = math.inf,
    absorption_q: float = math.inf,
    **common: Unpack[Common],
) -> Proposal:
    """Closed box by one of: `qtc`, `f3_hz` (Hz), `volume` (m³), or the lowest f3 within `largest_volume` (m³).

    Losses and air load act on the curves and the spread; the volume itself is that of the lossless textbook box, whose Qts
    counts the source resistance. Volumes hold what is `displaced` (m³), and act as `filling` times the rest.

    Raises
    ------
    TsfitError
        ``usage`` unless exactly one is given; ``unreachable_f3``, and as `closed_box`.
    """
    asked = {"Qtc": qtc, "f3": f3_hz, "volume": volume, "lowest f3 within a volume": largest_volume}
    given = [name for name, value in asked.items() if value is not None]
    if len(given) != 1:
        raise TsfitError(
            "A closed design needs one of Qtc, f3, volume and largest volume, and no second; give exactly one.",
            code="usage",
        )
    for name, value in (("f3", f3_hz), ("volume", volume), ("largest volume", largest_volume)):
        if value is not None and not 0.0 < value < math.inf:
            raise TsfitError(f"{name}: {value:g} cannot be; give a positive number.", code="wrong_value")
    together = setup(driver, common)
    others: tuple[str, ...] = ()
    if f3_hz is not None:
        smaller, *larger = (_built(acting, filling, displaced) for acting in closed_volumes_for_f3(together.braked, f3_hz))
        volume = smaller
        others = tuple(f"{1e3 * other:.3g} l has the same f3 with a lower Qtc" for other in larger)
    elif largest_volume is not None:
        acting = net_volume(largest_volume, filling, displaced, "largest volume")
        volume = _built(deepest_closed_volume(together.braked, acting), filling, displaced)
    leaks = losses(leak_q=leak_q, absorption_q=absorption_q)
    size = {"volume": volume, "qtc": qtc, "filling": filling, "displaced": displaced}
    plan, result = _box("closed", driver, {**size, **leaks}, common)
    value = next(value for value in asked.values() if value is not None)
    words = f"closed box by {given[0]}" + ("" if volume is not None and f3_hz is None else f" {value:.4g}")
    return Proposal(words, plan, result, _spread(together, result, fit, leaks), others)


def _built(acting: float, filling: float, displaced: float) -> float:
    """Volume (m³) with all that is in it, of which this much acts."""
    return acting / filling + displaced


def _box(kind: Kind, driver: Driver, values: Mapping[str, Any], common: Common) -> tuple[BoxPlan, BoxResult]:
    """Plan of a box with what was given, and the box; frequencies belong to the latter alone."""
    plan = BoxPlan(kind, {**values, **{name: value for name, value in common.items() if name != "frequency_hz"}})
    return plan, plan.build(driver, frequency_hz=common.get("frequency_hz"))


def _spread(given: Setup, result: BoxResult, fit: FitResult | None, leaks: Mapping[str, float]) -> Sensitivity:
    acting, tuning = result.design["acting_volume_l"], result.design["fb_hz"]
    assert acting is not None
    rest: dict[str, Any] = {**leaks, "source_ohm": given.source_ohm, "added_mass": given.added_mass}
    return sensitivity(given.driver, volume=1e-3 * acting, tuning=tuning, fit=fit, **rest)


def vented_aim(family: Family | None, *, least_ripple: bool, output_hz: float | None) -> Aim:
    """Return the aim that is asked for.

    Raises
    ------
    TsfitError
        ``usage`` when more than one thing is.
    """
    if sum([family is not None, least_ripple, output_hz is not None]) > 1:
        raise TsfitError("A family, the least ripple and the most output exclude each other; keep one.", code="usage")
    return "least ripple" if least_ripple else "lowest f3" if output_hz is None else "most output"


def vented_limits(
    driver: Driver,
    *,
    largest_volume: float | None = None,
    smallest_volume: float | None = None,
    filling: float = 1.0,
    displaced: float = 0.0,
    port: Port | None = None,
    fixed_port: bool = True,
    **others: float | None,
) -> Limits:
    """Return the usual limits of `driver`, replaced by those given (fields of `Limits`; None leaves them as they are).

    The volumes (m³) are those of the box with what is `displaced` in it; they act as `filling` times the rest.

    Raises
    ------
    TsfitError
        ``wrong_value``.
    """
    given = {"largest volume": largest_volume, "smallest volume": smallest_volume, **others}
    for name, value in given.items():
        least, most = 0.0 if name == "ripple_db" else 1e-9, 100.0 if name.endswith("volume") else 1e6
        if value is not None and not least <= value <= most:
            raise TsfitError(f"{name.replace('_', ' ')}: {value:g} cannot be; give a sensible one.", code="wrong_value")
    within(filling, 1.0, 1.4, "filling of the volume", "")
    largest = None if largest_volume is None else net_volume(largest_volume, filling, displaced, "largest volume")
    limits = usual_limits(driver, largest)
    if smallest_volume is not None:
        smallest = net_volume(smallest_volume, filling, displaced, "smallest volume")
        if smallest > limits.volume[1]:
            raise TsfitError("The smallest volume is above the largest; give less, or more.", code="wrong_value")
        limits = replace(limits, volume=(smallest, limits.volume[1]))
    changes: dict[str, Any] = {name: value for name, value in others.items() if value is not None}
    return replace(limits, port=port, fixed_port=fixed_port, **changes)


def propose_vented(
    driver: Driver,
    *,
    family: Family | None = None,
    aim: Aim = "lowest f3",
    output_hz: float | None = None,
    limits: Mapping[str, Any] | None = None,
    fit: FitResult | None = None,
    filling: float = 1.0,
    displaced: float = 0.0,
    leak_q: float = math.inf,
    absorption_q: float = math.inf,
    port_q: float = math.inf,
    **common: Unpack[Common],
) -> Proposal:
    """Vented box by `family`, or by `aim` within `limits`, which are arguments of `vented_limits`.

    A family has only Q_L as its loss: give no others with one. With several drivers they share the box.

    Raises
    ------
    TsfitError
        ``no_alignment``, ``unreachable_limits``, ``usage``, and as `vented_limits` and `vented_box`.
    """
    leaks = losses(leak_q=leak_q, absorption_q=absorption_q, port_q=port_q)
    if output_hz is not None:
        checked_frequencies(output_hz, "frequency of the most output")
    given = setup(driver, common)
    exist = possible_alignments(given.braked, leak_q)
    others = tuple(
        f"{name}: {1e3 * _built(other.volume, filling, displaced):.3g} l tuned to {other.tuning:.3g} Hz, "
        f"f3 {other.f3_hz:.3g} Hz, ripple {other.ripple_db:.2f} dB"
        for name, other in exist.items()
        if name != family
    )
    alignment = None
    kept = vented_limits(given.driver, filling=filling, displaced=displaced, **(limits or {}))
    bare = given.enclosure("vented", Load())
    search = VentedSearch(
        given.driver,
        kept,
        bare.voltage,
        **leaks,
        source_ohm=given.source_ohm,
        added_mass=given.added_mass,
        count=given.count,
        ohm_factor=given.ohm_factor,
    )
    port = kept.port if kept.fixed_port else None
    if family is not None:
        alignment = align(given.braked, family, leak_q)
        volume, tuning, words = alignment.volume, alignment.tuning, f"vented box by family {family}"
    else:
        stated = {name: value for name, value in given.ratings.items() if value is not None}
        found = best_vented(search, aim, ratings=ratings_of(bare, **stated), output_hz=output_hz)
        volume, tuning, words = float(found.volume[0]), float(found.tuning[0]), f"vented box by {aim}"
        words += f" at {output_hz:g} Hz" if aim == "most output" else ""
        if kept.scaled_port is not None:
            port = kept.scaled_port.wider(float(found.port_scale[0]))
    size = {"volume": _built(volume, filling, displaced), "filling": filling, "displaced": displaced}
    tube = {"tuning": tuning, "port": port, "depth": kept.depth}
    plan, result = _box("vented", driver, {**size, **tube, **leaks}, common)
    return Proposal(words, plan, result, _spread(given, result, fit, leaks), others, alignment, search)
