"""Work side by side is done in other processes, and what has not begun when one leaves is dropped."""

import os
import time

import pytest

from tsfit.base.processes import processes


def test_work_is_done_in_processes_of_their_own():
    with processes(2) as pool:
        found = set(pool.map(_process, range(6)))
    assert os.getpid() not in found
    assert 1 <= len(found) <= 2


def test_on_leaving_what_has_not_begun_is_dropped():
    with pytest.raises(KeyboardInterrupt), processes(1) as pool:  # noqa: PT012
        waiting = [pool.submit(time.sleep, 0.2) for _ in range(20)]
        raise KeyboardInterrupt
    assert waiting[-1].cancelled()


def _process(_):
    return os.getpid()
