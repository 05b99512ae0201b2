"""Somebody else's recordings to impedance: a micro-speaker in free air and on a box of 4 cm³, white noise on a divider.

Source: public repository DrStef/Electroacoustics, commit 870129f; resistor, ohmmeter and the figures of a quick look are
quoted from the provenance note beside the recordings. Without the shared data these tests skip.
"""

import numpy as np
import pytest
from helpers.paths import SHARED

from tsfit.capture.impedance import impedance_from_recording
from tsfit.capture.rig import read_rig

DATA = SHARED / "micro-speaker"
RIG = 'name = "r"\ntopology = "divider"\nreference_ohm = 148.7\n[channels]\ntotal = 1\ndriver = 2\n'


@pytest.fixture(scope="module")
def rig(tmp_path_factory):
    if not DATA.is_dir():
        pytest.skip("shared data with the micro-speaker recordings are absent")
    path = tmp_path_factory.mktemp("rig") / "rig.toml"
    path.write_text(RIG)
    return read_rig(path)


def _far_below(curve):
    """Weighted mean of |Z| from 60 to 300 Hz and its standard deviation."""
    s = (curve.frequency_hz > 60.0) & (curve.frequency_hz < 300.0)
    weight = 2.0 / curve.variance_ohm2[s]
    return np.average(curve.impedance_ohm.real[s], weights=weight), weight.sum() ** -0.5


def _peak(curve):
    """Frequency and height of the resonance, by a parabola through 1/|Z|² around its top."""
    f, z = curve.frequency_hz, np.abs(curve.impedance_ohm)
    near = (f > 700.0) & (f < 1500.0)
    top = near & (z > 0.75 * z[near].max())
    curvature, slope, level = np.polyfit(np.log(f[top]), 1.0 / z[top] ** 2, 2)
    return np.exp(-slope / (2.0 * curvature)), (level - slope**2 / (4.0 * curvature)) ** -0.5


@pytest.mark.against(
    "recordings by others to impedance", "figures of the source, in the provenance note", "peak 1.5 %, 0.06 Ω"
)
@pytest.mark.parametrize(("name", "hz"), [("free-air", 993.0), ("closed-box-4cc", 1133.0)])
@pytest.mark.parametrize("density", [24, 48, 96])
def test_resonance_and_low_end(rig, name, hz, density):
    curve = impedance_from_recording(DATA / f"{name}.wav", rig, points_per_octave=density)
    assert curve.provenance["sample_rate_hz"] == 44100
    assert curve.frequency_hz[0] < 20.0
    assert curve.frequency_hz[-1] > 19000.0
    low, spread = _far_below(curve)
    # 6.9 ohm far below the resonance, 7 % under the ohmmeter's 7.42.
    assert low == pytest.approx(6.9, abs=0.06)
    assert spread < 0.02
    assert abs(low - 7.42) > 10.0 * spread
    found, _ = _peak(curve)
    assert found == pytest.approx(hz, rel=0.015)
    relative = np.sqrt(curve.variance_ohm2) / np.abs(curve.impedance_ohm)
    assert 0.002 < np.median(relative) < 0.012


@pytest.mark.parametrize("name", ["free-air", "closed-box-4cc"])
def test_densities_and_halves_of_a_recording_agree_within_their_variance(rig, name, tmp_path):
    import soundfile

    samples, rate = soundfile.read(DATA / f"{name}.wav")
    curves = []
    for k, half in enumerate(np.array_split(samples[: len(samples) // 2 * 2], 2)):
        soundfile.write(tmp_path / f"{k}.wav", half, rate, subtype="PCM_24")
        curves.append(impedance_from_recording(tmp_path / f"{k}.wav", rig))
    common, first, second = np.intersect1d(curves[0].frequency_hz, curves[1].frequency_hz, return_indices=True)
    assert len(common) > 300
    apart = curves[0].impedance_ohm[first] - curves[1].impedance_ohm[second]
    z2 = np.abs(apart) ** 2 / (curves[0].variance_ohm2[first] + curves[1].variance_ohm2[second])
    # Two independent halves of one recording; their difference has the stated variance.
    assert np.mean(z2) == pytest.approx(1.0, abs=0.2)
