"""What ``tsfit travel`` wrote, read back."""

from __future__ import annotations

import json
from pathlib import Path

from tsfit.base.errors import TsfitError
from tsfit.base.files import read_bytes, unreadable
from tsfit.base.forms import SCHEMA, read_form
from tsfit.driver.travel_result import TravelResult

MAX_BYTES = 5_000_000


def read_travel(path: Path) -> TravelResult:
    """Read a result from its JSON file.

    Raises TsfitError ``missing_file``, ``not_travel``, ``newer_schema``, or ``not_reportable`` naming the place.
    """
    hint = "name a JSON file written by 'tsfit travel'"
    try:
        data = json.loads(read_bytes(path, MAX_BYTES, f"too large for a result of travel; {hint}.", "not_travel"))
    except OSError as error:
        raise unreadable(path, error, "name an existing file of 'tsfit travel'") from error
    except (ValueError, RecursionError) as error:
        raise TsfitError(f"{path}: not valid JSON ({error}); {hint}.", code="not_travel", file=path) from error
    if not isinstance(data, dict) or data.get("kind") != TravelResult.KIND:
        raise TsfitError(f"{path}: JSON, but not of travel; {hint}.", code="not_travel", file=path)
    if not isinstance(data.get("schema"), int) or data["schema"] > SCHEMA:
        message = f"{path}: written in form {data.get('schema')}, and this tsfit reads {SCHEMA}; use a newer tsfit."
        raise TsfitError(message, code="newer_schema", file=path)
    return read_form(path, data, TravelResult)
