"""Whatever a command plays it has named in its question, and it plays nothing louder: held against a stand-in device."""

import os
import re
import sys

import click
import numpy as np
import pytest
from helpers.driver_at_power import RIG_FILE as POWER_RIG
from helpers.driver_at_power import DriverAtPower
from helpers.made_fit import made_fit
from helpers.made_travel import DRIVERS, driver_of
from helpers.stand_in_card import NAME, RATE, RIG_FILE, Card

from tsfit.base.errors import TsfitError
from tsfit.base.files import to_json
from tsfit.capture.device import SoundCard
from tsfit.capture.excitation import Excitation
from tsfit.capture.level_limit import LIMIT_DBFS, QUIET_DBFS
from tsfit.cli import run
from tsfit.formats.fit import fit_to_dict

TRUTH = DRIVERS[0]
PLANS = int(os.environ.get("TSFIT_PLANS", "1"))
"""How many plans are drawn."""
COMMANDS = {
    "check": ["rig", "check", "rig.toml", "--seconds", "1.6"],
    "calibrate": ["rig", "calibrate", "rig.toml", "--known-ohm", "10", "--proof-ohm", "22", "--seconds", "1.6"],
    "volts": ["rig", "calibrate", "rig.toml", "--volts"],
    "sweep": ["sweep", "rig.toml", "--repeats", "2", "--seconds", "2", "--no-figure"],
    "multisine": ["sweep", "rig.toml", "--excitation", "odd multisine", "--seconds", "3", "--no-figure"],
    "guided": ["sweep", "rig.toml", "--guided", "--seconds", "2", "--no-figure"],
    "ramp": [
        "sweep",
        "power.toml",
        "--state",
        "full travel",
        "--driver",
        "fit.json",
        "--limit-travel-mm",
        "3",
        "--levels",
        "2",
    ],
    "routine": ["drift", "routine", "rig.toml", "-o", "kept", "--name", "Dunlin", "--hours", "0.002", "--pause-s", "0"],
}
ANSWERS = {
    "driver's name": TRUTH.name,
    "Folder": "mine",
    "Name": "Dunlin",
    "diameter": 21.0,
    "grams": 40.0,
    "litres": 0.0,
    "Reading": 0.01,
}


def decibels(x):
    return 20.0 * np.log10(np.abs(x).max())


@pytest.fixture
def bench(monkeypatch, tmp_path):
    """Card, questions asked so far, and what is answered to them."""
    card, questions, answer = Card(), [], {"yes": True}

    def confirm(text, abort):
        questions.append(text)
        if not answer["yes"]:
            raise click.Abort

    def prompt(text, **_):
        plugged = re.search(r"place: (open|short|[\d.]+ ohm)", text)
        if plugged:
            card.ohm = {"open": np.inf, "short": 0.0}.get(plugged[1]) if plugged[1][0] in "os" else float(plugged[1][:-4])
        return next((value for word, value in ANSWERS.items() if word in text), "")

    monkeypatch.setitem(sys.modules, "sounddevice", card)
    monkeypatch.setattr(click, "confirm", confirm)
    monkeypatch.setattr(click, "prompt", prompt)
    monkeypatch.setattr("tsfit.bench.ramp.PERIOD_S", 0.8)
    playback = f'[playback]\ndevice = "{NAME}"\nsample_rate_hz = {RATE:.0f}\nvolts_per_full_scale = 60\n'
    (tmp_path / "power.toml").write_text(POWER_RIG + playback)
    (tmp_path / "fit.json").write_text(to_json(fit_to_dict(made_fit(driver_of(TRUTH), 0.003))))
    monkeypatch.chdir(tmp_path)
    return card, questions, answer


def held(bench, tmp_path, command, asked, own, yes=True, ohm=None):
    """Run a command at a level `asked` for, or the rig's `own`; return its status and the peaks played, each as allowed."""
    card, questions, answer = bench
    card.ohm, card.played[:], questions[:], answer["yes"] = ohm, [], [], yes
    if command == "ramp":
        device = DriverAtPower(TRUTH, RATE, 60.0)
        card.driver = lambda x: device(x).T
    (tmp_path / "rig.toml").write_text(RIG_FILE + ("" if own is None else f"level_dbfs = {own}\n"))
    options = [] if asked is None else ["--level-dbfs", str(asked)]
    status = run([*COMMANDS[command], *options])
    played = [decibels(x) for x in card.played]
    named = [float(level) for level in re.findall(r"at (-[\d.]+) dBFS", " ".join(questions))]
    assert all(level <= max([QUIET_DBFS, *named]) + 0.05 for level in played), (played, questions)
    if asked is not None:
        assert all(level <= asked + 0.05 for level in played), (played, asked)
    assert yes or not questions or not played
    return status, played


@pytest.mark.parametrize(
    ("command", "asked", "own", "count"),
    [("check", None, -20.0, 1), ("sweep", -40.0, -10.0, 2), ("calibrate", -12.0, None, 4), ("routine", -40.0, -10.0, 1)],
)
def test_nothing_is_played_louder_than_was_asked_nor_unasked(bench, tmp_path, capsys, command, asked, own, count):
    # A resistor ends a routine after its first sweep.
    status, played = held(bench, tmp_path, command, asked, own, ohm=10.0)
    # The stand-in is faster than any clock, which a check of the rig remarks on.
    assert (status < 2, len(played)) == (command != "routine", count), capsys.readouterr()
    assert max(played) == pytest.approx(own if asked is None else asked, abs=0.1)


@pytest.mark.parametrize("plan", range(PLANS))
def test_drawn_plans(bench, tmp_path, plan):
    rng = np.random.default_rng(plan)
    command = list(COMMANDS)[plan % len(COMMANDS)]
    asked, own = (rng.choice([None, -45.0, -33.3, -30.0, -20.0, -6.0, LIMIT_DBFS]) for _ in range(2))
    status, played = held(bench, tmp_path, command, asked, own, yes=bool(rng.random() < 0.8))
    assert played or status == 2


def test_without_a_yes_nothing_sounds(bench, tmp_path):
    assert held(bench, tmp_path, "volts", -20.0, None, yes=False) == (2, [])
    assert held(bench, tmp_path, "routine", -40.0, None, yes=False) == (2, [])


@pytest.mark.parametrize("samples", [[0.0, 2.0], [0.0, np.nan], [0.0, -np.inf], [0.0, 0.2]])
def test_the_device_gets_no_sample_that_is_louder_than_stated(bench, samples):
    made = Excitation("made by hand", np.array(samples), 48000.0, 0, 2, -20.0, 5.0, 20000.0)
    with pytest.raises(TsfitError) as error:
        SoundCard("Heron").play(made, lambda block: None)
    assert (error.value.code, bench[0].played) == ("level_limit", [])


def test_standards_are_not_recorded_in_a_row_unasked(bench, tmp_path, capsys):
    (tmp_path / "rig.toml").write_text(RIG_FILE)
    assert run([*COMMANDS["calibrate"], "--json"]) == 2
    assert "add --yes" in capsys.readouterr().out
    assert bench[0].played == []
    assert sorted(path.name for path in tmp_path.iterdir()) == ["fit.json", "power.toml", "rig.toml"]
