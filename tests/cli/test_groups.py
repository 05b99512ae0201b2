"""Groups of commands: help where nothing is asked for, the closest word for a misspelt one, nothing imported too early."""

import subprocess
import sys

import click
import pytest

from tsfit.cli.groups import NamingGroup


@pytest.fixture
def group():
    @click.group(cls=NamingGroup)
    def bench():
        """Help of the bench."""

    for name in ("calibrate", "check"):
        bench.add_command(click.Command(name, callback=lambda: click.echo("ran")))
    return bench


def test_a_bare_call_prints_the_help(group, capsys):
    with pytest.raises(click.exceptions.Exit) as left:
        group.make_context("bench", [])
    assert left.value.exit_code == 0
    assert "Help of the bench." in capsys.readouterr().out


@pytest.mark.parametrize(
    ("word", "remedy"), [("calibrat", "did you mean 'calibrate'?"), ("xyz", "use one of calibrate, check.")]
)
def test_a_misspelt_command_is_answered(group, word, remedy):
    with pytest.raises(click.UsageError) as refused:
        group.main([word], standalone_mode=False, prog_name="bench")
    assert refused.value.message == f"{word!r} is not a command of bench; {remedy}"


def test_a_command_is_imported_only_when_it_is_asked_for():
    code = (
        "import sys, click\nfrom tsfit.cli import tsfit\n"
        "print('tsfit.cli.guide' in sys.modules)\ntsfit.get_command(click.Context(tsfit), 'guide')\n"
        "print('tsfit.cli.guide' in sys.modules, 'tsfit.cli.sweep' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "True", "False"]
