"""A real sound system without sound hardware: JACK's dummy driver, the driver in the loop as a client, PortAudio on top."""

import contextlib
import json
import os
import subprocess
import sys
import time
import uuid
from pathlib import Path

HERE = Path(__file__).parent
NAME = "bench driver"
PERIOD = 2048
START_SECONDS = 30.0
NAMES = [f"tsfit-tests-{k}" for k in range(4)]


def environment(server):
    threads = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    jack = {"JACK_NO_AUDIO_RESERVATION": "1", "JACK_NO_START_SERVER": "1", "JACK_DEFAULT_SERVER": server}
    return os.environ | threads | jack


class Child:
    """A process of ours whose lines are read with a deadline, and which is ended by its own id."""

    def __init__(self, command, server, folder):
        self.output = (folder / f"{uuid.uuid4().hex}.txt").open("w+")
        self.process = subprocess.Popen(
            command, env=environment(server), stdout=self.output, stderr=subprocess.DEVNULL, stdin=subprocess.DEVNULL
        )

    def lines(self):
        return Path(self.output.name).read_text().splitlines()

    def wait_for(self, line, seconds=START_SECONDS):
        until = time.monotonic() + seconds
        while line not in self.lines():
            assert self.process.poll() is None, f"ended before it said {line!r}: {self.lines()}"
            assert time.monotonic() < until, f"did not say {line!r} in {seconds:g} s"
            time.sleep(0.02)

    def signal(self, number):
        self.process.send_signal(number)

    def end(self, seconds=5.0):
        if self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(seconds)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait(seconds)
        self.output.close()


class SoundSystem:
    """A JACK server of our own, and the driver on it.

    JACK has room for eight servers' names, and only the next server of the same name clears away one that was killed: hence
    few names, of which the first that no running server has is taken.
    """

    def __init__(self, folder, *, synchronous=True, rate=48000, script="driver_in_the_loop.py", period=PERIOD):
        self.folder, self.rate, self.synchronous, self.script = folder, rate, synchronous, script
        self.period, self.name, self.jackd, self.driver = period, "", None, None

    def start(self):
        assert any(self._serve(name) for name in NAMES), f"no sound server starts: {self.jackd.lines()}"
        waited = subprocess.run(
            ["jack_wait", "-s", self.name, "-w", "-t", "10"], env=environment(self.name), capture_output=True, check=False
        )
        assert waited.returncode == 0, f"the sound server does not answer: {self.jackd.lines()}"
        self.driver = Child([sys.executable, str(HERE / self.script), self.name, NAME], self.name, self.folder)
        self.driver.wait_for("ready")

    def _serve(self, name):
        server = ["jackd", "-n", name, "--no-realtime", *(["-S"] if self.synchronous else [])]
        dummy = ["-d", "dummy", "-r", str(self.rate), "-p", str(self.period), "-C", "2", "-P", "2"]
        self.name, self.jackd = name, Child([*server, *dummy], name, self.folder)
        until = time.monotonic() + START_SECONDS
        while self.jackd.process.poll() is None and time.monotonic() < until:
            if any(line.startswith("self-connect-mode") for line in self.jackd.lines()):
                return True
            time.sleep(0.02)
        self.jackd.end()
        return False

    def record(self, file, *, seconds, rate=None, device=NAME):
        command = [sys.executable, str(HERE / "record_sweep.py"), device, str(rate or self.rate), str(seconds), str(file)]
        return Child(command, self.name, self.folder)

    def run(self, script, *arguments):
        """Start a script of this folder."""
        return Child([sys.executable, str(HERE / script), *map(str, arguments)], self.name, self.folder)

    def end(self):
        for child in (self.driver, self.jackd):
            if child is not None:
                child.end()


def outcome(child, seconds):
    """Exit status and the JSON object that a recording process printed, within `seconds`."""
    try:
        status = child.process.wait(seconds)
        return status, json.loads(child.lines()[-1])
    finally:
        child.end()


@contextlib.contextmanager
def running(folder, **options):
    system = SoundSystem(folder, **options)
    try:
        system.start()
        yield system
    finally:
        system.end()
