"""Records that show themselves by what a higher floor registered: each its own views, looked up when they are asked for."""

from dataclasses import dataclass

import numpy as np
import pytest
from helpers.made_histories import HOURS, made_history

from tsfit.base.views import Viewed, register, view
from tsfit.drift.history import history


@dataclass(frozen=True)
class Stone(Viewed):
    """A record as a room might have it."""

    kg: float


@dataclass(frozen=True)
class Pebble(Stone):
    """A record of its own, although it is made like another."""


def test_a_record_is_seen_as_was_registered():
    register(Stone, form=lambda one: {"kg": one.kg, "lost": float("nan")}, page=lambda one: f"<p>{one.kg:g} kg</p>")
    assert Stone(2.0).to_dict() == {"kg": 2.0, "lost": None}
    assert Stone(2.0)._repr_html_() == "<p>2 kg</p>"
    register(Stone, page=lambda one: "<p>a stone</p>")
    assert Stone(2.0)._repr_html_() == "<p>a stone</p>"
    assert Stone(2.0).to_dict()["kg"] == 2.0


def test_what_was_not_registered_is_no_view_of_another_record():
    register(Stone, form=lambda one: {"kg": one.kg})
    for record, name in ((Pebble(1.0), "form"), (Stone(1.0), "smell")):
        with pytest.raises(KeyError):
            view(record, name)


def test_the_records_of_the_tool_are_registered_when_one_is_asked_for():
    judged = history(made_history(np.random.default_rng(5), None, np.array(HOURS)))
    told = judged.to_dict()
    assert (told["kind"], told["summary"]) == ("drift", judged.sentences())
    assert "<svg" in judged._repr_html_()
