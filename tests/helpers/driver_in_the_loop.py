"""A driver on its rig as a JACK client: what goes into its input comes out as the two channels of the sound card.

    python driver_in_the_loop.py SERVER NAME

The truth is that of sample_data/bench_simulator.py, whose equations share nothing with tsfit.circuit. Standard output tells
"ready", and "state N" after each SIGUSR1, which goes on to the next state of the driver. SIGUSR2 makes the next callback
oversleep its period, as a busy machine does. SIGTERM ends it.
"""

import queue
import signal as unix_signal
import sys
import time
from pathlib import Path

import numpy as np
from scipy import signal

sys.path.insert(0, str(Path(__file__).parents[2] / "sample_data"))
from bench_simulator import BenchDriver, BenchRig, BenchState, state_space

DRIVER = BenchDriver(Re=5.6, Bl=11.5, Mms=0.062, Cms=0.52e-3, Rms=1.9, Sd=0.0515, Le=0.9e-3, rungs=((1.1e-3, 3.5),))
RIG = BenchRig(reference=22.0, input=20e3, source=2.0)
MASS = 0.040
STATES = (BenchState(), BenchState(mass=MASS))
NOISE, HUM, HUM_HZ = 5e-5, 1e-4, 50.0
TAPS, LATE = 127, 63
"""Length of the filter that adds what the bilinear transform bends at high frequency, and how late that makes all of it."""
SLOW_HZ = 1000.0
OVERSLEEP_SECONDS = 0.4


def poles_and_residues(system):
    a, b, c, _ = system
    poles, vectors = np.linalg.eig(a)
    return poles, (c @ vectors) * np.linalg.solve(vectors, b[:, 0])


def truth(system, hz):
    """Response of both channels (2, n) to the source voltage."""
    poles, residues = poles_and_residues(system)
    return system[3] + residues @ (1.0 / (2j * np.pi * hz[np.newaxis, :] - poles[:, np.newaxis]))


def digital(system, rate):
    """Both channels as a FIR and sections (b, a) that get the input LATE samples later.

    Slow modes are sections made by bilinear transform; the FIR is fitted to what is left.
    """
    poles, residues = poles_and_residues(system)
    hz = np.concatenate([np.geomspace(1.0, 500.0, 200), np.linspace(500.0, 0.46 * rate, 3000)])
    late = np.exp(-2j * np.pi * hz * LATE / rate)
    taps = np.exp(-2j * np.pi * hz[:, np.newaxis] * np.arange(TAPS) / rate)
    channels = []
    for channel, wanted in enumerate(truth(system, hz)):
        slow = []
        for pole, residue in zip(poles, residues[channel], strict=True):
            if abs(pole) > 2.0 * np.pi * SLOW_HZ or pole.imag < 0.0:
                continue
            if pole.imag > 0.0:
                b = [2.0 * residue.real, -2.0 * (residue * np.conj(pole)).real]
                slow.append(signal.bilinear(b, [1.0, -2.0 * pole.real, abs(pole) ** 2], rate))
            else:
                slow.append(signal.bilinear([residue.real], [1.0, -pole.real], rate))
        rest = (wanted - sum(signal.freqz(*section, worN=hz, fs=rate)[1] for section in slow)) * late
        # The last rows keep the taps small where nothing else holds them, beyond the highest frequency.
        rows = np.vstack([taps.real, taps.imag, 1e-3 * np.eye(TAPS)])
        fir = np.linalg.lstsq(rows, np.concatenate([rest.real, rest.imag, np.zeros(TAPS)]), rcond=None)[0]
        channels.append((fir, slow))
    return channels


class Loop:
    """Runs the filters of one state block by block."""

    def __init__(self, rate):
        self.states = [digital(state_space(DRIVER, state, RIG), rate) for state in STATES]
        self.rng = np.random.default_rng(1)
        self.turn = 2.0 * np.pi * HUM_HZ / rate
        self.frame = 0
        self.enter(0)

    def enter(self, state):
        filters = self.states[state]
        memories = [[np.zeros(len(fir) - 1), *(np.zeros(len(a) - 1) for _, a in slow)] for fir, slow in filters]
        self.now = filters, memories, np.zeros(LATE)

    def __call__(self, x):
        filters, memories, before = self.now
        joined = np.concatenate([before, x])
        before[:] = joined[len(x) :]
        hum = HUM * np.sin(self.turn * (self.frame + np.arange(len(x))))
        self.frame += len(x)
        out = hum + NOISE * self.rng.standard_normal((2, len(x)))
        for y, (fir, slow), memory in zip(out, filters, memories, strict=True):
            for k, (b, a, given) in enumerate([(fir, [1.0], x), *((b, a, joined[: len(x)]) for b, a in slow)]):
                part, memory[k] = signal.lfilter(b, a, given, zi=memory[k])
                y += part
        return out


def main(server, name):
    import jack

    client = jack.Client(name, servername=server, no_start_server=True)
    source = client.inports.register("in_1")
    client.inports.register("in_2")
    outputs = [client.outports.register(f"out_{k}") for k in (1, 2)]
    loop = Loop(client.samplerate)
    oversleep = []
    wanted = queue.SimpleQueue()

    @client.set_process_callback
    def process(frames):
        if oversleep:
            time.sleep(oversleep.pop())
        for port, y in zip(outputs, loop(source.get_array().astype(float)), strict=True):
            port.get_array()[:] = y

    unix_signal.signal(unix_signal.SIGUSR1, lambda *_: wanted.put("state"))
    unix_signal.signal(unix_signal.SIGUSR2, lambda *_: oversleep.append(OVERSLEEP_SECONDS))
    unix_signal.signal(unix_signal.SIGTERM, lambda *_: wanted.put("end"))
    state = 0
    with client:
        print("ready", flush=True)
        while wanted.get() != "end":
            state = (state + 1) % len(STATES)
            loop.enter(state)
            print(f"state {state}", flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
