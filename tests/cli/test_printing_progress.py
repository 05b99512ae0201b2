"""Progress is told to a terminal only, and never among the results."""

import io

import pytest

from tsfit.cli.printing import progress, shows_bars


class Terminal(io.StringIO):
    def isatty(self):
        return True


def plain_terminal(monkeypatch):
    """Standard error as a terminal that knows no escape codes."""
    err = Terminal()
    monkeypatch.setattr("sys.stderr", err)
    monkeypatch.setenv("TERM", "dumb")
    monkeypatch.setenv("FORCE_COLOR", "1")
    return err


@pytest.mark.parametrize(("quiet", "told"), [(False, "reading � sweep\n"), (True, "")])
def test_a_plain_terminal_gets_a_line_for_each_step_unless_only_results_are_wanted(quiet, told, monkeypatch, capsys):
    err = plain_terminal(monkeypatch)
    with progress(quiet=quiet) as step:
        step("reading \x1b sweep")
    assert err.getvalue() == told
    assert capsys.readouterr().out == ""


def test_nothing_is_told_in_a_pipe(capsys, monkeypatch):
    monkeypatch.delenv("FORCE_COLOR", raising=False)
    with progress(quiet=False) as step:
        step("reading")
    assert capsys.readouterr() == ("", "")


def test_bars_move_only_on_a_terminal_that_can_draw_them(monkeypatch):
    monkeypatch.setattr("sys.stderr", Terminal())
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("NO_COLOR", raising=False)
    assert shows_bars(quiet=False)
    assert not shows_bars(quiet=True)
    monkeypatch.setenv("NO_COLOR", "1")
    assert not shows_bars(quiet=False)
    monkeypatch.delenv("NO_COLOR")
    monkeypatch.setattr("sys.stderr", io.StringIO())
    assert not shows_bars(quiet=False)
