"""Which ways a comparison tells: on the terminal, in its file and on its page alike."""

import json

from helpers.paths import RIGS
from helpers.read_page import words_of

from tsfit.box.compare.ways import TITLES
from tsfit.cli import run


def test_a_way_that_was_asked_for_holds_on_the_page(page_files, tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("COLUMNS", "100")
    monkeypatch.chdir(tmp_path)
    fits = [
        str(path) for path in page_files if path.suffix == ".json" and json.loads(path.read_text()).get("kind") == "fit"
    ]
    assert (
        run(
            [
                "compare",
                fits[0],
                str(RIGS / "drivers" / "dunlin-10.toml"),
                "--qtc",
                "0.7",
                "--way",
                "equal voltage",
                "-o",
                "compare.json",
            ]
        )
        == 0
    )
    assert f"dB at 1 m, {TITLES['equal voltage']}" in capsys.readouterr().out
    assert json.loads((tmp_path / "compare.json").read_text())["ways"] == ["equal voltage"]
    words = words_of(tmp_path / "compare.json")
    assert f"Level at 1 m, {TITLES['equal voltage']}" in words
    assert TITLES["equal power"] not in words
