"""The last step before the device: nothing louder than agreed passes it, nor what is no number."""

import numpy as np
import pytest

from tsfit.base.errors import TsfitError
from tsfit.capture.level_limit import LIMIT_DBFS, QUIET_DBFS, check_level, playable


@pytest.mark.parametrize("peak_dbfs", [QUIET_DBFS, -60.0, LIMIT_DBFS])
def test_what_keeps_its_level_passes_as_it_is(peak_dbfs):
    samples = 10.0 ** (peak_dbfs / 20.0) * np.array([0.0, -1.0, 0.5])
    np.testing.assert_array_equal(playable(samples, peak_dbfs), samples)
    # Single precision rounds by 6e-8, half a millionth of a decibel.
    playable(samples.astype(np.float32), peak_dbfs)


@pytest.mark.parametrize(
    ("peak", "stated_dbfs"),
    [
        (2.0, 6.1),
        (0.71, 0.0),
        (-0.71, 0.0),
        (1.02 * 10.0**-1.5, QUIET_DBFS),
        (-0.5, QUIET_DBFS),
        (np.inf, 0.0),
        (np.nan, 0.0),
    ],
)
@pytest.mark.parametrize("place", [0, 500, 999])
def test_one_sample_too_many_stops_all(peak, stated_dbfs, place):
    samples = np.zeros(1000)
    samples[place] = peak
    with pytest.raises(TsfitError) as error:
        playable(samples, stated_dbfs)
    assert error.value.code == "level_limit"


def test_silence_may_be_played():
    assert not playable(np.zeros(10), QUIET_DBFS).any()


@pytest.mark.parametrize("level", [-2.9, 0.0, 6.0, float("inf"), float("nan")])
def test_levels_beyond_the_limit(level):
    with pytest.raises(TsfitError, match="-3 dBFS") as error:
        check_level(level)
    assert error.value.code == "level_limit"
