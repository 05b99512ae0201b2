"""A command's own result, a JSON file of one kind, read back."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TypeVar

from tsfit.base.errors import TsfitError
from tsfit.base.files import read_bytes, unreadable
from tsfit.base.forms import SCHEMA, read_form

MAX_BYTES = 50_000_000
AnyResult = TypeVar("AnyResult")


def read_result(path: Path, record: type[AnyResult], kind: str) -> AnyResult:
    """Read what 'tsfit `kind`' wrote with -o as its `record`.

    Raises TsfitError ``missing_file``, ``wrong_file_type``, ``newer_schema``, ``not_reportable``.
    """
    hint = f"name what 'tsfit {kind}' wrote with -o"
    try:
        data = json.loads(read_bytes(path, MAX_BYTES, f"too large; {hint}.", "wrong_file_type").decode("utf-8-sig"))
    except OSError as error:
        raise unreadable(path, error, hint) from error
    except (ValueError, RecursionError) as error:
        raise TsfitError(f"{path}: not valid JSON; {hint}.", code="wrong_file_type", file=path) from error
    if not isinstance(data, dict) or data.get("kind") != kind:
        raise TsfitError(f"{path}: no result of that kind; {hint}.", code="wrong_file_type", file=path)
    schema = data.get("schema")
    if isinstance(schema, int) and schema > SCHEMA:
        message = f"{path}: written in form {schema}, and this tsfit reads up to {SCHEMA}; use a newer tsfit."
        raise TsfitError(message, code="newer_schema", file=path)
    return read_form(path, data, record)
