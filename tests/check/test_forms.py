"""What JSON holds of a check: written, read back, and true to its definitions."""

import json

import pytest
from helpers.made_fit import made_fit
from helpers.made_page import SHEET

from tsfit.base.files import to_json
from tsfit.base.forms import read_form
from tsfit.check.boxes import check_sheet
from tsfit.check.forms import CheckForm, check_form
from tsfit.formats.sheet import read_sheet


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    folder = tmp_path_factory.mktemp("check")
    (folder / "sheet.toml").write_text(SHEET)
    form = check_form(check_sheet(made_fit(), read_sheet(folder / "sheet.toml")))
    (folder / "check.json").write_text(to_json(form))
    return folder / "check.json"


def test_every_deviation_is_measured_over_printed(file):
    data = json.loads(file.read_text())
    assert (data["schema"], data["kind"]) == (1, "check")
    printed = {"Re": 5.6, "Fs": 34.0, "Qts": 0.30, "Vas": 0.06}
    assert {one["name"] for one in data["figures"]} == set(printed)
    for one in data["figures"]:
        assert one["published"] == pytest.approx(printed[one["name"]])
        assert one["deviation_percent"] == pytest.approx(100.0 * (one["measured"] / one["published"] - 1.0))


def test_it_is_read_back_as_it_was_written(file):
    data = json.loads(file.read_text())
    assert json.loads(to_json(read_form(file, data, CheckForm))) == data
