"""The recorder: readable at every instant, never over something, marked partial until whole."""

import contextlib
import errno
import os
import subprocess
import sys
import tomllib
import tracemalloc

import numpy as np
import pytest
import soundfile
from helpers.paths import ROOT
from helpers.record_without_end import FRAMES, RATE, samples
from helpers.victims import Victims

from tsfit.base.errors import TsfitError
from tsfit.capture import recorder as recorder_module
from tsfit.capture.recorder import Recorder, add_conditions, wav_header
from tsfit.capture.recording import read_recording
from tsfit.capture.stream import Stopped

KILLS = int(os.environ.get("TSFIT_KILLS", "6"))


def noise(frames, seed=0):
    return 0.1 * np.random.default_rng(seed).standard_normal((frames, 2)).astype(np.float32)


def test_finished_recording_is_what_was_written_with_its_conditions_beside_it(tmp_path):
    written = noise(RATE)
    conditions = {"rig": {"name": "100 ohm"}, "mass_g": 40.0, "wiring": None, "recorded_by": "us"}
    with Recorder(tmp_path / "a.wav", RATE, conditions) as recorder:
        for block in np.array_split(written, 7):
            recorder.write(block)
        recorder.finish(flags=[(3, "input overflow")])
    found = read_recording(tmp_path / "a.wav")
    np.testing.assert_array_equal(found.samples, written)
    assert found.sample_rate_hz == RATE
    assert soundfile.info(tmp_path / "a.wav").subtype == "FLOAT"
    beside = tomllib.loads((tmp_path / "a.toml").read_text())
    assert beside["recorded_at"].tzinfo is not None
    del beside["recorded_at"]
    assert beside == {
        "recording": "a.wav",
        "rig": {"name": "100 ohm"},
        "mass_g": 40.0,
        "recorded_by": "us",
        "complete": True,
        "frames": RATE,
        "flags": [[3, "input overflow"]],
    }
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.toml", "a.wav"]


def test_what_is_found_out_later_joins_the_conditions(tmp_path):
    with Recorder(tmp_path / "a.wav", RATE, {"mass_g": 40.0}) as recorder:
        recorder.write(noise(100))
        recorder.finish()
    before = tomllib.loads((tmp_path / "a.toml").read_text())
    add_conditions(tmp_path / "a.wav", verdict={"thd_percent": np.float64(0.25), "octaves": np.array([1.0, 2.0])})
    after = tomllib.loads((tmp_path / "a.toml").read_text())
    assert after == before | {"verdict": {"thd_percent": 0.25, "octaves": [1.0, 2.0]}}


def test_partial_recording_is_readable_after_every_block_but_never_taken_for_a_whole_one(tmp_path):
    written = noise(RATE)
    partial = tmp_path / "a.partial.wav"
    with Recorder(tmp_path / "a.wav", RATE, {}) as recorder:
        assert soundfile.info(partial).frames == 0
        for block in np.array_split(written, 9):
            recorder.write(block)
            np.testing.assert_array_equal(soundfile.read(partial, dtype="float32")[0], written[: recorder.frames])
        with pytest.raises(TsfitError) as refused:
            read_recording(partial)
    assert refused.value.code == "partial"
    assert partial.exists()
    assert not (tmp_path / "a.wav").exists()


@pytest.mark.parametrize(
    ("error", "stopped"),
    [(KeyboardInterrupt(), "KeyboardInterrupt"), (Stopped("It is gone.", code="device_vanished"), "device_vanished")],
)
def test_whatever_stops_it_is_told_beside_the_partial_recording(tmp_path, error, stopped):
    with pytest.raises(type(error)), Recorder(tmp_path / "a.wav", RATE, {"mass_g": 40.0}) as recorder:  # noqa: PT012
        recorder.write(noise(100))
        raise error
    beside = tomllib.loads((tmp_path / "a.partial.toml").read_text())
    assert (beside["complete"], beside["stopped"], beside["frames"], beside["mass_g"]) == (False, stopped, 100, 40.0)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.partial.toml", "a.partial.wav"]


