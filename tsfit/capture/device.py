"""Play and record through a sound card: the only module that talks to PortAudio.

One duplex stream carries both channels, so nothing depends on the latency, which changes between calls. The audio callback
copies between arrays that are there beforehand and does nothing else; a thread hands the recorded blocks on; the calling
thread watches over both and never waits without a deadline.
"""

import atexit
import contextlib
import re
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from types import ModuleType
from typing import Any, Protocol

from tsfit.base.errors import TsfitError
from tsfit.capture.exchange import CHANNELS, Exchange
from tsfit.capture.excitation import Excitation
from tsfit.capture.stream import Levels, Sink, Stopped, StreamReport, Watch

RATES_HZ = (44100.0, 48000.0, 88200.0, 96000.0, 176400.0, 192000.0)
DEADLINE_SECONDS = 1.5
"""Without a callback, or with nothing but zeros, for so long the device is gone: real converters always have some noise."""
ENDING_ZEROS_SECONDS = 0.1
"""Of nothing but zeros before the excitation's end, after which it cannot have been recorded whole."""
CLOSE_SECONDS = 0.5
DISK_SECONDS = 20.0
"""How long the disk may take over one block when the device has done its part."""
WATCH_SECONDS = 0.05


@dataclass(frozen=True)
class DeviceInfo:
    """A sound device that plays and records at once; `rates_hz` are those it takes with two channels in and out."""

    name: str
    host_api: str
    inputs: int
    outputs: int
    default_rate_hz: float
    rates_hz: tuple[float, ...]
    input_index: int
    output_index: int

    @property
    def label(self) -> str:
        """Name and host API, which together tell devices apart that several host APIs offer."""
        return f"{self.name} ({self.host_api})"


def list_devices() -> list[DeviceInfo]:
    """Devices with two inputs and an output. Raises TsfitError ``no_portaudio``, ``sound_system``."""
    return [_with_rates(device) for device in _duplex_devices()]


def find_device(fragment: str) -> DeviceInfo:
    """Return the one duplex device whose label has `fragment` in it, or whose name or label is `fragment`, case ignored.

    Raises TsfitError ``no_device`` or ``several_devices``, listing what is there; ``no_portaudio``, ``sound_system``.
    """
    devices, wanted = _duplex_devices(), fragment.strip().casefold()
    found = [device for device in devices if wanted in device.label.casefold()]
    exact = [device for device in found if wanted in (device.name.casefold(), device.label.casefold())]
    if len(exact) == 1:
        return _with_rates(exact[0])
    if len(found) == 1:
        return _with_rates(found[0])
    there = ", ".join(repr(device.label) for device in (found or devices))
    if found:
        message = f"device {fragment!r}: several sound devices have that in their name ({there}); give more of the name."
        raise TsfitError(message, code="several_devices")
    if not devices:
        raise TsfitError(
            f"device {fragment!r}: no sound device with two inputs and an output is there; connect one, or start its sound "
            "server, and see `tsfit devices`.",
            code="no_device",
        )
    raise TsfitError(f"device {fragment!r}: no such sound device; choose one of {there}.", code="no_device")


class _Stream(Protocol):
    """What is used of PortAudio's stream."""

    active: bool
    samplerate: float

    def start(self) -> None: ...
    def abort(self, *, ignore_errors: bool) -> None: ...
    def close(self, *, ignore_errors: bool = True) -> None: ...


def _sounddevice() -> ModuleType:
    try:
        import sounddevice
    except OSError as error:
        raise TsfitError(
            "PortAudio, the library that reaches the sound card, is missing; on Debian or Ubuntu run 'apt install "
            "libportaudio2' as root, on macOS 'brew install portaudio', on Windows 'py -m pip install --force-reinstall "
            "sounddevice', which brings it along.",
            code="no_portaudio",
        ) from error
    except Exception as error:
        raise TsfitError(
            f"PortAudio, the library that reaches the sound card, does not start ({error}); see that the computer's sound "
            "system runs.",
            code="sound_system",
        ) from error
    module: ModuleType = sounddevice
    return module


