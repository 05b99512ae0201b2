"""What a log says in words and as JSON: numbers of the made truth, and none that the points do not tell."""

import json
from pathlib import Path

import numpy as np
import pytest
from helpers.made_histories import HOURS, made_history

from tsfit.base.files import to_json
from tsfit.base.forms import plain, read_form
from tsfit.drift.forms import DriftChangeForm, DriftForm, change_form, drift_form
from tsfit.drift.history import history

HOURS = np.array(HOURS)


def said(drift, hours=HOURS, seed=5):
    judged = history(made_history(np.random.default_rng(seed), drift, hours))
    return judged, " ".join(judged.sentences())


def test_a_settling_suspension_is_said_with_its_end():
    judged, words = said({"Cms": 1.0 + 0.2 * -np.expm1(-HOURS / 6.0)})
    assert words.startswith("Compliance (Cms) changed by +")
    assert "has settled" in words
    low, high = (float(part.strip(" %+")) for part in words.split("(95 %: ")[1].split(" %)")[0].split(" to "))
    end = 20.0
    assert low < end < high
    told = drift_form(judged).causes["compliance"]
    assert 100.0 * (told.end / told.values[0] - 1.0) == pytest.approx(end, abs=1.0)


def test_nothing_is_said_of_what_only_scatters():
    judged, words = said(None)
    assert words == "Nothing drifted beyond what repeats scatter."
    assert drift_form(judged).drifted == ()


def test_one_entry_asks_for_more():
    assert "add fits of later hours" in said(None, np.array([0.0]))[1]


def test_the_machine_form_is_json_and_counts_every_entry():
    judged, _ = said({"Bl": np.where(HOURS > 5.0, 0.9, 1.0)})
    told = json.loads(to_json(drift_form(judged)))
    assert [entry["hours"] for entry in told["entries"]] == HOURS.tolist()
    motor = told["causes"]["motor"]
    assert motor["course"] == "step"
    assert motor["change"] == pytest.approx(-0.1, abs=0.01)
    assert (told["summary"], told["drifted"]) == (judged.sentences(), ["motor"])
    again = read_form(Path("drift.json"), told, DriftForm)
    assert json.loads(json.dumps(plain(again))) == told


def test_a_change_is_read_as_it_was_written():
    judged, _ = said({"Bl": np.where(HOURS > 5.0, 0.9, 1.0)})
    data = json.loads(to_json(change_form(judged.first_to_last)))
    assert data["kind"] == "drift change"
    again = read_form(Path("change.json"), data, DriftChangeForm)
    assert again.causes["motor"].change == pytest.approx(-0.1, abs=0.02)
    assert json.loads(json.dumps(plain(again))) == data
