"""Recordings that can be read, recordings that cannot be trusted, and a clipping detector without false alarms."""

import os
import struct
import subprocess
import sys
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import soundfile
from helpers.made_recordings import KINDS, PERIODIC, converted, tone

from tsfit.base.errors import TsfitError
from tsfit.base.files import forget_written, refuse_read
from tsfit.capture.recording import read_blocks, read_recording

RATE = 24000
SUBTYPES = ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT"]


def _code(path):
    try:
        read_recording(path)
    except TsfitError as error:
        refusal = error
    else:
        return "read"
    assert "\n" not in refusal.message
    assert refusal.message.startswith(str(path))
    assert refusal.file == str(path)
    return refusal.code


def _write(path, samples, subtype="PCM_24", rate=RATE, **more):
    soundfile.write(path, samples, rate, subtype=subtype, **more)
    return path


def _pair(x, rng):
    """Two channels of unlike level whose second carries a little noise."""
    return np.column_stack([x, 0.31 * x + 1e-5 * rng.standard_normal(len(x))])


def _sines(rng):
    t = np.arange(2 * RATE) / RATE
    for hz in (20.0, 50.0, 997.0, 1000.0, 4000.0, 4800.0, 6000.0, float(rng.uniform(10.0, 10000.0))):
        yield f"sine {hz:g}", np.sin(2.0 * np.pi * hz * t)


def _clean(rng):
    yield from _sines(rng)
    for kind, make in KINDS.items():
        for seconds in (2, 8) if kind in PERIODIC else (3,):
            x = make(RATE, seconds, rng)
            yield f"{kind} {seconds} s", x / np.abs(x).max()


@pytest.mark.parametrize("subtype", SUBTYPES)
def test_a_clean_recording_is_never_called_clipped(tmp_path, subtype):
    rng = np.random.default_rng(0)
    for name, x in _clean(rng):
        # An 8-bit recording has no more than 40 dB to give.
        for level in (0.98, 0.5, 0.1) if subtype == "PCM_U8" else (0.98, 0.25, 1e-3):
            path = _write(tmp_path / "clean.wav", _pair(level * x, rng), subtype)
            assert _code(path) == "read", (name, level)


@pytest.mark.parametrize("dbfs", [-12.0, -20.0, -40.0, -60.0])
def test_gaussian_noise_of_any_level_is_clean(tmp_path, dbfs):
    for seed in range(2):
        rng = np.random.default_rng(seed)
        x = 10.0 ** (dbfs / 20.0) * rng.standard_normal((2 * RATE, 2))
        for subtype in ("PCM_16", "PCM_24"):
            assert _code(_write(tmp_path / "noise.wav", x, subtype)) == "read", (seed, subtype)


@pytest.mark.parametrize("attenuation", [1.0, 0.5, 0.1, 0.03])
@pytest.mark.parametrize("kind", ["sweep", "sine"])
def test_a_tenth_of_a_decibel_of_overdrive_is_found(tmp_path, kind, attenuation):
    """Clipped somewhere before the converter and turned down later."""
    rng = np.random.default_rng(1)
    x = np.sin(2.0 * np.pi * 55.0 * np.arange(3 * RATE) / RATE) if kind == "sine" else KINDS[kind](RATE, 6, rng)
    x = np.clip(10.0 ** (0.1 / 20.0) * x / np.abs(x).max(), -1.0, 1.0)
    both = attenuation * np.column_stack([x, 0.3 * x])
    for subtype in ("PCM_16", "PCM_24", "FLOAT"):
        assert _code(_write(tmp_path / "driven.wav", both * 0.9999, subtype)) == "clipping", subtype


