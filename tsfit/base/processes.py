"""Work side by side: processes started afresh, since a fork would copy threads and open devices."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from concurrent.futures import ProcessPoolExecutor


@contextmanager
def processes(count: int) -> Iterator[ProcessPoolExecutor]:
    """Give `count` processes; on leaving, what has not begun is dropped and what runs is waited for."""
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor

    pool = ProcessPoolExecutor(count, mp_context=multiprocessing.get_context("spawn"))
    try:
        yield pool
    finally:
        pool.shutdown(cancel_futures=True)
