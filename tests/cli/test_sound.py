"""Before sound is played: cautions, and a question above the quiet level."""

import os
import time
from pathlib import Path

import click
import pytest
from helpers.paths import RIGS

from tsfit.base.errors import TsfitError
from tsfit.capture.rig import read_rig
from tsfit.capture.stream import Levels, Stopped
from tsfit.cli.sound import CAUTIONS, CAUTIONS_AGAIN, Interrupted, confirmed_level, goes_on, live_levels, swept_again

RIG = read_rig(RIGS / "simulated.toml")


@pytest.fixture
def asked(monkeypatch):
    """Questions that were asked; they are answered with yes."""
    questions = []
    monkeypatch.setattr(click, "confirm", lambda text, abort: questions.append(text))
    return questions


@pytest.mark.parametrize(
    ("level", "yes", "count"), [(None, False, 0), (-40.0, False, 0), (-20.0, False, 1), (-20.0, True, 0)]
)
def test_only_a_loud_level_is_asked_about(level, yes, count, asked, capsys):
    assert confirmed_level(RIG, "a tone", level, yes=yes, quiet=False) == (RIG.level_dbfs if level is None else level)
    told = "Play a tone at -20.0 dBFS, 10 dB above the quiet -30? y plays it now; Enter alone plays nothing and stops here"
    assert asked == [told] * count
    assert " ".join(capsys.readouterr().out.split()) == CAUTIONS


def test_cautions_that_were_just_read_are_told_in_short(asked, capsys, tmp_path):
    """A sweep recorded beside the rig within the hour; one of long ago has been forgotten."""
    copied = tmp_path / "rig.toml"
    copied.write_text((RIGS / "simulated.toml").read_text().replace('"drivers/', f'"{RIGS}/drivers/'))
    rig, sweep = read_rig(copied), tmp_path / "free-air.wav"
    shown = []
    for age in (None, 60.0, 5 * 3600.0):
        if age is not None:
            sweep.touch()
            os.utime(sweep, (time.time() - age, time.time() - age))
        confirmed_level(rig, "a sweep", None, yes=False, quiet=False)
        shown.append(" ".join(capsys.readouterr().out.split()))
    assert shown == [CAUTIONS, CAUTIONS_AGAIN, CAUTIONS]
    assert len(CAUTIONS_AGAIN) < 0.6 * len(CAUTIONS)
    assert all(word in CAUTIONS_AGAIN for word in ("headphones off", "volume down", "driver blocked"))


def test_a_program_that_cannot_be_asked_must_mean_it(asked, capsys):
    with pytest.raises(TsfitError, match="--yes") as refused:
        confirmed_level(RIG, "a tone", -20.0, yes=False, quiet=True)
    assert refused.value.code == "confirm"
    assert confirmed_level(RIG, "a tone", -20.0, yes=True, quiet=True) == -20.0
    assert (asked, capsys.readouterr().out) == ([], "")


def test_levels_are_shown_on_a_terminal_only(capsys):
    with live_levels(2.0, quiet=False) as show:
        show(Levels((-40.0, -41.0), (-30.0, -31.0), 100, 200))
    assert capsys.readouterr() == ("", "")


def test_a_rig_whose_device_is_not_named_yet_is_told_so_before_anything_is_asked(asked, capsys):
    rig = read_rig(RIGS / "line-divider.toml")
    with pytest.raises(TsfitError, match="name one that `tsfit devices` prints") as error:
        confirmed_level(rig, "a sweep", -10.0, yes=False, quiet=False)
    assert error.value.code == "no_device"
    assert (asked, capsys.readouterr().out) == ([], "")


@pytest.mark.parametrize("broken", [KeyboardInterrupt, click.Abort])
def test_what_is_broken_off_ends_in_how_to_go_on(broken):
    with pytest.raises(Interrupted) as interrupted, goes_on(lambda kept: f"{len(kept)} kept"):
        raise broken
    assert interrupted.value.how.endswith(" kept")


def test_what_a_device_says_of_it_is_kept():
    with pytest.raises(TsfitError) as told, goes_on(lambda _: "Again."):
        raise Stopped("device 'Heron': interrupted after 1.0 of 9.0 s.", code="interrupted", file="a.partial.wav")
    assert told.value.message == "device 'Heron': interrupted after 1.0 of 9.0 s. Again."
    assert (told.value.code, told.value.file) == ("interrupted", "a.partial.wav")
    with pytest.raises(Stopped) as told, goes_on(lambda _: "Again."):
        raise Stopped("vanished", code="device_vanished")
    assert told.value.message == "vanished"


@pytest.mark.parametrize(
    ("kept", "said"),
    [
        ([], []),
        (["a.wav", "a.toml", "a.txt"], ["a.wav is whole: name it in a bench file"]),
        (["a-1.wav", "a-2.wav"], ["a-1.wav, a-2.wav are whole, but without verdict and curve"]),
        (["a.partial.wav", "a.partial.toml"], ["move the partial recording away"]),
        (["a-1.wav", "a-2.partial.wav"], ["a-1.wav is whole", "move the partial recording away"]),
    ],
)
def test_recordings_that_a_broken_off_sweep_leaves(kept, said):
    told = swept_again([Path(name) for name in kept])
    assert all(part in told for part in said)
    assert bool(told) == bool(said)