@pytest.mark.parametrize("attenuation", [1.0, 0.1])
@pytest.mark.parametrize("kind", ["noise", "dense multisine", "log multisine"])
def test_clipping_that_hits_only_single_samples_is_found(tmp_path, kind, attenuation):
    """In a signal full of treble no two neighbours are clipped together; 4 dB of overdrive."""
    x = KINDS[kind](RATE, 6, np.random.default_rng(1))
    x = attenuation * np.clip(10.0 ** (4.0 / 20.0) * x / np.abs(x).max(), -1.0, 1.0)
    both = np.column_stack([x, 0.3 * x])
    for subtype in ("PCM_16", "PCM_24", "FLOAT"):
        assert _code(_write(tmp_path / "driven.wav", 0.9999 * both, subtype)) == "clipping", subtype


def test_the_clipped_channel_is_named(tmp_path):
    rng = np.random.default_rng(2)
    x = KINDS["sweep"](RATE, 4, rng)
    both = np.column_stack([x, np.clip(x, -0.3, 0.4)])
    with pytest.raises(TsfitError, match="channel 2 is clipped"):
        read_recording(_write(tmp_path / "one-side.wav", both))


def test_floating_point_beyond_1_is_no_clipping(tmp_path):
    """A file in volts, say; what is flat at 1.7 is clipped all the same."""
    x = 1.7 * np.sin(2.0 * np.pi * 55.0 * np.arange(2 * RATE) / RATE)
    assert _code(_write(tmp_path / "volts.wav", np.column_stack([x, 0.3 * x]), "FLOAT")) == "read"
    flat = np.clip(1.02 * x, -1.7, 1.7)
    assert _code(_write(tmp_path / "flat.wav", np.column_stack([flat, 0.3 * x]), "FLOAT")) == "clipping"


def test_coarse_converters_in_fine_files_are_clean(tmp_path):
    """A resistor in the driver's place, over whatever levels, rates and noise; ``TSFIT_CONVERTERS`` draws."""
    for seed in range(int(os.environ.get("TSFIT_CONVERTERS", "12"))):
        rng = np.random.default_rng([5, seed])
        rate, seconds = int(rng.choice([8000, 16000, 22050, 44100, 48000])), int(rng.integers(2, 5))
        make = {**KINDS, "tone": tone}[rng.choice(["sweep", "sweep", "tone", "noise", "log multisine"])]
        x = make(rate, seconds, rng)
        x *= 10.0 ** rng.uniform(-1.4, -0.02) / np.abs(x).max()
        noise = 10.0 ** (rng.choice([-120.0, -100.0, -80.0]) / 20.0)
        bits, gain, ohm = int(rng.choice([12, 14, 16])), rng.choice([1.0, 0.7, 0.31]), rng.choice([4.0, 10.0, 47.0])
        both = [one + noise * rng.standard_normal(len(x)) for one in (x, x * ohm / (ohm + 100.0))]
        both = np.column_stack([converted(one, bits, gain, rng) for one in both])
        path = _write(tmp_path / "clean.wav", both, str(rng.choice(["FLOAT", "PCM_24"])), rate)
        assert _code(path) == "read", (seed, rate, bits, ohm)


@pytest.mark.parametrize("bits", [12, 14, 16])
@pytest.mark.parametrize("depth_db", [0.3, 1.0, 6.0, 20.0])
@pytest.mark.parametrize("make", [KINDS["sweep"], tone])
def test_clipping_before_a_coarse_converter_is_found(tmp_path, bits, depth_db, make):
    rng = np.random.default_rng(bits)
    x = make(16000, 4, rng)
    top = 10.0 ** (-depth_db / 20.0) * np.abs(x).max()
    x = 0.9 * np.clip(x, -top, top) / top
    both = np.column_stack([converted(one, bits, 0.7, rng) for one in (x, 0.1 * x)])
    for subtype in ("FLOAT", "PCM_24"):
        assert _code(_write(tmp_path / "driven.wav", both, subtype, 16000)) == "clipping"


@pytest.fixture
def samples():
    rng = np.random.default_rng(3)
    return _pair(KINDS["sweep"](RATE, 2, rng), rng)