def test_nothing_is_left_where_nothing_was_recorded(tmp_path):
    with pytest.raises(KeyboardInterrupt), Recorder(tmp_path / "a.wav", RATE, {}):
        raise KeyboardInterrupt
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["a.wav", "a.toml", "a.partial.wav", "a.partial.toml"])
def test_existing_files_are_left_alone(tmp_path, name):
    (tmp_path / name).write_text("earlier")
    with pytest.raises(TsfitError) as refused:
        Recorder(tmp_path / "a.wav", RATE, {})
    assert refused.value.code == "exists"
    assert name in refused.value.message
    assert (tmp_path / name).read_text() == "earlier"


@pytest.mark.parametrize("name", ["a.wav", "a.toml"])
def test_a_name_taken_during_the_recording_is_left_alone_too(tmp_path, name):
    with pytest.raises(TsfitError) as refused, Recorder(tmp_path / "a.wav", RATE, {}) as recorder:  # noqa: PT012
        recorder.write(noise(100))
        (tmp_path / name).write_text("meanwhile")
        recorder.finish()
    assert refused.value.code == "exists"
    assert (tmp_path / name).read_text() == "meanwhile"
    assert soundfile.info(tmp_path / "a.partial.wav").frames == 100


@pytest.mark.parametrize("name", ["a.flac", "a", "a.partial.wav"])
def test_names_that_cannot_be_kept_apart_are_refused(tmp_path, name):
    with pytest.raises(TsfitError) as refused:
        Recorder(tmp_path / name, RATE, {})
    assert refused.value.code == "wrong_name"


def test_a_missing_folder_is_refused_in_one_sentence(tmp_path):
    with pytest.raises(TsfitError) as refused, Recorder(tmp_path / "none" / "a.wav", RATE, {}):
        pass
    assert refused.value.code == "cannot_write"


def test_a_read_only_folder_is_refused_in_one_sentence(read_only_folder):
    with pytest.raises(TsfitError) as refused, Recorder(read_only_folder / "a.wav", RATE, {}):
        pass
    assert refused.value.code == "cannot_write"


def test_a_full_disk_keeps_what_fitted_on_it(small_disk):
    written = noise(RATE * 4)
    with pytest.raises(Stopped) as stopped, Recorder(small_disk / "a.wav", RATE, {}) as recorder:  # noqa: PT012
        for block in np.array_split(written, 40):
            recorder.write(block)
    assert stopped.value.code == "disk_full"
    kept = soundfile.read(small_disk / "a.partial.wav", dtype="float32")[0]
    assert len(kept) == recorder.frames > RATE
    np.testing.assert_array_equal(kept, written[: len(kept)])


@pytest.mark.parametrize(("number", "code"), [(errno.ENOSPC, "disk_full"), (errno.EIO, "cannot_write")])
def test_a_failing_disk_is_told_apart_from_a_full_one(tmp_path, monkeypatch, number, code):
    """With a stand-in for the disk, which fails when it is asked whether all is written."""

    def failing(number_of_file):
        raise OSError(number, os.strerror(number))

    with pytest.raises(TsfitError) as refused, Recorder(tmp_path / "a.wav", RATE, {}) as recorder:  # noqa: PT012
        recorder.write(noise(100))
        monkeypatch.setattr(recorder_module, "SYNC_SECONDS", 0.0)
        monkeypatch.setattr(os, "fsync", failing)
        recorder.write(noise(100))
    assert refused.value.code == code
    assert soundfile.info(tmp_path / "a.partial.wav").frames == 200


@pytest.mark.parametrize("room", [200, 500, 1000])
def test_a_disk_full_from_the_beginning_keeps_nothing_and_says_so(tmp_path, room):
    """In a process of its own whose files may not grow beyond so many bytes, with its header and a block to write."""
    program = (
        "import resource, signal, sys; import numpy as np; from pathlib import Path\n"
        "from tsfit.capture.recorder import Recorder\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "recorder = Recorder(Path(sys.argv[1]), 8000, {})\n"
        f"resource.setrlimit(resource.RLIMIT_FSIZE, ({room}, {room}))\n"
        "with recorder: recorder.write(np.zeros((8000, 2), dtype=np.float32))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path / "a.wav")], capture_output=True, text=True, check=False, cwd=ROOT
    )
    assert "before anything was recorded; look after the disk" in done.stderr.replace("\n", " ")
    assert list(tmp_path.iterdir()) == []


