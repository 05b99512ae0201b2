"""The table of commands: every one stands in the overview, under its step, and where it lives it is found."""

import importlib

import click
import pytest

from tsfit.cli import run
from tsfit.cli.commands import COMMANDS, STEPS


def test_overview_lists_every_command_under_its_step_of_the_job(capsys):
    assert run(["--help"]) == 0
    text = capsys.readouterr().out
    listed = [name for names in STEPS.values() for name in names if name in COMMANDS]
    assert sorted(listed) == sorted(COMMANDS)
    places = [text.index(f"\n  {name} ") for name in listed]
    assert places == sorted(places)
    assert all(f"\n{step}:\n" in text for step, names in STEPS.items() if set(names) & set(COMMANDS))


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_is_where_the_table_says_and_has_its_name(name):
    module, _, attribute = COMMANDS[name][0].partition(":")
    command = getattr(importlib.import_module(module), attribute)
    assert isinstance(command, click.Command)
    assert command.name == name
