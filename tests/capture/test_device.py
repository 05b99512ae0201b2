"""Playing and recording with a fault-injecting stand-in for the sound library; the real one is tested in tests/audio."""

import subprocess
import sys
import threading
import time
import tracemalloc

import numpy as np
import pytest

from tsfit.base.errors import TsfitError
from tsfit.capture import device as device_module
from tsfit.capture.device import SoundCard, find_device, list_devices
from tsfit.capture.excitation import Wanted, make_excitation
from tsfit.capture.stream import Stopped

RATE = 48000.0
DELAY = 700
BLOCK = 512


class StandInError(Exception):
    pass


class StandInStop(Exception):  # noqa: N818
    pass


class StandIn:
    """What device.py uses of sounddevice, with one duplex device that plays into its own inputs, and a fault.

    `fault` is called with the stream, the block number and the status before each callback; what it returns is the status.
    """

    PortAudioError, CallbackStop = StandInError, StandInStop

    def __init__(self, devices=None, fault=lambda stream, block: "", rates=(RATE,), gain=(1.0, 0.5), noise=1e-5, keep=True):
        self.devices = [_device("Heron", 0, 2, 2)] if devices is None else devices
        self.fault, self.rates, self.gain, self.noise = fault, rates, np.array(gain), noise
        self.keep, self.streams = keep, []

    def query_hostapis(self):
        return [{"name": "Reed"}, {"name": "Bog"}]

    def query_devices(self):
        return [device | {"index": index} for index, device in enumerate(self.devices)]

    def check_input_settings(self, device, channels, *, dtype, samplerate):
        if samplerate not in self.rates:
            raise StandInError("Invalid sample rate")

    def check_output_settings(self, device, channels, *, dtype, samplerate):
        self.check_input_settings(device, channels, dtype=dtype, samplerate=samplerate)

    def Stream(self, **options):
        self.check_input_settings(None, 2, dtype="float32", samplerate=options["samplerate"])
        self.streams.append(StandInStream(self, options))
        return self.streams[-1]


class StandInStream:
    def __init__(self, sound, options):
        self.sound, self.options, self.samplerate = sound, options, options["samplerate"]
        self.active, self.closed, self.played = False, False, []
        self.thread = threading.Thread(target=self.run, daemon=True)

    @property
    def heard(self):
        """All that was played, once the stream has come to its end."""
        self.thread.join()
        return np.vstack(self.played)

    def start(self):
        self.active = True
        self.thread.start()

    def abort(self, ignore_errors=True):
        self.active = False

    def close(self, ignore_errors=True):
        self.active, self.closed = False, True

    def run(self):
        rng = np.random.default_rng(0)
        outputs = self.options["channels"][1]
        late = np.zeros((DELAY, outputs), dtype=np.float32)
        number = 0
        while self.active:
            status = self.sound.fault(self, number)
            if status is None:
                time.sleep(0.01)
                continue
            line = late[:BLOCK]
            came = line[:, :1] * self.sound.gain + self.sound.noise * rng.standard_normal((len(line), 2))
            goes = np.full((BLOCK, outputs), np.nan, dtype=np.float32)
            try:
                self.options["callback"](came.astype(np.float32), goes, BLOCK, None, status)
            except StandInStop:
                self.active = False
            if self.sound.keep:
                self.played.append(goes)
            late = np.vstack([late[BLOCK:], goes])
            number += 1


def _device(name, api, inputs, outputs):
    channels = {"max_input_channels": inputs, "max_output_channels": outputs}
    return {"name": name, "hostapi": api, "default_samplerate": RATE} | channels


def excitation(seconds=2.0):
    return make_excitation(Wanted("exponential sweep", sample_rate_hz=RATE, seconds=seconds))


@pytest.fixture
def standing_in(monkeypatch):
    """Put a `StandIn` made of the given options in the place of the sound library, with short deadlines."""
    monkeypatch.setattr(device_module, "DEADLINE_SECONDS", 0.3)

    def put(**options):
        sound = StandIn(**options)
        monkeypatch.setitem(sys.modules, "sounddevice", sound)
        return sound

    return put


def play(seconds=2.0, *, sink=None, on_level=None, outputs=1, device="heron"):
    blocks = []
    wanted = excitation(seconds)
    player = SoundCard(device, outputs)
    assert player.in_real_time
    report = player.play(wanted, blocks.append if sink is None else sink, on_level=on_level)
    return wanted, report, np.vstack(blocks) if blocks else None


