"""The empty sheet: filled in as its own examples say, it is a sheet that agrees with itself."""

import pytest

from tsfit.base.errors import TsfitError
from tsfit.driver.parameters import PUBLISHED
from tsfit.formats.sheet import empty_sheet, read_sheet


def test_it_has_a_line_for_every_parameter_that_a_sheet_may_print(tmp_path):
    path = tmp_path / "sheet.toml"
    lines = [line[2:] if line.startswith("# ") and " = " in line else line for line in empty_sheet().splitlines()]
    path.write_text("\n".join(lines))
    assert set(read_sheet(path).figures) == set(PUBLISHED)


def test_as_it_stands_it_prints_nothing(tmp_path):
    path = tmp_path / "sheet.toml"
    path.write_text(empty_sheet())
    with pytest.raises(TsfitError, match="add at least one"):
        read_sheet(path)
