"""Help everywhere, the version, and an internal fault in one sentence."""

import io
import subprocess
import sys

import click
import pytest
from helpers.paths import RIGS, ROOT

from tsfit.cli import run, tsfit


def _paths(command, path=()):
    yield path
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            yield from _paths(command.get_command(context, name), (*path, name))


PATHS = list(_paths(tsfit))


@pytest.mark.parametrize("path", PATHS, ids=" ".join)
def test_every_command_has_help_with_an_example(path, capsys):
    assert run([*path, "--help"]) == 0
    text = capsys.readouterr().out
    assert "Example:" in text
    assert f"tsfit {path[0]}" if path else "tsfit demo" in text
    assert max(map(len, text.splitlines())) <= 80


def test_version(capsys):
    assert run(["--version"]) == 0
    assert capsys.readouterr().out.startswith("tsfit ")


def test_an_internal_fault_is_one_sentence_too(monkeypatch, capsys):
    monkeypatch.setattr("tsfit.bench.fit.fit_bench", lambda *_, **__: 1 / 0)
    assert run(["fit", "bench.toml"]) == 2
    err = capsys.readouterr().err
    assert "tsfit itself failed" in err
    assert err.count("\n") == 1


def test_broken_off_while_it_loads_it_says_one_sentence():
    code = (
        "import sys\nclass Loader:\n    def find_spec(self, name, *_):\n        if name == 'tsfit.cli':\n"
        "            raise KeyboardInterrupt\n"
        "from tsfit.__main__ import main\nsys.meta_path.insert(0, Loader())\nmain()\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=ROOT)
    assert (done.returncode, done.stdout, done.stderr) == (2, "", "tsfit: Interrupted; nothing was written.\n")


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("sweep rig.toml --replace", "tsfit sweep replaces nothing, so that no recording is lost; name another file"),
        ("box level fit.json --box box.toml --target-db 90", "No such option '--box'. It goes: tsfit box level [OPTIONS] "),
        ("check", "check takes a sheet"),
        ("travel", "Missing argument 'BENCH'. It goes: tsfit travel [OPTIONS] BENCH (tsfit travel --help)."),
        ("heat a.toml b.toml", "(b.toml). It goes: tsfit heat [OPTIONS] BENCH (tsfit heat --help)."),
        ("fit a.toml --plto x.png", "Did you mean '--plot'?\n"),
    ],
)
def test_a_line_that_does_not_go_is_told_how_it_goes(line, words, capsys):
    assert run(line.split()) == 2
    error = capsys.readouterr().err
    assert words in error
    assert error.count("\n") == 1


@pytest.mark.parametrize(
    ("typed", "told"), [("", "The input ended where an answer was wanted"), ("\n\n", "The input ended")]
)
def test_an_input_that_ends_is_told_as_that(tmp_path, monkeypatch, capsys, typed, told):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("sys.stdin", io.StringIO(typed))
    assert run(["sweep", str(RIGS / "simulated.toml"), "--guided"]) == 2
    err = capsys.readouterr().err
    assert told in err
    assert "nothing was written" in err
    assert "Interrupted" not in err


@pytest.mark.parametrize(("typed", "told"), [("n\n", "Stopped, as answered; nothing was written."), ("", "input ended")])
def test_a_question_answered_with_no_is_no_interruption(tmp_path, monkeypatch, capsys, typed, told):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("sys.stdin", io.StringIO(typed))
    assert run(["sweep", str(RIGS / "simulated.toml"), "--level-dbfs", "-10"]) == 2
    err = capsys.readouterr().err
    assert told in err
    assert "Interrupted" not in err


@pytest.mark.parametrize(("asked", "there", "named"), [("heat.json", "fit.json", False), ("fits.json", "fit.json", True)])
def test_only_a_file_of_a_like_stem_is_named_for_a_missing_one(tmp_path, monkeypatch, capsys, asked, there, named):
    monkeypatch.chdir(tmp_path)
    (tmp_path / there).write_text("{}")
    assert run(["box", "closed", asked, "--qtc", "0.7"]) == 2
    assert (f"(there is '{there}')" in capsys.readouterr().err) == named
