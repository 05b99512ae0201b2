"""What cannot be done is one sentence and exit 2, or an error in the machine form."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tsfit.cli import run


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["fitt"], "'fit'"),
        (["boks"], "'box'"),
        (["measure-everything"], "sweep, fit, heat"),
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
@pytest.mark.parametrize("kept", ["", "1"])
def test_a_full_place_for_the_output(line, said, kept, tmp_path):
    """Also where Python keeps what is written until the end, as it does without PYTHONUNBUFFERED."""
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "tsfit", *line], stdout=full, stderr=subprocess.PIPE, text=True, cwd=tmp_path,
            env=os.environ | {"PYTHONUNBUFFERED": kept},
        )  # fmt: skip
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
