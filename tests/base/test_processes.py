"""Work side by side is done in other processes, and what has not begun when one leaves is dropped."""

import os
import threading
import time

import pytest

from tsfit.base.processes import ahead, processes


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


def test_the_next_is_made_while_one_is_worked_on():
    made, next_one = [], threading.Event()

    def items():
        for k in range(5):
            made.append(threading.get_ident())
            if k == 1:
                next_one.set()
            yield k

    found = ahead(items())
    assert next(found) == 0
    assert next_one.wait(5.0)
    assert list(found) == [1, 2, 3, 4]
    assert threading.get_ident() not in made


def test_what_goes_wrong_ahead_is_told_in_its_turn():
    def items():
        yield 1
        raise ValueError("broken")

    found = ahead(items())
    assert next(found) == 1
    with pytest.raises(ValueError, match="broken"):
        next(found)


def _process(_):
    return os.getpid()