@pytest.mark.parametrize("subtype", SUBTYPES)
@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64"])
def test_containers_and_sample_formats(tmp_path, samples, container, subtype):
    path = _write(tmp_path / "a.wav", samples, subtype, format=container)
    found = read_recording(path)
    assert found.sample_rate_hz == RATE
    assert found.samples.shape == samples.shape
    step = {"PCM_U8": 2**-7, "PCM_16": 2**-15}.get(subtype, 2**-23)
    assert np.abs(found.samples - samples).max() <= step
    assert len(found.sha256) == 64


def test_what_was_read_is_not_written_over(tmp_path, samples):
    """By the file itself, whatever its content says that it is."""
    path = tmp_path / "free.wav"
    soundfile.write(path, samples, RATE, subtype="FLOAT")
    forget_written()
    refuse_read(path)
    read_recording(path)
    with pytest.raises(TsfitError, match="was read for this result"):
        refuse_read(path)
    forget_written()


def test_flac_and_no_extension(tmp_path, samples):
    assert _code(_write(tmp_path / "a.flac", samples)) == "read"
    (tmp_path / "a").write_bytes((tmp_path / "a.flac").read_bytes())
    assert _code(tmp_path / "a") == "read"


def _riff(data, *, before=b"", data_size=None, riff_size=None):
    """A 16-bit stereo WAV made by hand, with chunks `before` the data."""
    form = b"fmt " + struct.pack("<IHHIIHH", 16, 1, 2, RATE, 4 * RATE, 4, 16)
    chunk = b"data" + struct.pack("<I", len(data) if data_size is None else data_size) + data
    body = b"WAVE" + form + before + chunk
    return b"RIFF" + struct.pack("<I", len(body) if riff_size is None else riff_size) + body


@pytest.fixture
def pcm(samples):
    return np.rint(32767 * samples).astype("<i2").tobytes()


def test_chunks_before_and_after_the_data(tmp_path, pcm):
    listed = b"LIST" + struct.pack("<I", 13) + b"INFOISFT\x01\x00\x00\x00x\x00"
    junk = b"junk" + struct.pack("<I", 5000) + bytes(5000)
    path = tmp_path / "odd.wav"
    path.write_bytes(_riff(pcm, before=listed + junk) + b"LIST" + struct.pack("<I", 4) + b"adtl")
    assert len(read_recording(path).samples) == len(pcm) // 4


def test_headers_that_promise_more_than_there_is(tmp_path, pcm):
    path = tmp_path / "cut.wav"
    for content in (
        _riff(pcm)[:-1000],
        _riff(pcm)[:40],
        _riff(pcm)[:20],
        _riff(pcm[:4000], data_size=0xFFFFFFF0, riff_size=0xFFFFFFFF),
        _riff(pcm, data_size=0, riff_size=36),
        _riff(pcm, data_size=0, riff_size=0),
    ):
        path.write_bytes(content)
        assert _code(path) == "truncated"


def test_a_promise_of_four_gigabytes_allocates_nothing(tmp_path, pcm):
    wav = tmp_path / "bomb.wav"
    wav.write_bytes(_riff(pcm[:4000], data_size=0xFFFFFFF0, riff_size=0xFFFFFFFF))
    rf64 = tmp_path / "bomb64.wav"
    _write(rf64, np.zeros((4000, 2)), "PCM_16", format="RF64")
    content = bytearray(rf64.read_bytes())
    at = content.index(b"ds64")
    content[at + 8 : at + 32] = struct.pack("<QQQ", 1 << 40, 1 << 40, 1 << 38)
    where = content.index(b"data")
    content[where + 4 : where + 8] = b"\xff\xff\xff\xff"
    rf64.write_bytes(content)
    flac = tmp_path / "bomb.flac"
    _write(flac, np.zeros((4000, 2)), "PCM_16")
    content = bytearray(flac.read_bytes())
    # STREAMINFO: the low 32 of the 36 bits of the total sample count stand at byte 22.
    content[22:26] = struct.pack(">I", 150_000_000)
    flac.write_bytes(content)
    for path in (wav, rf64, flac):
        tracemalloc.start()
        assert _code(path) in {"truncated", "too_long", "not_audio"}
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert peak < 50e6, path


