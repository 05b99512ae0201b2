"""What ``tsfit travel`` wrote, read back."""

from pathlib import Path

from tsfit.driver.travel_result import TravelResult
from tsfit.formats.result import read_result


def read_travel(path: Path) -> TravelResult:
    """Read a result from its JSON file; raises as `read_result`, ``not_travel`` for another file."""
    return read_result(path, TravelResult, TravelResult.KIND, other="not_travel")
