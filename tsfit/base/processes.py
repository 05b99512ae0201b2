"""Work side by side: processes started afresh, since a fork would copy threads and open devices; a thread reads ahead."""

import multiprocessing
import signal
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

Item = TypeVar("Item")


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


def ahead(items: Iterable[Item]) -> Iterator[Item]:
    """Give `items` one after the other, while a thread makes the next: for what lets others run, as reading does."""
    each, end = iter(items), object()
    with ThreadPoolExecutor(1) as pool:
        coming = pool.submit(next, each, end)
        while (item := coming.result()) is not end:
            coming = pool.submit(next, each, end)
            yield item  # type: ignore[misc]