def _duplex_devices() -> list[DeviceInfo]:
    sounddevice = _sounddevice()
    apis = [api["name"] for api in sounddevice.query_hostapis()]
    devices = list(sounddevice.query_devices())
    pairs = [(device, device) for device in devices]
    halves: dict[tuple[int, str], dict[str, Any]] = {}
    for device in devices:
        # Windows shows the two directions of one interface as "Line (Interface)" and "Speakers (Interface)".
        inside = re.search(r"\(([^()]+)\)$", device["name"])
        direction = "in" if not device["max_output_channels"] else "out" if not device["max_input_channels"] else None
        if inside and direction:
            halves.setdefault((device["hostapi"], inside[1]), {}).setdefault(direction, device | {"name": inside[1]})
    pairs += [(both["in"], both["out"]) for both in halves.values() if len(both) == 2]
    return [
        DeviceInfo(
            name=source["name"],
            host_api=apis[source["hostapi"]],
            inputs=source["max_input_channels"],
            outputs=sink["max_output_channels"],
            default_rate_hz=source["default_samplerate"],
            rates_hz=(),
            input_index=source["index"],
            output_index=sink["index"],
        )
        for source, sink in pairs
        if source["max_input_channels"] >= CHANNELS and sink["max_output_channels"] >= 1
    ]


def _with_rates(device: DeviceInfo) -> DeviceInfo:
    return replace(device, rates_hz=tuple(rate for rate in RATES_HZ if _takes(device, rate)))


def _takes(device: DeviceInfo, rate: float) -> bool:
    sounddevice = _sounddevice()
    common = {"dtype": "float32", "samplerate": rate}
    try:
        sounddevice.check_input_settings(device.input_index, CHANNELS, **common)
        sounddevice.check_output_settings(device.output_index, min(CHANNELS, device.outputs), **common)
    except sounddevice.PortAudioError:
        return False
    return True


@dataclass(frozen=True)
class SoundCard:
    """A `Player`: the sound device with `fragment` in its name, whose first `outputs` outputs get the excitation."""

    fragment: str
    outputs: int = 1

    @property
    def in_real_time(self) -> bool:
        """Yes."""
        return True

    def play(
        self,
        excitation: Excitation,
        sink: Sink,
        *,
        on_level: Callable[[Levels], None] | None = None,
        watch: Watch | None = None,
    ) -> StreamReport:
        """Play `excitation` and hand the first two inputs to `sink`, block by block, from a thread of its own.

        Whatever `sink` or `watch` raises is raised here, after silence; `watch` is called in the audio callback, `on_level`
        from this thread, about twenty times a second.

        Raises TsfitError for what `find_device` refuses; ``sample_rate``, ``outputs``, ``device`` when it cannot be opened
        so. `Stopped`: ``device_vanished``, ``stalled``, ``interrupted``; everything until then has gone to `sink`.
        """
        sounddevice = _sounddevice()
        device = find_device(self.fragment)
        exchange = Exchange(excitation, self.outputs, sink, sounddevice.CallbackStop, watch)
        stream = _open(sounddevice, device, exchange)
        writer = threading.Thread(target=exchange.write, daemon=True)
        began = exchange.called = time.perf_counter()
        gently = False
        try:
            writer.start()
            try:
                stream.start()
            except sounddevice.PortAudioError as error:
                raise _refused(device, exchange.rate, error) from error
            _watch(sounddevice, stream, writer, exchange, device, on_level)
            gently = True
        except KeyboardInterrupt:
            gently = True
            message = _stopped("interrupted", exchange, device, "record again when ready")
            raise Stopped(message, code="interrupted") from None
        finally:
            exchange.hush = True
            _close(sounddevice, stream, gently=gently)
            exchange.last.set()
            writer.join(DEADLINE_SECONDS)
        failure = exchange.alarm or exchange.failure
        if failure is not None:
            raise failure
        return StreamReport(
            frames=exchange.taken,
            expected=exchange.expected,
            flags=tuple(flag for flag in _single(exchange.flags) if flag[0] >= excitation.start),
            seconds=time.perf_counter() - began,
            measured_rate_hz=exchange.clock.rate_hz(),
            delay_samples=exchange.delay(),
            device=device.label,
        )


