"""A stand-in for the library that reaches sound cards: one duplex device with a driver, or a resistor, on its rig.

What the driver answers comes from the equations of sample_data/bench_simulator.py. All that was played is kept.
"""

import threading

import numpy as np

from helpers.driver_in_the_loop import NOISE, RIG, Loop

NAME, RATE, BLOCK = "Heron", 24000.0, 2048
RIG_FILE = f"""
name = "stand-in"
topology = "divider"
reference_ohm = {RIG.reference}
[channels]
total = 1
driver = 2
[inputs]
impedance_ohm = {RIG.input}
[playback]
device = "{NAME}"
sample_rate_hz = {RATE:.0f}
"""


class Card:
    """What is used of sounddevice; `ohm` hangs in the driver's place, None the driver."""

    class PortAudioError(Exception):
        pass

    class CallbackStop(Exception):  # noqa: N818
        pass

    def __init__(self):
        self.ohm, self.played, self.driver = None, [], Loop(RATE)

    def query_hostapis(self):
        return [{"name": "Reed"}]

    def query_devices(self):
        channels = {"max_input_channels": 2, "max_output_channels": 2}
        return [{"name": NAME, "hostapi": 0, "default_samplerate": RATE, "index": 0} | channels]

    def check_input_settings(self, device, channels, **settings):
        pass

    check_output_settings = check_input_settings

    def Stream(self, **options):
        return _Stream(self, options["callback"], options["channels"][1], options["samplerate"])

    def answer(self, x):
        if self.ohm is None:
            return self.driver(x)
        noise = NOISE * self.driver.rng.standard_normal((2, len(x)))
        share = 1.0 if np.isinf(self.ohm) else self.ohm / (self.ohm + RIG.reference)
        return np.stack([x, share * x]) + noise


class _Stream:
    def __init__(self, card, callback, outputs, rate):
        self.card, self.callback, self.outputs, self.samplerate = card, callback, outputs, rate
        self.active = False

    def start(self):
        self.active = True
        self.thread = threading.Thread(target=self.run, daemon=True)
        self.thread.start()

    def run(self):
        late, played = np.zeros(BLOCK), []
        while self.active:
            came = self.card.answer(late).T.astype(np.float32)
            goes = np.full((BLOCK, self.outputs), np.nan, dtype=np.float32)
            try:
                self.callback(came, goes, BLOCK, None, "")
            except Card.CallbackStop:
                self.active = False
            played.append(goes)
            late = goes[:, 0].astype(float)
        self.card.played.append(np.concatenate(played))

    def abort(self, *, ignore_errors=True):
        self.active = False

    def close(self, *, ignore_errors=True):
        self.thread.join()
