import numpy as np

from tsfit.base.forms import plain
from tsfit.driver.record import NamedDriver
from tsfit.driver.travel_result import DISTORTION
from tsfit.travel.limits import ScaleErrors
from tsfit.travel.result import result_of

NOTHING = ScaleErrors(np.zeros(1), np.zeros(1), np.zeros(1))


def test_what_is_put_together(fitted):
    truth, settled = fitted
    told = result_of(settled, NOTHING, NamedDriver(truth.name), outward_known=False)
    form = plain(told)
    assert (form["schema"], form["kind"]) == (1, "travel")
    assert [note.code for note in told.quality] == ["polarity"]
    assert (told.side("outward"), told.side("inward")) == ("one way", "the other way")
    assert not any(word in told.called(name) for name in told.parameters for word in ("outward", "less out"))
    for name, criteria in DISTORTION.items():
        for side in ("outward", "inward"):
            values = [getattr(told.limits[one], side).value for one in criteria]
            limit = getattr(told.travel[name], side)
            if limit.value is not None:
                assert limit.value == min(value for value in values if value is not None)
    assert told.answers()[0].startswith("10 % limit: ")
    quiet, loud = told.levels
    assert quiet.peak_outward_m < loud.peak_outward_m
    assert form["limits"]["C50"]["inward"] == {
        "reached": False, "at_least": told.limits["C50"].inward.at_least, "unit": "m"
    }  # fmt: skip
