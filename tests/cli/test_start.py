"""``tsfit start``: what it leaves can be used as it is."""

import json
import re
import shlex
from pathlib import Path

import pytest

from tsfit.bench.file import BenchTable
from tsfit.bench.new_folder import NEXT, RIGS, start_folder
from tsfit.box.file import read_box
from tsfit.capture.rig import read_rig
from tsfit.cli import run
from tsfit.formats.toml import read_toml


@pytest.mark.parametrize("rig", RIGS)
def test_every_file_is_good(tmp_path, rig):
    folder = tmp_path / "new" / "folder"
    files = start_folder(folder, rig)
    assert all(path.is_file() for path in files)
    assert read_rig(folder / "rig.toml").name
    read_toml(folder / "bench.toml", BenchTable, "bench")
    assert "rig.svg" in (folder / "rig.toml").read_text()
    assert read_box(folder / "box.toml").kind == "closed"
    assert "[published]" in (folder / "sheet.toml").read_text()


def test_what_is_commented_out_is_good_too(tmp_path):
    start_folder(tmp_path, "simulated")
    text = (tmp_path / "bench.toml").read_text()
    text = re.sub(r"^# (?=[a-z_]+ = |\[\[)", "", text, flags=re.MULTILINE)
    (tmp_path / "bench.toml").write_text(text.replace("coils = 2 ", "coils = 1 "))
    table = read_toml(tmp_path / "bench.toml", BenchTable, "bench")
    assert [sweep.state for sweep in table.sweep] == ["free air", "added mass", "closed box"]


def test_what_is_commented_out_in_the_box_is_good_too(tmp_path):
    start_folder(tmp_path, "simulated")
    text = re.sub(r"^# (?=[a-z_]+ = |\[)", "", (tmp_path / "box.toml").read_text(), flags=re.MULTILINE)
    (tmp_path / "box.toml").write_text(text.replace('kind = "closed"', 'kind = "vented"'))
    assert read_box(tmp_path / "box.toml").values["tuning"] == 28.0


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
    whole = NEXT.replace("\\\n", "")
    commands = [shlex.split(line) for line in re.findall(r"tsfit ((?:rig|sweep|fit|box|report) .*)", whole)]
    assert [words[0] for words in commands] == ["rig", "rig", "sweep", "sweep", "fit", "box", "report"]
    for words in commands:
        extra = ["--yes"] if words[:2] == ["rig", "calibrate"] else []
        assert run([*words, *extra]) == 0, (words, capsys.readouterr().err)
    assert Path("report.html").is_file()
