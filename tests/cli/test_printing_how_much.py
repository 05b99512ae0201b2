"""``--quiet`` and ``--verbose``: anywhere on a command line, and gone with it."""

import logging

import click
import pytest

from tsfit.cli.printing import hint, is_quiet, with_how_much


@pytest.fixture
def command():
    """A group with one command that gives a hint and writes to the log."""

    @click.group()
    def group():
        pass

    @group.command()
    def inner():
        hint("what it means")
        logging.getLogger("tsfit.some.room").info("read a\x1b file")

    return with_how_much(group)


@pytest.mark.parametrize("arguments", [["-q", "inner"], ["inner", "--quiet"]])
def test_quiet_leaves_hints_away(command, arguments, capsys):
    command.main(arguments, standalone_mode=False)
    assert capsys.readouterr() == ("", "")


@pytest.mark.parametrize("arguments", [["-v", "inner"], ["inner", "--verbose"], ["-v", "inner", "-v"]])
def test_verbose_prints_the_log_once_on_standard_error(command, arguments, capsys):
    command.main(arguments, standalone_mode=False)
    assert capsys.readouterr() == ("what it means\n", "read a� file\n")
    logging.getLogger("tsfit").info("after it")
    assert capsys.readouterr().err == ""


def test_without_either(command, capsys):
    command.main(["inner"], standalone_mode=False)
    assert capsys.readouterr() == ("what it means\n", "")
    assert not is_quiet()


def test_a_command_gets_them_once(command):
    assert with_how_much(command) is command
    names = [option.name for option in command.params]
    assert names.count("quiet") == names.count("verbose") == 1
