"""The knobs in a notebook turn the same state, and say what cannot be."""

import sys

import pytest
from helpers.made_fit import made_driver, made_fit
from helpers.tried import two_drivers

import tsfit
from tsfit.base.errors import TsfitError
from tsfit.live.notebook import Explorer, drawing, widgets
from tsfit.live.shown import show
from tsfit.live.state import PageState, first_state

pytest.importorskip("ipywidgets", reason="optional: only for notebooks")
DRIVERS = two_drivers()


def every(widget):
    yield widget
    for inner in getattr(widget, "children", ()):
        yield from every(inner)


def knob(explorer, words):
    return next(one for one in every(explorer.box) if words in getattr(one, "description", "") and hasattr(one, "value"))


@pytest.fixture
def explorer():
    return Explorer(
        DRIVERS, PageState(kind="vented", values={"volume_l": 60.0, "tuning_hz": 31.0, "port.diameter_cm": 8.0})
    )


def test_a_turned_knob_changes_the_state_and_what_is_said(explorer):
    assert show(explorer.state, DRIVERS).verdict in explorer.verdict.value
    before = explorer.verdict.value
    knob(explorer, "net volume").value = 80.0
    assert explorer.state.values["volume_l"] == 80.0
    assert explorer.verdict.value != before
    assert "80.0 l" in explorer.verdict.value


def test_what_cannot_be_is_said_and_the_picture_stays(explorer):
    picture = bytes(next(one for one in every(explorer.box) if hasattr(one, "format")).value)
    assert picture.startswith(b"\x89PNG")
    explorer.put("volume_l", -5.0)
    assert "greater than 0" in explorer.verdict.value
    assert next(one for one in every(explorer.box) if hasattr(one, "format")).value == picture


def test_kinds_ways_and_what_may_be_switched_off(explorer):
    knob(explorer, "kind of box").value = "closed"
    assert set(explorer.state.values) == {"volume_l"}
    next(one for one in every(explorer.box) if getattr(one, "value", "") == "by net volume").value = "by Qtc"
    assert explorer.state.values == {"qtc": 0.707}
    knob(explorer, "leaks, Q").value = True
    assert explorer.state.values["leak_q"] == 10.0
    next(
        one for one in every(explorer.box) if getattr(one, "value", "") == "2.83 V"
    ).value = "to the limit at every frequency"
    assert explorer.state.to_limit


def test_explore_takes_fits_drivers_and_files(tmp_path):
    (tmp_path / "box.toml").write_text('kind = "baffle"\n')
    shown = tsfit.explore(made_fit(), made_driver(), box=tmp_path / "box.toml")
    assert shown.state == PageState(kind="baffle")
    assert "text/plain" in shown._repr_mimebundle_()
    with pytest.raises(TsfitError, match="takes a driver"):
        tsfit.explore()


def test_without_the_library_one_sentence_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "ipywidgets", None)
    with pytest.raises(TsfitError, match="pip install ipywidgets") as refused:
        widgets()
    assert refused.value.code == "missing_package"


def test_the_picture_is_drawn():
    assert drawing(show(first_state(DRIVERS), DRIVERS)).startswith(b"\x89PNG")
