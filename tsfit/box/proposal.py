"""A box proposed for a driver: what was asked, the box with its curves, and how far its numbers spread."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

from numpy.typing import ArrayLike

from tsfit.box.alignments import (
    Alignment,
    Family,
    align,
    closed_volumes_for_f3,
    deepest_closed_volume,
    possible_alignments,
)
from tsfit.box.enclosures import closed_box, vented_box
from tsfit.box.frequencies import checked_frequencies
from tsfit.box.limits import ratings_of
from tsfit.box.result import BoxResult
from tsfit.box.search import Aim, DesignMap, Limits, VentedSearch, best_vented, design_map, usual_limits
from tsfit.box.setup import losses, setup
from tsfit.box.tolerance import Sensitivity, sensitivity
from tsfit.circuit.load import Load
from tsfit.driver import Driver
from tsfit.errors import TsfitError
from tsfit.records import FitResult


@dataclass(frozen=True)
class Proposal:
    """A box that serves what was asked.

    Attributes
    ----------
    asked : what it was designed by, in words
    result : BoxResult
    sensitivity : Sensitivity
    others : other boxes that answer the same question, or families that exist, in words
    alignment : of a vented box by family
    search : of a vented box, the limits and losses with it
    """

    asked: str
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
        """Net volume (m³) and tuning (Hz) of a vented box."""
        volume, tuning = self.result.design["volume_l"], self.result.design["fb_hz"]
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
    leak_q: float = math.inf,
    absorption_q: float = math.inf,
    voltage: float | None = None,
    power: float | None = None,
    ratings: Mapping[str, float | None] | None = None,
    frequency_hz: ArrayLike | None = None,
) -> Proposal:
    """Closed box by one of: `qtc`, `f3_hz` (Hz), `volume` (m³), or the lowest f3 within `largest_volume` (m³).

    Losses act on the curves and the spread; the volume itself is that of the lossless textbook box.

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
    losses(leak_q=leak_q, absorption_q=absorption_q)
    others: tuple[str, ...] = ()
    if f3_hz is not None:
        smaller, *larger = closed_volumes_for_f3(driver, f3_hz)
        volume = smaller
        others = tuple(f"{1e3 * other:.3g} l has the same f3 with a lower Qtc" for other in larger)
    elif largest_volume is not None:
        volume = deepest_closed_volume(driver, largest_volume)
    result = closed_box(
        driver,
        volume=volume,
        qtc=qtc,
        leak_q=leak_q,
        absorption_q=absorption_q,
        voltage=voltage,
        power=power,
        ratings=ratings,
        frequency_hz=frequency_hz,
    )
    acting = result.design["volume_l"]
    assert acting is not None
    value = next(value for value in asked.values() if value is not None)
    words = f"closed box by {given[0]}" + ("" if volume is not None and f3_hz is None else f" {value:.4g}")
    spread = sensitivity(driver, volume=1e-3 * acting, fit=fit, leak_q=leak_q, absorption_q=absorption_q)
    return Proposal(words, result, spread, others)


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
    **others: float | None,
) -> Limits:
    """Return the usual limits of `driver`, replaced by those given (fields of `Limits`; None leaves them as they are).

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
    limits = usual_limits(driver, largest_volume)
    if smallest_volume is not None:
        if smallest_volume > limits.volume[1]:
            raise TsfitError("The smallest volume is above the largest; give less, or more.", code="wrong_value")
        limits = replace(limits, volume=(smallest_volume, limits.volume[1]))
    changes: dict[str, Any] = {name: value for name, value in others.items() if value is not None}
    return replace(limits, **changes)


def propose_vented(
    driver: Driver,
    *,
    family: Family | None = None,
    aim: Aim = "lowest f3",
    output_hz: float | None = None,
    limits: Limits | None = None,
    fit: FitResult | None = None,
    leak_q: float = math.inf,
    absorption_q: float = math.inf,
    port_q: float = math.inf,
    voltage: float | None = None,
    power: float | None = None,
    ratings: Mapping[str, float | None] | None = None,
    frequency_hz: ArrayLike | None = None,
) -> Proposal:
    """Vented box by `family`, or by `aim` within `limits` (the usual ones when left out).

    A family has only Q_L as its loss: give no others with one.

    Raises
    ------
    TsfitError
        ``no_alignment``, ``unreachable_limits``, ``usage``, and as `vented_box`.
    """
    losses(leak_q=leak_q, absorption_q=absorption_q, port_q=port_q)
    if output_hz is not None:
        checked_frequencies(output_hz, "frequency of the most output")
    exist = possible_alignments(driver, leak_q)
    others = tuple(
        f"{name}: {1e3 * other.volume:.3g} l tuned to {other.tuning:.3g} Hz, f3 {other.f3_hz:.3g} Hz, "
        f"ripple {other.ripple_db:.2f} dB"
        for name, other in exist.items()
        if name != family
    )
    alignment = None
    diameter = None if limits is None else limits.port_diameter
    bare = setup(driver, {"voltage": voltage, "power": power}).enclosure("vented", Load())
    search = VentedSearch(driver, limits or usual_limits(driver), bare.voltage, leak_q, absorption_q, port_q)
    if family is not None:
        alignment = align(driver, family, leak_q)
        volume, tuning, words = alignment.volume, alignment.tuning, f"vented box by family {family}"
    else:
        found = best_vented(search, aim, ratings=ratings_of(bare, **(ratings or {})), output_hz=output_hz)
        volume, tuning, words = float(found.volume[0]), float(found.tuning[0]), f"vented box by {aim}"
        words += f" at {output_hz:g} Hz" if aim == "most output" else ""
        if not math.isnan(found.port_diameter[0]):
            diameter = float(found.port_diameter[0])
    result = vented_box(
        driver,
        volume=volume,
        tuning=tuning,
        port_diameter=diameter,
        leak_q=leak_q,
        absorption_q=absorption_q,
        port_q=port_q,
        voltage=voltage,
        power=power,
        ratings=ratings,
        frequency_hz=frequency_hz,
    )
    spread = sensitivity(
        driver, volume=volume, tuning=tuning, fit=fit, leak_q=leak_q, absorption_q=absorption_q, port_q=port_q
    )
    return Proposal(words, result, spread, others, alignment, search)
