"""A command's own JSON, read back as it was, or refused."""

import json

import pytest
from helpers.made_heat_result import heat_result

from tsfit.base.errors import TsfitError
from tsfit.base.files import to_json
from tsfit.driver.heat_result import HeatResult
from tsfit.formats.result import read_result


@pytest.mark.parametrize("told", [True, False])
def test_what_is_written_is_read(tmp_path, told):
    path = tmp_path / "heat.json"
    path.write_text(to_json(heat_result(told=told)))
    assert read_result(path, HeatResult, "heat") == heat_result(told=told)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("[]", "wrong_file_type"),
        ("x", "wrong_file_type"),
        ('{"schema": 1, "kind": "check"}', "wrong_file_type"),
        ('{"schema": 9, "kind": "heat"}', "newer_schema"),
        ('{"schema": 1, "kind": "heat", "parameters": 3}', "not_reportable"),
    ],
)
def test_what_is_no_result_is_refused(tmp_path, text, code):
    path = tmp_path / "heat.json"
    path.write_text(text)
    with pytest.raises(TsfitError) as error:
        read_result(path, HeatResult, "heat")
    assert error.value.code == code
    with pytest.raises(TsfitError) as error:
        read_result(tmp_path / "none.json", HeatResult, "heat")
    assert error.value.code == "missing_file"


def test_a_number_that_is_none_is_refused(tmp_path):
    data = json.loads(to_json(heat_result()))
    data["power_at"][1]["value"] = "many"
    path = tmp_path / "heat.json"
    path.write_text(json.dumps(data))
    with pytest.raises(TsfitError, match=r"power_at\.1\.value"):
        read_result(path, HeatResult, "heat")
