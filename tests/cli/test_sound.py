"""Before sound is played: cautions, and a question above the quiet level."""

import click
import pytest
from helpers.paths import RIGS

from tsfit.base.errors import TsfitError
from tsfit.capture.rig import read_rig
from tsfit.capture.stream import Levels
from tsfit.cli.sound import CAUTIONS, confirmed_level, live_levels

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
    assert asked == ["Play a tone at -20.0 dBFS, above the quiet -30?"] * count
    assert " ".join(capsys.readouterr().out.split()) == CAUTIONS


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
