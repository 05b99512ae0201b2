"""Records as JSON holds them: the one writer and the one reader of all machine forms.

A record is written field by field, under the fields' names and in their order. A class may say otherwise:

- ``FORM``, names of fields and properties, is written instead of the fields;
- a field with the metadata `IF_TOLD` is left out while it has its default;
- ``KIND`` makes a form that stands by itself: "schema" and "kind" come first, and a reader asks the kind.

A form that differs from what the program computes with is a record of its own, in the room's ``forms``.
"""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from tsfit.base.errors import TsfitError

if TYPE_CHECKING:
    from pydantic import TypeAdapter

SCHEMA = 1
IF_TOLD = {"if told": True}
"""Metadata of a field that is left out while it has its default."""
AS_IT_IS = (str, int, bool, type(None))
"""Types of what JSON holds as it is."""
AnyRecord = TypeVar("AnyRecord")


def plain(value: object) -> object:
    """Return `value`, a record or what records hold, as what JSON can hold; a number that is not finite becomes None."""
    if type(value) in AS_IT_IS:
        return value
    if is_dataclass(value) and not isinstance(value, type):
        return _record(value)
    if isinstance(value, Mapping):
        return {str(key): plain(inner) for key, inner in value.items()}
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, (list, tuple)):
        return [plain(inner) for inner in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return os.fspath(value) if isinstance(value, os.PathLike) else value


def _record(record: object) -> dict[str, object]:
    kind = getattr(record, "KIND", None)
    head = {} if kind is None else {"schema": SCHEMA, "kind": kind}
    own = {one.name: one for one in fields(record)}  # type: ignore[arg-type]
    left = {name for name, one in own.items() if one.metadata == IF_TOLD and getattr(record, name) == one.default}
    return {**head, **{name: plain(getattr(record, name)) for name in getattr(record, "FORM", own) if name not in left}}


def read_form(path: Path, data: object, record: type[AnyRecord]) -> AnyRecord:
    """Return `data`, JSON read from `path`, as a `record`; keys that it does not have are skipped.

    Raises TsfitError ``not_reportable`` naming the first place that is wrong.
    """
    from pydantic import ValidationError

    try:
        found: AnyRecord = _adapter(record).validate_python(data)  # type: ignore[arg-type]
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(map(str, first["loc"])) or "the file"
        raise damaged(path, f"{place} ({first['msg'].lower()})") from None
    return found


def damaged(path: Path, place: str) -> TsfitError:
    """Return the refusal of a machine form that is not as the program writes it: ``not_reportable``."""
    message = f"{path}: looks like tsfit's own file but is damaged at {place}; write it anew."
    return TsfitError(message, code="not_reportable", file=path)


@cache
def _adapter(record: type[Any]) -> TypeAdapter[Any]:
    from pydantic import TypeAdapter

    return TypeAdapter(record)
