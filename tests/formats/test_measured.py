import json

import numpy as np
import pytest
from helpers.made_heat_result import heat_result
from helpers.made_travel_result import made_travel_result

from tsfit.base.errors import TsfitError
from tsfit.base.files import to_json
from tsfit.formats.measured import read_measured, read_travel


def test_what_was_written_is_read_back(tmp_path):
    told = made_travel_result()
    path = tmp_path / "travel.json"
    path.write_text(to_json(told))
    again = read_travel(path)
    assert again.limits == told.limits
    assert again.travel == told.travel
    assert again.levels == told.levels
    np.testing.assert_allclose(again.curves.Bl, told.curves.Bl)
    assert to_json(again) == to_json(told)


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"kind": "fit"}, "not_travel"),
        ({"schema": 2}, "newer_schema"),
        ({"limits": {"Bl82": 3}}, "not_reportable"),
        (None, "not_travel"),
    ],
)
def test_what_is_none_is_refused(tmp_path, change, code):
    data = json.loads(to_json(made_travel_result()))
    path = tmp_path / "travel.json"
    path.write_text("{" if change is None else json.dumps({**data, **change}))
    with pytest.raises(TsfitError) as refusal:
        read_travel(path)
    assert refusal.value.code == code
    with pytest.raises(TsfitError, match="cannot be read"):
        read_travel(tmp_path / "none.json")


def test_files_that_were_swapped_are_told_apart(tmp_path):
    travel, heat = tmp_path / "travel.json", tmp_path / "heat.json"
    travel.write_text(to_json(made_travel_result()))
    heat.write_text(to_json(heat_result()))
    found = read_measured(travel, heat)
    assert (found.travel.driver.name, found.heat.driver.name) == ("Dunlin 12", "Saltwit 12B")
    assert read_measured(None, None).travel is None
    with pytest.raises(TsfitError, match="is no result of tsfit travel but a result of tsfit heat"):
        read_measured(heat, None)
    with pytest.raises(TsfitError, match="is no result of tsfit heat but a result of tsfit travel"):
        read_measured(None, travel)
