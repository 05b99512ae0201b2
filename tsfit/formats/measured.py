"""What ``tsfit travel`` and ``tsfit heat`` wrote, read back."""

from pathlib import Path

from tsfit.driver.heat_result import HeatResult
from tsfit.driver.measured import Measured
from tsfit.driver.travel_result import TravelResult
from tsfit.formats.result import read_result


def read_travel(path: Path) -> TravelResult:
    """Read a result from its JSON file; raises as `read_result`, ``not_travel`` for another file."""
    return read_result(path, TravelResult, TravelResult.KIND, other="not_travel")


def read_measured(travel: Path | None, heat: Path | None) -> Measured:
    """Read those that are named; raises as `read_travel`, and ``not_heat`` for another file than one of heat."""
    return Measured(
        None if travel is None else read_travel(travel),
        None if heat is None else read_result(heat, HeatResult, HeatResult.KIND, other="not_heat"),
    )
