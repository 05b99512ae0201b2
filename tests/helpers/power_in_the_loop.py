"""A driver that bends, behind an amplifier, as a JACK client: what goes in comes out as the two channels of a power rig.

    python power_in_the_loop.py SERVER NAME

Standard output tells "ready", "sounds" and "silent" with the frames that have passed, and after SIGUSR1 "farthest" with
the largest travel so far, m, the largest sample that came in, and the frames that have passed. SIGUSR2 turns the amplifier
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


def main(server, name):
    import jack

    client = jack.Client(name, servername=server, no_start_server=True)
    source = client.inports.register("in_1")
    client.inports.register("in_2")
    outputs = [client.outports.register(f"out_{k}") for k in (1, 2)]
    device = DriverAtPower(TRUTH, client.samplerate, VOLTS, delay=0)
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

    def turned_up(*_):
        device.fault = Fault("gain turned up", device.done, 1.5)

    signal.signal(signal.SIGUSR1, lambda *_: events.put(f"farthest {device.farthest:.6f} {loudest[0]:.6f} {device.done}"))
    signal.signal(signal.SIGUSR2, turned_up)
    signal.signal(signal.SIGTERM, lambda *_: events.put("end"))
    with client:
        print("ready", flush=True)
        while (event := events.get()) != "end":
            print(event, flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
