"""A process that has loaded what is dear, and forks a writer to be killed for each line that it is told.

python victims.py MODULE, whose ``main(*arguments)`` writes and prints; each line of input is a file for what it prints,
and its arguments, as JSON.
"""

import contextlib
import importlib
import json
import os
import subprocess
import sys
import time

from helpers.paths import ROOT

PATIENCE_S = 60.0


class Victims:
    """Writers of one kind, one after the other."""

    def __init__(self, module):
        where = os.pathsep.join([str(ROOT), str(ROOT / "tests"), str(ROOT / "tests" / "helpers")])
        self._parent = subprocess.Popen(
            [sys.executable, __file__, module], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
            env=os.environ | {"PYTHONPATH": where},
        )  # fmt: skip

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._parent.stdin.close()
        self._parent.wait(PATIENCE_S)
        self._parent.stdout.close()

    def killed_after(self, seconds, out, *arguments, lines=1):
        """Lines that a writer printed, which was killed that long after so many of them."""
        out.write_text("")
        print(json.dumps([str(out), *arguments]), file=self._parent.stdin, flush=True)
        pid = int(self._parent.stdout.readline())
        until = time.monotonic() + PATIENCE_S
        while out.read_text().count("\n") < lines and time.monotonic() < until:
            time.sleep(0.001)
        time.sleep(seconds)
        os.kill(pid, 9)
        assert self._parent.stdout.readline() == "-9\n"
        return [line for line in out.read_text().split("\n") if line]


def _serve(module):
    main = importlib.import_module(module).main
    for line in sys.stdin:
        out, *arguments = json.loads(line)
        pid = os.fork()
        if pid == 0:
            os.dup2(os.open(out, os.O_WRONLY), 1)
            with contextlib.suppress(BaseException):
                main(*arguments)
            os._exit(1)
        print(pid, flush=True)
        print(os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]), flush=True)


if __name__ == "__main__":
    _serve(sys.argv[1])