def test_beyond_4_gigabytes_it_is_rf64(tmp_path):
    """A sparse file as long as a three-hour recording, with something to find at its end."""
    frames, last = 600_000_000, noise(1000)
    path = tmp_path / "a.wav"
    with path.open("wb") as stream:
        stream.write(wav_header(frames, RATE))
        stream.seek(8 * (frames - len(last)), os.SEEK_CUR)
        stream.write(last.tobytes())
    assert path.stat().st_size > 2**32
    with soundfile.SoundFile(path) as sound:
        assert (sound.format, sound.frames, sound.channels, sound.samplerate) == ("RF64", frames, 2, RATE)
        sound.seek(frames - len(last))
        np.testing.assert_array_equal(sound.read(dtype="float32"), last)


def test_header_turns_into_rf64_in_place(tmp_path, monkeypatch):
    monkeypatch.setattr(recorder_module, "LARGEST_WAV", 8 * RATE)
    written = noise(2 * RATE)
    with Recorder(tmp_path / "a.wav", RATE, {}) as recorder:
        for block, kind in ((written[:1000], "WAV"), (written[1000:], "RF64")):
            recorder.write(block)
            assert soundfile.info(recorder.partial).format == kind
        recorder.finish()
    np.testing.assert_array_equal(read_recording(tmp_path / "a.wav").samples, written)


def test_memory_does_not_grow_with_length(tmp_path):
    block = noise(2048)

    def peak(name, blocks):
        with Recorder(tmp_path / name, RATE, {}) as recorder:
            recorder.write(block)
            tracemalloc.start()
            for _ in range(blocks):
                recorder.write(block)
            found = tracemalloc.get_traced_memory()[1]
            tracemalloc.stop()
        return found

    assert peak("long.wav", 2000) < peak("short.wav", 20) + block.nbytes


def _stopped(path, frames):
    with Recorder(path, RATE, {}) as recorder:
        if frames:
            recorder.write(np.zeros((frames, 2), dtype=np.float32))
        raise Stopped("device 'Heron': interrupted after a while.", code="interrupted")


def test_who_stops_is_told_where_the_rest_is(tmp_path):
    with pytest.raises(Stopped) as stopped:
        _stopped(tmp_path / "a.wav", 100)
    assert (stopped.value.code, stopped.value.file) == ("interrupted", str(tmp_path / "a.partial.wav"))
    assert f"kept as {tmp_path / 'a.partial.wav'}" in stopped.value.message
    with pytest.raises(Stopped) as stopped:
        _stopped(tmp_path / "b.wav", 0)
    assert "kept" not in stopped.value.message
    assert not list(tmp_path.glob("b*"))


@pytest.fixture
def stack():
    with contextlib.ExitStack() as stack:
        yield stack


@pytest.mark.against("no recording is lost", "kills at any instant, `TSFIT_KILLS` of them", "every one kept")
def test_killed_at_any_instant_it_leaves_readable_recordings_and_loses_none(tmp_path, stack):
    rng = np.random.default_rng(7)
    in_the_middle, victims = 0, stack.enter_context(Victims("record_without_end"))
    for kill in range(KILLS):
        folder = tmp_path / str(kill)
        folder.mkdir()
        (folder / "earlier.wav").write_bytes(b"earlier")
        # Of two kills one comes while the file is being made, one not before its first samples.
        assert victims.killed_after(float(rng.uniform(0.0, 0.4)), tmp_path / "said", str(folder), kill, lines=1 + kill % 2)
        assert (folder / "earlier.wav").read_bytes() == b"earlier"
        names = {path.name for path in folder.glob("[0-9]*.wav")}
        whole = sorted(int(name[:-4]) for name in names if not name.endswith(".partial.wav"))
        assert whole == list(range(len(whole)))
        for name in names:
            number = int(name.split(".")[0])
            found = soundfile.read(folder / name, dtype="float32")[0]
            np.testing.assert_array_equal(found, samples(number, 0, len(found)))
            if name.endswith(".partial.wav"):
                assert number in (len(whole), len(whole) - 1)
                in_the_middle += 0 < len(found) < FRAMES
            else:
                assert len(found) == FRAMES
                assert tomllib.loads((folder / f"{number}.toml").read_text())["complete"]
    assert in_the_middle >= KILLS // 3
