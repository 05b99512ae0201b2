"""The levels on the way, and what a stop is."""

import numpy as np

from tsfit.base.errors import TsfitError
from tsfit.capture.stream import Stopped, levels_of


def test_levels():
    block = np.zeros((1000, 2), dtype=np.float32)
    block[:, 0] = 0.1 * np.sqrt(2.0) * np.sin(0.02 * np.pi * np.arange(1000))
    block[7, 1] = -0.5
    levels = levels_of(block, 3000, 9000)
    np.testing.assert_allclose(levels.rms_dbfs, (-20.0, 20.0 * np.log10(0.5 / np.sqrt(1000.0))), atol=1e-4)
    np.testing.assert_allclose(levels.peak_dbfs, (-16.9897, -6.0206), atol=1e-4)
    assert (levels.frame, levels.expected) == (3000, 9000)
    silence = levels_of(np.zeros((4, 2), dtype=np.float32), 4, 4)
    assert silence.rms_dbfs == silence.peak_dbfs == (-300.0, -300.0)


def test_a_stop_is_an_error_that_users_may_meet():
    assert issubclass(Stopped, TsfitError)
