"""The sweep of a finished cabinet: a file of a curve, or a recording with the rig that it was made on."""

import numpy as np
import pytest
from helpers.paths import SAMPLES

from tsfit.base.errors import TsfitError
from tsfit.bench.cabinet import read_cabinet
from tsfit.formats.curve import write_curve


def test_a_recording_and_the_curve_that_was_written_of_it_are_the_same(tmp_path):
    recorded = read_cabinet(SAMPLES / "recordings" / "saltwit-12b-box.flac", SAMPLES / "rig-divider.toml")
    write_curve(recorded, tmp_path / "cabinet.txt")
    read = read_cabinet(tmp_path / "cabinet.txt", None)
    np.testing.assert_allclose(read.frequency_hz, recorded.frequency_hz, rtol=1e-6)
    np.testing.assert_allclose(read.impedance_ohm, recorded.impedance_ohm, rtol=1e-5)
    # In a box the resonance lies above that in free air.
    bass = read.frequency_hz < 300.0
    assert 30.0 < read.frequency_hz[bass][np.argmax(np.abs(read.impedance_ohm[bass]))] < 100.0


def test_a_recording_asks_for_its_rig():
    with pytest.raises(TsfitError, match="takes it with --rig"):
        read_cabinet(SAMPLES / "recordings" / "saltwit-12b-box.flac", None)
