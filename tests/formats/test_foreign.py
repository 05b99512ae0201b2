"""Every kind of file in every place where another belongs: told by what it is, and by who takes it."""

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from helpers.made_fit import made_fit
from helpers.made_heat_result import heat_result
from helpers.made_travel_result import made_travel_result
from helpers.paths import RIGS, SAMPLES

from tsfit.base.errors import TsfitError
from tsfit.base.files import to_json
from tsfit.bench.new_folder import template
from tsfit.cli import run
from tsfit.formats.fit import fit_to_dict
from tsfit.formats.foreign import KINDS, kinds_of, wanted

COMMANDS = {
    "bench": ["fit X", "travel X", "heat X"],
    "rig": ["rig check X", "rig calibrate X --known-ohm 10 -o new.toml", "sweep X -o new.wav"],
    "sheet": ["check X", "check fit X", "box closed fit --volume-l 40 --sheet X", "compare fit sheet --sheet X"],
    "rule": ["check fit sheet --rules X"],
    "box": ["check fit sheet --box X", "box show X fit", "compare fit sheet --box X", "try fit --box X"],
    "driver": ["box closed X --volume-l 40", "box show box X", "box design closed X --f3-hz 60", "compare X fit", "try X"],
    "fit": ["drift add X --log new.drift --hours 0"],
    "travel": ["check fit sheet --travel X", "compare fit sheet --travel X"],
    "heat": ["check fit sheet --heat X"],
    "drift log": ["drift show X", "drift change X 1 2", "drift add fit --log X --hours 0"],
    "result": ["report X -o new.html"],
    "curve": ["box verify X --driver fit --box box"],
}
"""By the kind that belongs there."""
ALSO = {"driver": {"fit", "sheet"}, "result": {"fit", "travel", "heat", "drift log"}, "sheet": {"fit"}, "bench": {"curve"}}


ENDINGS = {"fit": "json", "travel": "json", "heat": "json", "result": "json", "drift log": "drift"}
JSON = {*ENDINGS}
ENDINGS |= {"JSON": "x", "recording": "wav", "curve": "txt", "picture": "svg", "page": "html"}
NAMES = {kind: f"{kind}.{ENDINGS.get(kind, 'toml')}" for kind in KINDS}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """One file of each kind, named by it, as the program or a person writes it."""
    here = tmp_path_factory.mktemp("kinds")
    texts = {
        "rig": (RIGS / "simulated.toml").read_text(),
        "bench": template("bench.toml"),
        "sheet": (SAMPLES / "saltwit-12b-sheet.toml").read_text(),
        "driver": (RIGS / "drivers" / "dunlin-10.toml").read_text(),
        "box": 'kind = "closed"\nvolume_l = 40\n',
        "rule": '[tolerance]\nFs = "10 %"\n',
        "equaliser": '[[section]]\nkind = "peaking"\nfrequency_hz = 40.0\nq = 1.0\ngain_db = 3.0\n',
        "conditions": 'recording = "a.wav"\nrecorded_at = 2026-01-01\n[rig]\nname = "a"\n[sweep]\nstate = "free"\n',
        "fit": to_json(fit_to_dict(made_fit())),
        "travel": to_json(made_travel_result()),
        "heat": to_json(heat_result()),
        "drift log": (SAMPLES / "saltwit-12b.drift").read_text(),
        "result": json.dumps({"schema": 1, "kind": "comparison", "compared": []}),
        "JSON": '{"schema": 1}',
        "picture": '<?xml version="1.0"?><svg/>',
        "page": "<!doctype html>\n<title>x</title>",
    }
    for kind, text in texts.items():
        (here / NAMES[kind]).write_text(text)
    rows = (f"{hz},{5 + hz / 100},{hz / 10}\n" for hz in range(10, 99))
    (here / NAMES["curve"]).write_text("".join(["Hz,ohm,degrees\n", *rows]))
    soundfile.write(here / NAMES["recording"], np.zeros((480, 2)), 48000)
    return here


def test_each_file_is_like_its_own_kind_alone(folder):
    assert {kind: kinds_of(folder / name) for kind, name in NAMES.items()} == {kind: [kind] for kind in KINDS}


PLACES = [(kind, line) for kind, lines in COMMANDS.items() for line in lines]


@pytest.mark.parametrize(("kind", "line"), PLACES, ids=[line for _, line in PLACES])
def test_the_wrong_kind_is_told_by_what_it_is_and_who_takes_it(kind, line, folder, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    words = line.split()
    for given in (
        KINDS.keys() - {kind} - ALSO.get(kind, set()) - ({"JSON"} if kind in JSON | {"driver", "sheet"} else set())
    ):
        named = [str(folder / NAMES[given if word == "X" else word]) if word in {"X", *KINDS} else word for word in words]
        named[0] = words[0]  # the command, where "box" is no file
        assert run(named) == 2, given
        error = capsys.readouterr().err
        what = "a result of tsfit compare" if given == "result" else KINDS[given].what
        assert f"but {what}; " in error, (given, error)
        assert ("tsfit" in error.split(f"but {what}; ")[1]) or given in {"picture", "page", "JSON"}
        assert list(tmp_path.iterdir()) == []


def test_its_own_kind_with_a_fault_keeps_its_own_sentence(tmp_path):
    path = tmp_path / "rig.toml"
    path.write_text('topology = "shunt"\n[channels]\n')
    with pytest.raises(TsfitError, match=r"^a fault$"), wanted(path, "rig"):
        raise TsfitError("a fault", code="missing_key", file=path)
    with (
        pytest.raises(TsfitError, match=r"is no bench file but a rig file; tsfit rig"),
        wanted(path, "bench"),
    ):
        raise TsfitError("a fault", code="missing_key", file=path)
    # The fault of another file, such as a recording that this one names, is another matter.
    with pytest.raises(TsfitError, match=r"^a fault$"), wanted(path, "bench"):
        raise TsfitError("a fault", code="missing_file", file=tmp_path / "a.wav")


@pytest.mark.parametrize("content", [b"", b"\xff\x00\x01", b"just words\n", b"x = \n"])
def test_what_is_like_no_kind_is_none(content, tmp_path):
    path = tmp_path / "x"
    path.write_bytes(content)
    assert kinds_of(path) == []
    assert kinds_of(tmp_path / "missing") == []
    assert kinds_of(Path(tmp_path)) == []
