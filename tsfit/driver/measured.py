"""What was measured of a driver at full travel and at power, beside its small-signal parameters."""

from __future__ import annotations

from dataclasses import dataclass

from tsfit.base.errors import TsfitError
from tsfit.driver.heat_result import HeatResult
from tsfit.driver.record import Driver
from tsfit.driver.travel_result import TravelResult


@dataclass(frozen=True)
class Measured:
    """Results of ``tsfit travel`` and ``tsfit heat`` of one driver; None for what was not measured."""

    travel: TravelResult | None = None
    heat: HeatResult | None = None

    def is_of(self, driver: Driver) -> bool:
        """Whether it is about `driver`, as `of`."""
        try:
            return self.of(driver) is self
        except TsfitError:
            return False

    def of(self, driver: Driver) -> Measured:
        """Return it, when it is about `driver`, by name and, where both tell one, by serial. Raises ``other_driver``."""
        for found in (self.travel, self.heat):
            if found is None:
                continue
            other = found.driver
            same_serial = None in (driver.serial, other.serial) or driver.serial == other.serial
            if other.name != driver.name or not same_serial:
                named = [one.name if one.serial is None else f"{one.name}, serial {one.serial}" for one in (other, driver)]
                message = (
                    f"What 'tsfit {found.KIND}' wrote is about {named[0]}, and the driver here is {named[1]}; name the "
                    "results of one and the same driver."
                )
                raise TsfitError(message, code="other_driver")
        return self


NOT_MEASURED = Measured()
