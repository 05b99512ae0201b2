"""The frame of the command line: help, misspelt words, one sentence and exit 2 for everything that cannot be done."""

import json

import pytest

from tsfit.cli import COMMANDS, _run

PATHS = [(), *((name,) for name in COMMANDS), ("box", "closed"), ("box", "vented"), ("rig", "check"), ("rig", "calibrate")]


@pytest.mark.parametrize("path", PATHS, ids=" ".join)
def test_every_command_has_help_with_an_example(path, capsys):
    assert _run([*path, "--help"]) == 0
    text = capsys.readouterr().out
    assert "Example:" in text
    assert f"tsfit {path[0]}" if path else "tsfit demo" in text
    assert max(map(len, text.splitlines())) <= 80


def test_overview_lists_every_command_in_the_order_of_the_job(capsys):
    assert _run(["--help"]) == 0
    text = capsys.readouterr().out
    places = [text.index(f"\n  {name} ") for name in COMMANDS]
    assert places == sorted(places)


def test_version(capsys):
    assert _run(["--version"]) == 0
    assert capsys.readouterr().out.startswith("tsfit ")


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["fitt"], "'fit'"),
        (["boks"], "'box'"),
        (["measure-everything"], "fit, check, box, demo"),
        (["fit"], "BENCH"),
        (["fit", "bench.toml", "--coyl", "simple"], "--coil"),
        (["fit", "bench.toml", "--points-per-octave", "many"], "many"),
        (["fit", "bench.toml", "--points-per-octave", "100000"], "100000"),
        (["fit", "no-such-file.toml"], "no-such-file.toml"),
        (["box", "close"], "closed"),
    ],
)
def test_one_sentence_and_exit_2(arguments, word, capsys):
    assert _run(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("tsfit: ")
    assert err.count("\n") == 1
    assert word in err


def test_errors_have_a_machine_form(capsys):
    assert _run(["fit", "no-such-file.toml", "--json"]) == 2
    out, err = capsys.readouterr()
    assert err == ""
    error = json.loads(out)["error"]
    assert error["code"] == "missing_file"
    assert error["file"] == "no-such-file.toml"
    assert "no-such-file.toml" in error["message"]


def test_an_internal_fault_is_one_sentence_too(monkeypatch, capsys):
    monkeypatch.setattr("tsfit.bench.fit_bench", lambda *_, **__: 1 / 0)
    assert _run(["fit", "bench.toml"]) == 2
    err = capsys.readouterr().err
    assert "tsfit itself failed" in err
    assert err.count("\n") == 1
