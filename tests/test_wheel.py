"""The built wheel is whole: it works in an environment that has never seen the checkout, and without PortAudio."""

import pytest
from helpers.wheel import tsfit_of


def test_the_demonstration_is_the_wheels(demonstration):
    # It has played there for all tests (conftest.py), or its driver would have failed (helpers/wheel.py).
    assert (demonstration / "tsfit-demo" / "page.html").is_file()


@pytest.mark.parametrize(("words", "left"), [(["start", "x", "--rig", "simulated"], "x/NEXT.txt"), (["guide"], None)])
def test_command(wheel, tmp_path, words, left):
    assert tsfit_of(wheel, words, tmp_path)
    assert left is None or (tmp_path / left).is_file()
