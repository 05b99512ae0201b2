"""Ctrl-C pressed in haste: the first breaks off; those right after it, while that is told, are the same one."""

import math
import os
import signal
import sys
import threading
import time
from types import FrameType

HASTE_S = 2.0
"""So long after a break the next is one with it: common practice, no source."""


class Breaks:
    """Ctrl-C of one run of the program.

    Where something else than Python's own handler is in charge, as in a notebook or for a job in the background, or outside
    the main thread, nothing is changed.
    """

    def __init__(self) -> None:
        self._last = -math.inf
        main_thread = threading.current_thread() is threading.main_thread()
        self._ours = main_thread and signal.getsignal(signal.SIGINT) is signal.default_int_handler
        if self._ours:
            signal.signal(signal.SIGINT, self._break)

    def _break(self, _number: int, _frame: FrameType | None) -> None:
        now = time.monotonic()
        if now - self._last > HASTE_S:
            self._last = now
            raise KeyboardInterrupt

    def leave(self, status: int) -> None:
        """Exit with `status`; a break while the interpreter ends has nothing left to break: it ends at once, silently."""
        if self._ours:
            signal.signal(signal.SIGINT, lambda *_: os._exit(status))
        sys.exit(status)
