"""Work side by side: processes started afresh, since a fork would copy threads and open devices."""

import multiprocessing
import signal
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager


@contextmanager
def processes(count: int) -> Iterator[ProcessPoolExecutor]:
    """Give `count` processes; on leaving, what has not begun is dropped and what runs is waited for.

    Ctrl-C reaches all processes of a terminal; only this one, which drops the rest, has something to say of it.
    """
    pool = ProcessPoolExecutor(
        count,
        mp_context=multiprocessing.get_context("spawn"),
        initializer=signal.signal,
        initargs=(signal.SIGINT, signal.SIG_IGN),
    )
    try:
        yield pool
    finally:
        pool.shutdown(cancel_futures=True)
