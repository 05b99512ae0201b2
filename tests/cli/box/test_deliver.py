"""What is printed first; files of a box are written once and read back the same; what is not rated is said."""

import json
from pathlib import Path

from helpers.heron import DRIVER


def test_a_saved_box_shows_the_same(tsfit, heron, tmp_path):
    plan = tmp_path / "plan.toml"
    asked = ("vented", heron, "--volume-l", "60", "--tuning-hz", "31", "--port-width-cm", "30", "--port-height-cm", "4",
             "--port-on-wall", "--drivers", "2", "--rated-power-w", "90", "--save-box", str(plan), "--json")  # fmt: skip
    code, out, _ = tsfit(*asked)
    assert code == 0
    assert tsfit("show", str(plan), heron, "--json")[1] == out
    code, out, _ = tsfit(*asked)
    assert code == 2
    assert "already there" in out


def test_files_are_written_once(tsfit, heron, tmp_path):
    result, plot = tmp_path / "box.json", tmp_path / "box.png"
    asked = ("closed", heron, "--qtc", "0.8", "-o", str(result), "--plot", str(plot))
    assert tsfit(*asked)[0] == 0
    assert json.loads(result.read_text())["enclosure"] == "closed"
    assert plot.read_bytes().startswith(b"\x89PNG")
    code, _, err = tsfit(*asked)
    assert code == 2
    assert "already there" in err
    assert tsfit(*asked, "--replace")[0] == 0


def test_without_ratings_the_maximum_is_left_open(tsfit, heron, tmp_path):
    unrated = tmp_path / "unrated.toml"
    unrated.write_text(DRIVER.replace('Xmax = "6 mm"\n', ""))
    code, out, _ = tsfit("closed", str(unrated), "--volume-l", "35", "--json")
    assert code == 0
    assert json.loads(out)["max_spl_db"] is None
    assert json.loads(out)["limited_by"] is None
    assert "give --sheet, or --rated-power-w and --xmax-mm" in " ".join(
        tsfit("closed", str(unrated), "--volume-l", "35")[1].split()
    )
    assert "heat not counted" in tsfit("closed", heron, "--volume-l", "35")[1]


def test_the_answer_stands_first_and_the_rest_is_there_on_request(tsfit, heron, monkeypatch):
    monkeypatch.setenv("COLUMNS", "140")
    arguments = ("closed", heron, "--volume-l", "40", "--rated-power-w", "150")
    _, out, _ = tsfit(*arguments)
    lines = out.splitlines()
    assert len(lines) <= 20
    assert lines[0].startswith("Heron 10, closed box: 40.0 l, f3 ")
    assert lines[1].startswith("Loudest at 1 m in half space, and what stops it: ")
    assert "(travel)" in lines[1]
    assert "delay ms" not in out
    _, full, _ = tsfit(*arguments, "--full")
    assert lines[0] in full
    assert all(word in full for word in ("delay ms", "fc, Qtc by the textbook", "limited by"))


def test_without_a_rating_nothing_is_said_of_how_loud(tsfit, tmp_path):
    heron_unrated = str(tmp_path / "unrated.toml")
    lines = [line for line in DRIVER.splitlines() if not line.startswith(("Xmax", "Pe", "Ppeak"))]
    Path(heron_unrated).write_text("\n".join(lines))
    arguments = ("vented", heron_unrated, "--volume-l", "60", "--tuning-hz", "30", "--port-diameter-cm", "8")
    _, out, _ = tsfit(*arguments)
    assert "How loud it plays is open" in out
    assert "port speed" not in out
    _, out, _ = tsfit(*arguments, "--json")
    assert json.loads(out)["max_spl_db"] is None
