"""``tsfit start``: what it leaves can be used as it is."""

import json
import re
import shlex
from pathlib import Path

from helpers.paths import RIGS as RIGS_FOLDER
from helpers.simulated_rig import QUICK_HZ

from tsfit.bench.new_folder import AT_POWER, RIGS, next_steps
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
    # A lower rate costs less, and is the one thing that is not as it stands.
    rig = Path("rig.toml").read_text()
    assert "sample_rate_hz = 48000" in rig
    Path("rig.toml").write_text(rig.replace("sample_rate_hz = 48000", f"sample_rate_hz = {QUICK_HZ}"))
    whole = next_steps("simulated").replace("\\\n", "")
    commands = [shlex.split(line) for line in re.findall(r"tsfit ((?:rig|sweep|fit|box|report) .*)", whole)]
    assert [words[0] for words in commands] == ["rig", "rig", "sweep", "sweep", "fit", "box", "report"]
    for words in commands:
        extra = ["--yes"] if words[:2] == ["rig", "calibrate"] else []
        extra += ["--seconds", "4"] if words[0] == "sweep" else []
        assert run([*words, *extra]) == 0, (words, capsys.readouterr().err)
    assert Path("report.html").is_file()
    assert "template" not in {note["code"] for note in json.loads(Path("fit.json").read_text())["quality"]}
    # Name and diameter as in the folder of a real rig: told before anything else, on a simulated one too.
    text = re.sub(r"(?m)^effective_diameter_cm = \S+", "effective_diameter_cm = 21.0", Path("bench.toml").read_text())
    Path("bench.toml").write_text(text.replace('name = "Dunlin 10"', 'name = "My driver"'))
    capsys.readouterr()
    assert run(["fit", "bench.toml", "-o", "again.json"]) == 0
    told = capsys.readouterr().out
    assert "warning below: read first" in told
    assert "still has the name and the diameter that it came with" in " ".join(told.split())


def test_the_steps_at_power_are_commands_that_take_up_what_the_one_before_leaves(tmp_path, monkeypatch, capsys):
    """Each is understood, and gets as far as the file that it needs; `test_ramp` goes the whole way."""
    assert run(["start", str(tmp_path / "x"), "--rig", "simulated-power"]) == 0
    assert "Never leave it alone" in capsys.readouterr().out
    monkeypatch.chdir(tmp_path / "x")
    whole = next_steps("power-shunt").replace("\\\n", "")
    commands = [
        shlex.split(line) for line in re.findall(r"tsfit ((?:rig|sweep|fit|travel|heat|check|box|report) .*)", whole)
    ]
    assert run([*commands.pop(0), "--yes", "--reading-v", "1.12"]) == 0
    needed = {
        "sweep": "fit.json", "travel": "full-travel-bench.toml", "heat": "power-run-bench.toml", "check": "fit.json",
        "box": "fit.json", "report": "fit.json", "fit": "free-air.wav",
    }  # fmt: skip
    capsys.readouterr()
    for words in commands:
        if words[0] == "sweep" and "--driver" not in words:
            continue
        assert run(words) == 2
        assert needed[words[0]] in capsys.readouterr().err, words


def test_only_rigs_at_power_lead_to_power_at_once():
    for rig in RIGS:
        assert ('--state "power run"' in next_steps(rig)) == (rig in AT_POWER)
        assert all(len(line) <= 62 for line in next_steps(rig).splitlines())


def test_the_steps_of_a_simulated_rig_ask_for_nothing_that_is_not_there():
    for rig in RIGS:
        steps, simulated = " ".join(next_steps(rig).split()), "simulated" in rig
        assert ("name of your sound card" in steps) != simulated
        assert ("calibrate rig.toml --volts" in steps) == (rig == "power-shunt")
        assert "effective diameter" in steps
        assert "{" not in steps
    # The limits are those of the practice in the rigs' own page, there in one line.
    told = (RIGS_FOLDER / "README.md").read_text()
    for option in ("--limit-travel-mm 12", "--limit-v 60"):
        assert option in next_steps("simulated-power")
        assert option in told.split("## Simulated power rig")[1]
