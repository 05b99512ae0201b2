"""The frame of the command line: help, misspelt words, one sentence and exit 2 for everything that cannot be done."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import click
import pytest

from tsfit.cli import run, tsfit
from tsfit.cli.commands import COMMANDS, STEPS


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


def test_overview_lists_every_command_under_its_step_of_the_job(capsys):
    assert run(["--help"]) == 0
    text = capsys.readouterr().out
    listed = [name for names in STEPS.values() for name in names if name in COMMANDS]
    assert sorted(listed) == sorted(COMMANDS)
    places = [text.index(f"\n  {name} ") for name in listed]
    assert places == sorted(places)
    assert all(f"\n{step}:\n" in text for step, names in STEPS.items() if set(names) & set(COMMANDS))


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_scripts(shell, capsys):
    assert run(["completion", shell]) == 0
    assert "_TSFIT_COMPLETE" in capsys.readouterr().out


@pytest.mark.parametrize(("words", "found"), [("tsfit xy", ""), ("tsfit fi", "fit"), ("tsfit fit --co", "--coil")])
def test_what_a_shell_completes(words, found):
    command = [sys.executable, "-m", "tsfit"]
    count = str(len(words.split()) - 1)
    asked = {"_TSFIT_COMPLETE": "bash_complete", "COMP_WORDS": words, "COMP_CWORD": count}
    told = subprocess.run(command, env=os.environ | asked, capture_output=True, text=True, check=True, timeout=60)
    assert told.stdout.split() == ([f"plain,{found}"] if found else [])


@pytest.mark.skipif(shutil.which("bash") is None, reason="no bash here")
def test_bash_takes_the_script(capsys):
    run(["completion", "bash"])
    script = capsys.readouterr().out + "\ncomplete -p tsfit"
    told = subprocess.run(["bash", "-c", script], capture_output=True, text=True, check=True, timeout=60)
    assert "_tsfit_completion" in told.stdout


def test_version(capsys):
    assert run(["--version"]) == 0
    assert capsys.readouterr().out.startswith("tsfit ")


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["fitt"], "'fit'"),
        (["boks"], "'box'"),
        (["measure-everything"], "sweep, fit, check"),
        (["fit"], "BENCH"),
        (["fit", "bench.toml", "--coyl", "simple"], "--coil"),
        (["fit", "bench.toml", "--points-per-octave", "many"], "many"),
        (["fit", "bench.toml", "--points-per-octave", "100000"], "100000"),
        (["fit", "no-such-file.toml"], "no-such-file.toml"),
        (["box", "close"], "closed"),
    ],
)
def test_one_sentence_and_exit_2(arguments, word, capsys):
    assert run(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("tsfit: ")
    assert err.count("\n") == 1
    assert word in err


@pytest.mark.parametrize("word", ["\x1b[31mred", "a\nb", "\x7f", "\x9b2J"])
def test_no_word_of_a_file_steers_the_terminal(word, tmp_path, capsys):
    path = tmp_path / "sheet.toml"
    path.write_text(f'{json.dumps(word)} = 1\n[driver]\nname = "x"\n[published]\n'.replace("\x7f", "\\u007f"))
    assert run(["check", str(path)]) == 2
    err = capsys.readouterr().err
    assert word not in err
    assert err.count("\n") == 1


def test_errors_have_a_machine_form(capsys):
    assert run(["fit", "no-such-file.toml", "--json"]) == 2
    out, err = capsys.readouterr()
    assert err == ""
    error = json.loads(out)["error"]
    assert error["code"] == "missing_file"
    assert error["file"] == "no-such-file.toml"
    assert "no-such-file.toml" in error["message"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full on this system")
@pytest.mark.parametrize(
    ("line", "said"),
    [
        (["demo", "--help"], "tsfit: standard output: No space left on device; "),
        (["rig", "check", "no-such-rig.toml", "--json"], "tsfit: no-such-rig.toml: cannot be read "),
    ],
)
def test_a_full_place_for_the_output(line, said, tmp_path):
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "tsfit", *line], stdout=full, stderr=subprocess.PIPE, text=True, cwd=tmp_path
        )
    assert done.returncode == 2
    assert done.stderr.startswith(said)
    assert done.stderr.count("\n") == 1


LONG = "é" * 300  # 600 bytes: longer than the 255 that a name may have on the usual file systems


@pytest.mark.parametrize(
    "line",
    [
        ["start", LONG],
        ["demo", "--folder", LONG],
        ["fit", "bench.toml", "-o", LONG],
        ["fit", f"{LONG}.toml"],
        ["drift", "show", LONG],
        ["compare", LONG, "b.toml"],
    ],
    ids=lambda line: " ".join(line[:2]).replace(LONG, "long"),
)
def test_a_name_too_long_for_the_system(line, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert run(line) == 2
    err = capsys.readouterr().err
    assert LONG in err
    assert "too long" in err
    assert err.count("\n") == 1
    assert "failed" not in err
    assert not list(tmp_path.iterdir())


def test_an_internal_fault_is_one_sentence_too(monkeypatch, capsys):
    monkeypatch.setattr("tsfit.bench.fit.fit_bench", lambda *_, **__: 1 / 0)
    assert run(["fit", "bench.toml"]) == 2
    err = capsys.readouterr().err
    assert "tsfit itself failed" in err
    assert err.count("\n") == 1