def test_recording_is_what_was_played_as_late_as_reported(standing_in):
    sound = standing_in()
    levels = []
    wanted, report, samples = play(on_level=levels.append)
    assert report.frames == report.expected == len(wanted.samples) == len(samples)
    assert report.flags == ()
    assert report.delay_samples == DELAY
    np.testing.assert_allclose(samples[DELAY:, 0], wanted.samples[:-DELAY], atol=1e-4)
    np.testing.assert_allclose(samples[DELAY:, 1], 0.5 * wanted.samples[:-DELAY], atol=1e-4)
    assert levels[-1].expected == report.expected
    assert sound.streams[0].closed


@pytest.mark.parametrize(("outputs", "there", "played"), [(1, 2, [1, 0]), (2, 4, [1, 1]), (1, 1, [1]), (3, 4, [1, 1, 1])])
def test_excitation_goes_to_the_first_outputs_and_silence_to_the_rest(standing_in, outputs, there, played):
    sound = standing_in(devices=[_device("Heron", 0, 2, there)])
    wanted, _, _ = play(outputs=outputs)
    heard = sound.streams[0].heard
    assert heard.shape[1] == len(played)
    np.testing.assert_allclose(heard[: len(wanted.samples)], wanted.samples[:, None] * played, atol=1e-6)
    assert not heard[len(wanted.samples) :].any()


def test_more_outputs_than_there_are_is_refused(standing_in):
    standing_in()
    with pytest.raises(TsfitError) as refused:
        play(outputs=3)
    assert refused.value.code == "outputs"


def test_flags_before_the_excitation_and_priming_are_left_out(standing_in):
    early, late = 3, 100
    told = {early: "output underflow", 90: "priming output", late: "input overflow, output underflow"}
    standing_in(fault=lambda stream, number: told.get(number, ""))
    wanted, report, _ = play()
    assert early * BLOCK < wanted.start < late * BLOCK
    assert report.flags == ((late * BLOCK, "input overflow"), (late * BLOCK, "output underflow"))


def test_device_that_stops_delivering_is_not_waited_for(standing_in):
    standing_in(fault=lambda stream, number: None if number == 90 else "")
    kept = []
    began = time.monotonic()
    with pytest.raises(Stopped) as stopped:
        play(sink=kept.append)
    assert time.monotonic() - began < 10.0
    assert stopped.value.code == "stalled"
    assert sum(map(len, kept)) == 90 * BLOCK


def test_stream_that_ends_by_itself_means_the_device_has_vanished(standing_in):
    def fault(stream, number):
        stream.active = number < 90
        return "" if stream.active else None

    standing_in(fault=fault)
    with pytest.raises(Stopped) as stopped:
        play()
    assert stopped.value.code == "device_vanished"


def test_device_that_cannot_even_be_asked_has_vanished(standing_in, monkeypatch):
    def ask(stream):
        raise StandInError("Unanticipated host error")

    monkeypatch.setattr(StandInStream, "active", property(ask, lambda stream, value: None), raising=False)
    monkeypatch.setattr(StandInStream, "start", lambda stream: None)
    standing_in()
    with pytest.raises(Stopped) as stopped:
        play()
    assert stopped.value.code == "device_vanished"


@pytest.mark.parametrize(("last", "code"), [(0, "stalled"), (120, "device_vanished")])
def test_nothing_but_zeros_is_no_recording(standing_in, last, code):
    def fault(stream, number):
        if number >= last:
            stream.sound.gain, stream.sound.noise = np.zeros(2), 0.0
        return ""

    standing_in(fault=fault)
    with pytest.raises(Stopped) as stopped:
        play(seconds=3.0)
    assert stopped.value.code == code


def test_zeros_only_at_the_end_of_the_sweep_are_noticed_too(standing_in):
    wanted = excitation()

    def fault(stream, number):
        if number * BLOCK > wanted.stop - 0.2 * RATE:
            stream.sound.gain, stream.sound.noise = np.zeros(2), 0.0
        return ""

    standing_in(fault=fault)
    with pytest.raises(Stopped) as stopped:
        play()
    assert stopped.value.code == "device_vanished"


def test_digital_silence_after_the_sweep_is_no_fault(standing_in):
    standing_in(noise=0.0)
    _, report, _ = play()
    assert report.frames == report.expected


def test_what_the_sink_raises_stops_the_recording(standing_in):
    sound = standing_in()

    def full(block):
        raise Stopped("The disk is full.", code="disk_full")

    with pytest.raises(Stopped) as stopped:
        play(sink=full)
    assert stopped.value.code == "disk_full"
    assert sound.streams[0].closed


