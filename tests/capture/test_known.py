"""What was played, held against what was recorded: found anywhere, and whatever is wrong with it is named."""

import numpy as np
import pytest
import soundfile
from helpers.made_recordings import KINDS
from scipy import signal

from tsfit.base.errors import TsfitError
from tsfit.capture.known import played_in
from tsfit.capture.recording import Recording

RATE = 8000
PLAYED = ["sweep", "noise", "log multisine", "dense multisine"]


def _recording(tmp_path, x, *, late=2.3, level=-70.0, seed=1):
    """`x` through a rig with an end at the bottom, late, beside noise."""
    rng = np.random.default_rng(seed)
    b, a = signal.butter(1, 3.0, "high", fs=RATE)
    y = 0.4 * signal.lfilter(b, a, np.pad(x, (round(late * RATE), RATE)))
    y = np.column_stack([y, 0.1 * y]) + 10.0 ** (level / 20.0) * rng.standard_normal((len(y), 2))
    return Recording(tmp_path / "one.wav", y, float(RATE), "")


def _played(tmp_path, kind, rate=RATE):
    x = KINDS[kind](rate, 6, np.random.default_rng(4))
    path = tmp_path / "played.wav"
    soundfile.write(path, x, rate, subtype="FLOAT")
    return x, path


@pytest.mark.parametrize("late", [0.0, 0.31, 5.0])
@pytest.mark.parametrize("kind", PLAYED)
def test_it_is_found_and_the_rest_is_left_out(tmp_path, kind, late):
    x, path = _played(tmp_path, kind)
    recording = _recording(tmp_path, x, late=late)
    found = played_in(recording, 0, path)
    there = np.flatnonzero(np.abs(x) > 1e-3 * np.abs(x).max())
    assert found.first == pytest.approx(max(late * RATE + there[0] - RATE / 2, 0), abs=3)
    assert len(found.samples) <= len(x) + RATE + 2
    assert np.array_equal(found.samples, recording.samples[found.first :][: len(found.samples)])


@pytest.mark.parametrize("ppm", [-300.0, -40.0, 150.0])
@pytest.mark.parametrize("kind", PLAYED)
def test_clocks_of_two_devices_do_no_harm(tmp_path, kind, ppm):
    x, path = _played(tmp_path, kind)
    stretched = np.interp(np.arange(round(len(x) * (1 + 1e-6 * ppm))) / (1 + 1e-6 * ppm), np.arange(len(x)), x)
    if kind != "sweep":
        # Straight lines between samples serve for what has no treble.
        b, a = signal.butter(6, 1500.0, fs=RATE)
        x, stretched = (signal.lfilter(b, a, one) for one in (x, stretched))
        soundfile.write(path, x, RATE, subtype="FLOAT")
    assert played_in(_recording(tmp_path, stretched), 0, path).first > 0


@pytest.mark.parametrize("rate", [16000, 44100, 48000])
def test_a_file_of_another_rate_is_played_as_it_sounds(tmp_path, rate):
    x, path = _played(tmp_path, "log multisine", rate)
    assert played_in(_recording(tmp_path, signal.resample(x, round(len(x) * RATE / rate))), 0, path).first > 0


def _code(recording, path):
    with pytest.raises(TsfitError) as error:
        played_in(recording, 0, path)
    assert str(recording.path) in error.value.message or str(path) in error.value.message
    return error.value.code, error.value.message


@pytest.mark.parametrize("ratio", [44100 / 48000, 48000 / 44100, 2.0, 1.001])
@pytest.mark.parametrize("kind", PLAYED)
def test_a_wrong_rate_is_named(tmp_path, kind, ratio):
    x, path = _played(tmp_path, kind)
    code, message = _code(_recording(tmp_path, signal.resample(x, round(len(x) * ratio))), path)
    assert code == "sample_rate"
    assert float(message.split("lasts ")[1].split(" %")[0]) == pytest.approx(100.0 * (ratio - 1.0), abs=0.02)


@pytest.mark.parametrize("samples", [40, 480, -256])
@pytest.mark.parametrize("kind", PLAYED)
def test_a_lost_stretch_is_named(tmp_path, kind, samples):
    x, path = _played(tmp_path, kind)
    at = 4 * RATE
    y = np.delete(x, slice(at, at + samples)) if samples > 0 else np.insert(x, at, x[at + samples : at])
    code, message = _code(_recording(tmp_path, y), path)
    assert code == "lost_samples"
    assert any(f"{seconds:.2f} s" in message for seconds in np.arange(5.8, 6.8, 0.01))


@pytest.mark.parametrize("kind", PLAYED)
def test_another_file_is_named(tmp_path, kind):
    x, _ = _played(tmp_path, kind)
    _, path = _played(tmp_path, PLAYED[PLAYED.index(kind) - 1])
    assert _code(_recording(tmp_path, x), path)[0] == "other_excitation"


def test_a_played_file_beyond_the_budget_is_not_read(tmp_path, monkeypatch):
    x, path = _played(tmp_path, "sweep")
    monkeypatch.setattr("tsfit.capture.known.MOST_BYTES", 8 * len(x) - 8)
    assert _code(_recording(tmp_path, x), path)[0] == "too_long"


def test_what_plays_nothing_or_is_no_sound(tmp_path):
    x, path = _played(tmp_path, "sweep")
    recording = _recording(tmp_path, x)
    soundfile.write(path, np.zeros(RATE), RATE)
    assert _code(recording, path)[0] == "not_audio"
    path.write_text("no sound")
    assert _code(recording, path)[0] == "not_audio"
    code, message = _code(recording, tmp_path / "none.wav")
    assert code == "not_audio"
    assert "is not there" in message