@pytest.mark.parametrize(
    ("content", "code"),
    [(b"", "empty"), (b"not audio " * 300, "not_audio"), (b"RIFF", "not_audio"), (b"RIFF\x10\0\0\0WAVE", "truncated")],
)
def test_what_is_no_recording(tmp_path, content, code):
    path = tmp_path / "x.wav"
    path.write_bytes(content)
    assert _code(path) == code


def test_names_that_are_no_files(tmp_path):
    assert _code(tmp_path) == "missing_file"
    assert _code(tmp_path / "none.wav") == "missing_file"
    assert _code(tmp_path / ("n" * 300)) == "missing_file"
    assert _code(tmp_path / "nul\0.wav") == "missing_file"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes with a name")
def test_a_pipe_is_no_file_to_wait_for(tmp_path):
    os.mkfifo(tmp_path / "pipe.wav")
    assert _code(tmp_path / "pipe.wav") == "missing_file"


def test_a_name_that_is_not_utf_8(tmp_path, samples):
    _write(tmp_path / "a.wav", samples)
    odd = Path(os.fsdecode(os.fsencode(tmp_path) + b"/\xff\xe9.wav"))
    try:
        (tmp_path / "a.wav").rename(odd)
    except OSError:
        pytest.skip("this file system takes only UTF-8 names")
    assert len(read_recording(odd).samples) == len(samples)


def test_a_file_that_may_not_be_read(tmp_path, samples, monkeypatch):
    path = _write(tmp_path / "a.wav", samples)

    def denied(*_, **__):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(soundfile, "SoundFile", denied)
    monkeypatch.setattr(type(path), "open", denied)
    assert _code(path) == "missing_file"


def test_channels_that_carry_nothing_of_use(tmp_path, samples):
    rng = np.random.default_rng(4)
    for change, code in (
        (samples * [1.0, 0.0], "dead_channel"),
        (samples * [1.0, 1e-6] + [0.0, 0.2], "dead_channel"),
        (samples * [0.0, 1.0], "dead_channel"),
        (samples[:, :1], "mono"),
        (samples[:, [0, 0]], "mono"),
        (np.column_stack([samples, samples[:, 0]]), "channels"),
        (samples[:0], "empty"),
        (samples[:10000], "too_short"),
    ):
        assert _code(_write(tmp_path / "b.wav", change)) == code
    for value in (np.nan, np.inf, -np.inf, 1e5, -1e20, 3e38):
        spoilt = samples.copy()
        spoilt[int(rng.integers(len(samples))), 1] = value
        assert _code(_write(tmp_path / "c.wav", spoilt, "FLOAT")) == "not_finite"


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="peaks are read from /proc")
def test_a_long_recording_is_held_once_and_not_much_more(tmp_path):
    """40 s at 96 kHz: 4 bytes a sample are what single precision takes; the rest is what checks need besides."""
    x = np.random.default_rng(1).standard_normal(40 * 96000)
    path = _write(tmp_path / "long.wav", 0.1 * np.column_stack([x, 0.3 * x + 0.01 * x[::-1]]), rate=96000)
    # Not by getrusage, whose peak a child inherits from the process that starts it.
    told = """
import re, sys, soundfile
from pathlib import Path
from tsfit.capture.recording import read_recording
peak = lambda: 1024 * int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1])
before = peak()
samples = read_recording(Path(sys.argv[1])).samples
print((peak() - before) / samples.size)
"""
    done = subprocess.run([sys.executable, "-c", told, str(path)], capture_output=True, text=True, check=True)
    assert 4.0 <= float(done.stdout) < 8.0


