"""A box as planned: everything that was decided, ready to be built around any driver."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from tsfit.box.build import band_pass_box, closed_box, infinite_baffle, passive_box, vented_box
from tsfit.box.enclosure import Kind
from tsfit.box.result import BoxResult
from tsfit.driver.record import Driver

BUILDERS: dict[Kind, Callable[..., BoxResult]] = {
    "closed": closed_box,
    "vented": vented_box,
    "passive": passive_box,
    "baffle": infinite_baffle,
    "bandpass": band_pass_box,
}


@dataclass(frozen=True)
class BoxPlan:
    """A kind of enclosure, and what its function in `tsfit.box.build` is called with besides the driver (SI)."""

    kind: Kind
    values: Mapping[str, Any]
    name: str | None = None

    def with_ratings(self, **ratings: float | None) -> BoxPlan:
        """Return the plan with those `ratings` that are not None in place of its own; an amplifier as a whole."""
        given = {name: value for name, value in ratings.items() if value is not None}
        kept = dict(self.values.get("ratings") or {})
        if any(name.startswith("amplifier") for name in given):
            kept = {name: value for name, value in kept.items() if not name.startswith("amplifier")}
        return replace(self, values={**self.values, "ratings": {**kept, **given}}) if given else self

    def build(self, driver: Driver, **other: Any) -> BoxResult:
        """Put `driver` into it; `other` arguments are added or replace those of the plan.

        Raises
        ------
        TsfitError
            As the function of the kind.
        """
        return BUILDERS[self.kind](driver, **{**self.values, **other})
