"""``tsfit start``: what it leaves can be used as it is."""

import json
import re
import shlex
from pathlib import Path

from tsfit.bench.new_folder import template
from tsfit.cli import run


def test_nothing_is_written_into_a_folder_in_use(tmp_path, capsys):
    (tmp_path / "mine.txt").write_text("mine")
    assert run(["start", str(tmp_path)]) == 2
    assert "not empty" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]
    assert run(["start", str(tmp_path / "mine.txt")]) == 2


def test_the_steps_it_names_work_as_they_stand(tmp_path, monkeypatch, capsys):
    """Every command line of NEXT.txt that needs no other file, on the simulated rig, in its order."""
    assert run(["start", str(tmp_path / "x"), "--rig", "simulated", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["files"][0] == "NEXT.txt"
    monkeypatch.chdir(tmp_path / "x")
    whole = template("NEXT.txt").replace("\\\n", "")
    commands = [shlex.split(line) for line in re.findall(r"tsfit ((?:rig|sweep|fit|box|report) .*)", whole)]
    assert [words[0] for words in commands] == ["rig", "rig", "sweep", "sweep", "fit", "box", "report"]
    for words in commands:
        extra = ["--yes"] if words[:2] == ["rig", "calibrate"] else []
        extra += ["--seconds", "4"] if words[0] == "sweep" else []
        assert run([*words, *extra]) == 0, (words, capsys.readouterr().err)
    assert Path("report.html").is_file()
