import numpy as np

from tsfit.driver.terminals import Terminals


def test_without_causes_the_scale_is_taken_as_known():
    told = Terminals(np.ones(3), np.ones(3), 48000.0)
    assert dict(told.scales) == {}