def test_disk_that_hesitates_longer_than_the_ring_lasts_is_told(standing_in, monkeypatch):
    monkeypatch.setattr("tsfit.capture.exchange.RING_SECONDS", 0.5)
    standing_in()
    with pytest.raises(Stopped) as stopped:
        play(sink=lambda block: time.sleep(0.6))
    assert stopped.value.code == "stalled"
    assert "disk" in stopped.value.message


def test_disk_that_never_answers_is_not_waited_for(standing_in, monkeypatch):
    monkeypatch.setattr(device_module, "DISK_SECONDS", 0.3)
    standing_in()
    answer = threading.Event()
    with pytest.raises(Stopped) as stopped:
        play(sink=lambda block: answer.wait(10.0))
    answer.set()
    assert stopped.value.code == "stalled"
    assert "disk" in stopped.value.message


def test_ctrl_c_keeps_what_was_recorded(standing_in):
    sound = standing_in()
    kept = []

    def press(levels):
        raise KeyboardInterrupt

    with pytest.raises(Stopped) as stopped:
        play(sink=kept.append, on_level=press)
    assert stopped.value.code == "interrupted"
    assert kept
    assert sound.streams[0].closed


def test_rate_that_the_device_has_not_is_refused_with_those_it_has(standing_in):
    standing_in(rates=(44100.0, 96000.0))
    with pytest.raises(TsfitError) as refused:
        play()
    assert refused.value.code == "sample_rate"
    assert "44100, 96000" in refused.value.message


def test_only_duplex_devices_are_listed_and_halves_of_one_interface_are_joined(standing_in):
    standing_in(
        devices=[
            _device("Line (Heron USB)", 1, 2, 0),
            _device("Speakers (Heron USB)", 1, 0, 8),
            _device("Line (Bittern)", 0, 2, 0),
            _device("Speakers (Bittern)", 1, 0, 2),
            _device("Webcam", 0, 1, 2),
            _device("Teal", 0, 4, 4),
        ]
    )
    found = list_devices()
    assert [(one.label, one.inputs, one.outputs) for one in found] == [("Teal (Reed)", 4, 4), ("Heron USB (Bog)", 2, 8)]
    assert (found[1].input_index, found[1].output_index) == (0, 1)
    assert found[0].rates_hz == (RATE,)


def test_device_is_found_by_part_of_its_name_and_by_host_api(standing_in):
    standing_in(devices=[_device("Heron", 0, 2, 2), _device("Heron", 1, 2, 2), _device("Heron Mk 2", 1, 2, 2)])
    assert find_device("mk").input_index == 2
    assert find_device("heron (bog)").input_index == 1
    with pytest.raises(TsfitError) as refused:
        find_device("Heron")
    assert refused.value.code == "several_devices"
    assert "Heron (Reed)" in refused.value.message
    with pytest.raises(TsfitError) as refused:
        find_device("wren")
    assert refused.value.code == "no_device"
    assert "Heron Mk 2 (Bog)" in refused.value.message


def test_no_duplex_device_is_said(standing_in):
    standing_in(devices=[_device("Webcam", 0, 1, 2)])
    assert list_devices() == []
    with pytest.raises(TsfitError) as refused:
        find_device("webcam")
    assert refused.value.code == "no_device"


def test_missing_portaudio_is_said_with_the_remedy_on_each_system():
    code = (
        "import ctypes.util\nctypes.util.find_library = lambda name: None\n"
        "from tsfit.capture.device import list_devices\nfrom tsfit.base.errors import TsfitError\n"
        "try: list_devices()\nexcept TsfitError as error: print(error.code, error.message)"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert told.startswith("no_portaudio ")
    assert all(word in told for word in ("apt install", "brew install", "pip install"))


def test_memory_of_the_recording_does_not_grow_with_its_length(standing_in):
    def peak(seconds):
        sound = standing_in(keep=False)
        wanted = excitation(seconds)
        tracemalloc.start()
        SoundCard("heron").play(wanted, lambda block: None)
        found = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert sound.streams[0].closed
        return found

    peak(2.0)
    # Peaks scatter by some 3 MB with how far the callbacks run ahead of the sink on a busy machine; 76 s more, kept in two
    # channels of 4 bytes, would be 29 MB.
    assert peak(80.0) < peak(4.0) + 10e6
