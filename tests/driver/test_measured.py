"""What was measured belongs to one driver."""

from dataclasses import replace

import pytest
from helpers.made_fit import made_driver
from helpers.made_travel_result import made_travel_result

from tsfit.base.errors import TsfitError
from tsfit.driver.measured import NOT_MEASURED, Measured

DUNLIN = replace(made_driver(), name="Dunlin 12")


def test_name_and_serial_tell_whose_it_is():
    found = Measured(made_travel_result())
    for serial in (None, "A-1"):
        assert found.of(replace(DUNLIN, serial=serial)) is found
    assert NOT_MEASURED.of(DUNLIN) is NOT_MEASURED
    for other in (replace(DUNLIN, serial="A-2"), made_driver()):
        with pytest.raises(TsfitError, match="'tsfit travel' wrote is about Dunlin 12, serial A-1, and") as refusal:
            found.of(other)
        assert refusal.value.code == "other_driver"
