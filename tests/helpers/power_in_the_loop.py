"""A driver that bends and warms behind an amplifier, a JACK client: what goes in comes out as both channels of a power rig.

    python power_in_the_loop.py SERVER NAME

Standard output tells "ready", "sounds" and "silent" with the frames that have passed, and after SIGUSR1 "farthest" with
the largest travel so far, m, the largest sample that came in, the frames that have passed, and the largest rise of the
coil, K. SIGUSR2 turns the amplifier
up by half. SIGTERM ends it.
"""

import queue
import signal
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from helpers.driver_at_power import DriverAtPower, Fault
from helpers.made_travel import DRIVERS

TRUTH, VOLTS = DRIVERS[0], 60.0
"""The driver, and the volts that come of full scale."""
NETWORK = (3.5, 1.6, 1.5, 25.0, 0.3)
"""Rtv0, Ctv, Rtm, Ctm, g: a coil of four seconds, for nobody waits for one of a minute."""


def main(server, name):
    import jack

    client = jack.Client(name, servername=server, no_start_server=True)
    source = client.inports.register("in_1")
    client.inports.register("in_2")
    outputs = [client.outports.register(f"out_{k}") for k in (1, 2)]
    device = DriverAtPower(TRUTH, client.samplerate, VOLTS, delay=0, network=NETWORK)
    device(np.zeros(64))
    events, sounding, loudest = queue.SimpleQueue(), [False], [0.0]

    @client.set_process_callback
    def process(frames):
        x = source.get_array().astype(float)
        peak = float(np.abs(x).max())
        loudest[0] = max(loudest[0], peak)
        if (peak > 0.0) != sounding[0]:
            sounding[0] = peak > 0.0
            events.put(f"{'sounds' if sounding[0] else 'silent'} {device.done}")
        for port, y in zip(outputs, device(x).T, strict=True):
            port.get_array()[:] = y

    def told():
        return f"farthest {device.farthest:.6f} {loudest[0]:.6f} {device.done} {device.hottest_k:.3f}"

    def turned_up(*_):
        device.fault = Fault("gain turned up", device.done, 1.5)

    signal.signal(signal.SIGUSR1, lambda *_: events.put(told()))
    signal.signal(signal.SIGUSR2, turned_up)
    signal.signal(signal.SIGTERM, lambda *_: events.put("end"))
    with client:
        print("ready", flush=True)
        while (event := events.get()) != "end":
            print(event, flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
