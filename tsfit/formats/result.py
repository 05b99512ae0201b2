"""A command's own result, a JSON file of one kind, read back."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TypeVar

from tsfit.base.errors import TsfitError
from tsfit.base.files import read_bytes, unreadable
from tsfit.base.forms import SCHEMA, read_form
from tsfit.formats.foreign import wanted

MAX_BYTES = 50_000_000
AnyResult = TypeVar("AnyResult")


def read_result(path: Path, record: type[AnyResult], kind: str, *, other: str = "wrong_file_type") -> AnyResult:
    """Read what 'tsfit `kind`' wrote with -o as its `record`; `other` is the code of a file that is none.

    Raises TsfitError ``missing_file``, `other`, ``newer_schema``, ``not_reportable``.
    """
    with wanted(path, kind):
        return _read(path, record, kind, other)


def _read(path: Path, record: type[AnyResult], kind: str, other: str) -> AnyResult:
    hint = f"name what 'tsfit {kind}' wrote with -o"
    try:
        data = json.loads(read_bytes(path, MAX_BYTES, f"too large; {hint}.", other).decode("utf-8-sig"))
    except OSError as error:
        raise unreadable(path, error, hint) from error
    except (ValueError, RecursionError) as error:
        raise TsfitError(f"{path}: not valid JSON; {hint}.", code=other, file=path) from error
    if not isinstance(data, dict) or data.get("kind") != kind:
        found = data.get("kind") if isinstance(data, dict) else None
        told = f"a result of kind {found}, not {kind}" if isinstance(found, str) else "no result of that kind"
        raise TsfitError(f"{path}: {told}; {hint}.", code=other, file=path)
    schema = data.get("schema")
    if not isinstance(schema, int) or schema > SCHEMA:
        message = f"{path}: written in form {schema}, and this tsfit reads up to {SCHEMA}; use a newer tsfit."
        raise TsfitError(message, code="newer_schema", file=path)
    return read_form(path, data, record)