def test_samples_that_were_let_go_are_read_again(tmp_path):
    path = _write(tmp_path / "one.wav", _pair(0.5 * np.sin(np.arange(RATE)), np.random.default_rng(1)))
    found = read_recording(path)
    assert len(found.released().samples) == 0
    for start, stop in ((0, 7), (1000, 5000), (RATE - 10, RATE + 10), (RATE + 5, RATE + 9)):
        assert np.array_equal(found.released().between(start, stop), found.samples[start:stop])


def test_more_than_the_budget_is_refused(tmp_path, monkeypatch):
    path = _write(tmp_path / "one.wav", _pair(0.5 * np.sin(np.arange(RATE)), np.random.default_rng(1)))
    assert _code(path) == "read"
    monkeypatch.setattr("tsfit.capture.recording.MOST_BYTES", 4 * (2 * RATE - 1))
    assert _code(path) == "too_long"


def test_what_is_read_in_blocks_has_an_end_too(tmp_path, monkeypatch):
    """By its header, or, where that does not tell, by what was read."""
    path = _write(tmp_path / "one.flac", _pair(0.5 * np.sin(np.arange(RATE)), np.random.default_rng(1)), "PCM_16")
    assert sum(len(block) for block in read_blocks(path, 0.3)[1]) == RATE
    monkeypatch.setattr("tsfit.capture.recording.LONGEST_HOURS", 0.9 / 3600.0)
    with pytest.raises(TsfitError, match="lasts longer than") as refused:
        read_blocks(path, 0.3)
    assert refused.value.code == "too_long"
    content = bytearray(path.read_bytes())
    content[21] &= 0xF0
    content[22:42] = bytes(20)
    path.write_bytes(content)
    with pytest.raises(TsfitError, match="lasts longer than"):
        list(read_blocks(path, 0.3)[1])


def test_flac_of_unknown_length_as_of_an_encoder_that_was_never_told(tmp_path, monkeypatch):
    """RFC 9639, 8.2: a total of 0 in STREAMINFO means unknown, a sum of zeros that none was made."""
    path = _write(tmp_path / "live.flac", _pair(0.5 * np.sin(np.arange(RATE)), np.random.default_rng(1)), "PCM_16")
    whole = read_recording(path)
    content = bytearray(path.read_bytes())
    content[21] &= 0xF0
    content[22:42] = bytes(20)
    path.write_bytes(content)
    found = read_recording(path)
    assert np.array_equal(found.samples, whole.samples)
    assert np.array_equal(found.released().between(RATE - 10, RATE + 10), whole.samples[-10:])
    assert sum(len(block) for block in read_blocks(path, 0.3)[1]) == RATE
    monkeypatch.setattr("tsfit.capture.recording.MOST_BYTES", 4 * (2 * RATE - 1))
    assert _code(path) == "too_long"


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
def test_samples_are_those_of_the_file_to_the_last_bit(tmp_path, subtype):
    path = _write(tmp_path / "one.wav", _pair(0.5 * np.sin(np.arange(RATE)), np.random.default_rng(1)), subtype)
    assert np.array_equal(read_recording(path).samples, soundfile.read(path, dtype="float64")[0])


@pytest.mark.parametrize("peak", [0.4, 1.0, 2.6, 5.0])
def test_a_channel_of_a_few_steps_has_no_tops_but_those(tmp_path, peak):
    """A short circuit on a divider: the driver's channel moves over hardly any of the steps of a converter of 14 bits."""
    step = 2.0**-13
    x = KINDS["sweep"](RATE, 4, np.random.default_rng(2))
    both = np.column_stack([0.5 * x, np.rint(peak * x / np.abs(x).max()) * step])
    read_recording(_write(tmp_path / "short.wav", both, "FLOAT"), may_be_silent=1)