def _watch(
    sounddevice: ModuleType,
    stream: _Stream,
    writer: threading.Thread,
    exchange: Exchange,
    device: DeviceInfo,
    on_level: Callable[[Levels], None] | None,
) -> None:
    """Return when all is recorded and handed on, or when the sink has failed; raise what else goes wrong."""
    shown, working = None, True
    while working:
        writer.join(WATCH_SECONDS)
        working, exchange.tended = writer.is_alive(), time.perf_counter()
        if exchange.failure is not None or exchange.alarm is not None:
            return
        if on_level is not None and exchange.levels is not shown and exchange.levels is not None:
            shown = exchange.levels
            on_level(shown)
        active = _is_active(sounddevice, stream)
        now, whole = time.perf_counter(), exchange.recorded == exchange.expected
        if exchange.full or (whole and working and now - max(exchange.called, exchange.handed) > DISK_SECONDS):
            raise Stopped(_stopped("the disk is too slow for the recording", exchange, device), code="stalled")
        if exchange.zeros > (DEADLINE_SECONDS if working else ENDING_ZEROS_SECONDS) * exchange.rate:
            if exchange.heard:
                raise Stopped(_stopped("both inputs fell silent as if unplugged", exchange, device), code="device_vanished")
            raise Stopped(
                f"device {device.label!r}: its inputs deliver nothing but zeros; see that it is not muted and that the "
                "system's privacy settings let this program record.",
                code="stalled",
            )
        if not whole and not active:
            raise Stopped(_stopped("it has vanished", exchange, device), code="device_vanished")
        if not whole and now - exchange.called > DEADLINE_SECONDS:
            raise Stopped(_stopped("it no longer delivers sound", exchange, device), code="stalled")


def _is_active(sounddevice: ModuleType, stream: _Stream) -> bool:
    """Whether callbacks may still come; of a device that is gone some host APIs cannot even tell."""
    try:
        return bool(stream.active)
    except sounddevice.PortAudioError:
        return False


def _stopped(what: str, exchange: Exchange, device: DeviceInfo, then: str = "look after the cause and record again") -> str:
    seconds, whole = exchange.recorded / exchange.rate, exchange.expected / exchange.rate
    return f"device {device.label!r}: {what} after {seconds:.1f} of {whole:.1f} s; {then}."


def _open(sounddevice: ModuleType, device: DeviceInfo, exchange: Exchange) -> _Stream:
    if not 1 <= exchange.outputs <= device.outputs:
        raise TsfitError(
            f"device {device.label!r}: cannot play on {exchange.outputs} of its {device.outputs} outputs; change outputs "
            "in the rig file.",
            code="outputs",
        )
    try:
        stream: _Stream = sounddevice.Stream(
            samplerate=exchange.rate,
            blocksize=0,
            device=(device.input_index, device.output_index),
            # With one channel some host APIs play on two, so the second is opened and kept silent.
            channels=(CHANNELS, max(exchange.outputs, min(CHANNELS, device.outputs))),
            dtype="float32",
            latency="high",
            callback=exchange.callback,
            dither_off=True,
        )
    except sounddevice.PortAudioError as error:
        raise _refused(device, exchange.rate, error) from error
    if abs(stream.samplerate / exchange.rate - 1.0) > 1e-3:
        stream.close()
        raise _refused(device, exchange.rate, None)
    return stream


def _refused(device: DeviceInfo, rate: float, error: Exception | None) -> TsfitError:
    if device.rates_hz and not _takes(device, rate):
        offered = ", ".join(f"{one:g}" for one in device.rates_hz)
        return TsfitError(
            f"device {device.label!r}: runs at {offered} Hz and not at {rate:g} Hz; change sample_rate_hz in the rig file.",
            code="sample_rate",
        )
    return TsfitError(
        f"device {device.label!r}: cannot be opened ({error.args[0] if error else 'another sample rate than asked for'}); "
        "see that no other program holds it and that it is still connected.",
        code="device",
    )


def _close(sounddevice: ModuleType, stream: _Stream, *, gently: bool) -> None:
    """Close the stream; of one whose device is gone, where that may never return, in a thread that may be left behind."""

    def close() -> None:
        stream.abort(ignore_errors=True)
        stream.close(ignore_errors=True)

    if gently:
        close()
    else:
        closer = threading.Thread(target=close, daemon=True)
        closer.start()
        closer.join(CLOSE_SECONDS)
        if closer.is_alive():
            # Ending PortAudio under a stream that is still closing would abort the process, so it is not ended at exit.
            with contextlib.suppress(AttributeError):
                atexit.unregister(sounddevice._exit_handler)


def _single(flags: list[tuple[int, str]]) -> list[tuple[int, str]]:
    """One entry for each flag; that the output is being primed is no fault."""
    kinds = [(frame, kind) for frame, text in flags for kind in text.split(", ")]
    return [(frame, kind) for frame, kind in kinds if kind != "priming output"]
