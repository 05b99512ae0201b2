"""Machine forms: what is written is what is read, for every kind that there is; what is left out, and what is refused."""

import importlib
import json
import math
import pkgutil
from dataclasses import dataclass, field
from pathlib import Path
from typing import ClassVar

import numpy as np
import pytest
from helpers.made_heat_result import heat_result
from helpers.made_travel_result import made_travel_result

import tsfit
from tsfit.base.errors import TsfitError
from tsfit.base.forms import IF_TOLD, SCHEMA, plain, read_form
from tsfit.report.page import READERS


@dataclass(frozen=True)
class Knot:
    """A record as a room might have it."""

    KIND: ClassVar = "knot"

    name: str
    hz: list[float]
    count: int = field(default=1, metadata=IF_TOLD)


def kinds():
    """Every class of the package that is a form by itself, by its kind."""
    names = [name for _, name, _ in pkgutil.walk_packages(tsfit.__path__, "tsfit.") if not name.endswith("__main__")]
    things = {thing for name in names for thing in vars(importlib.import_module(name)).values() if isinstance(thing, type)}
    return [(thing.KIND, thing) for thing in things if "KIND" in vars(thing) and thing.__module__.startswith("tsfit.")]


def test_no_two_forms_share_a_kind():
    # A lone sheet is written as a check without a fit, and read as one.
    found = [kind for kind, record in kinds() if record.__name__ != "Consistency"]
    assert len(found) > 10
    assert sorted(found) == sorted(set(found))
    assert {kind for kind, record in READERS.items() if (kind, record.record) not in kinds()} == set()


def test_every_kind_of_the_page_is_read_as_it_was_written(page_files, tmp_path):
    seen = set()
    measured = {tmp_path / "travel.json": made_travel_result(), tmp_path / "heat.json": heat_result()}
    for path, result in measured.items():
        path.write_text(json.dumps(plain(result)))
    for path in (*page_files, *measured):
        if path.suffix != ".json":
            continue
        data = json.loads(path.read_text())
        assert list(data)[:2] == ["schema", "kind"], path.name
        assert data["schema"] == SCHEMA
        if data["kind"] in READERS:
            seen.add(data["kind"])
            again = plain(read_form(path, data, READERS[data["kind"]].record))
            assert json.loads(json.dumps(again)) == data, path.name
    assert seen == set(READERS)


def test_a_record_is_its_fields_after_its_kind():
    assert plain(Knot("a", [1.0, 2.0])) == {"schema": 1, "kind": "knot", "name": "a", "hz": [1.0, 2.0]}
    assert plain(Knot("a", [], 3))["count"] == 3


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (math.nan, None),
        (-math.inf, None),
        (np.float64(1.5), 1.5),
        (np.array([1.0, np.nan]), [1.0, None]),
        ((1, (2, 3)), [1, [2, 3]]),
        ({1: Path("a") / "b"}, {"1": str(Path("a") / "b")}),
        (None, None),
        (True, True),
    ],
)
def test_what_json_can_hold(value, expected):
    assert plain(value) == expected
    json.dumps(plain(value), allow_nan=False)


@pytest.mark.parametrize(
    ("data", "place"),
    [({"name": "a"}, "hz"), ({"name": "a", "hz": [1.0, "x"]}, "hz.1"), ([], "the file"), (None, "the file")],
)
def test_a_damaged_form_is_refused_where_it_is_damaged(data, place):
    with pytest.raises(TsfitError) as caught:
        read_form(Path("knot.json"), data, Knot)
    assert caught.value.code == "not_reportable"
    assert caught.value.message.startswith(f"knot.json: looks like tsfit's own file but is damaged at {place} (")


def test_keys_of_later_versions_are_skipped():
    assert read_form(Path("knot.json"), {"name": "a", "hz": [1], "more": 3}, Knot) == Knot("a", [1.0])
