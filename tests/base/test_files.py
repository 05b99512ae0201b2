import hashlib
import json
import math
import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from helpers.victims import Victims

from tsfit.base.errors import TsfitError
from tsfit.base.files import forget_written, is_json, read_bytes, sha256, to_json, write_new, written

KILLS = int(os.environ.get("TSFIT_KILLS", "12"))


def test_a_file_is_written_whole_and_nothing_is_left_beside_it(tmp_path):
    write_new(tmp_path / "fit.json", "ä\n")
    assert [item.name for item in tmp_path.iterdir()] == ["fit.json"]
    assert (tmp_path / "fit.json").read_text(encoding="utf-8") == "ä\n"


def test_what_is_there_stays_unless_replacing_is_asked_for(tmp_path):
    path = tmp_path / "fit.json"
    path.write_text("old")
    with pytest.raises(TsfitError, match="already there") as caught:
        write_new(path, "new")
    assert caught.value.code == "exists"
    assert path.read_text() == "old"
    write_new(path, "new", replace=True)
    assert path.read_text() == "new"
    assert [item.name for item in tmp_path.iterdir()] == ["fit.json"]


def test_a_missing_folder_is_said(tmp_path):
    with pytest.raises(TsfitError, match="cannot be written") as caught:
        write_new(tmp_path / "none" / "fit.json", b"")
    assert caught.value.code == "cannot_write"


def test_without_hard_links_a_taken_name_is_still_refused(tmp_path, monkeypatch):
    def no_links(*_: object) -> None:
        raise OSError("no hard links here")

    monkeypatch.setattr(os, "link", no_links)
    write_new(tmp_path / "a", "1")
    with pytest.raises(TsfitError, match="already there"):
        write_new(tmp_path / "a", "2")
    assert (tmp_path / "a").read_text() == "1"


def test_json_holds_no_character_that_a_terminal_obeys():
    name = "Heron\x7f\x9b2J\x1b[2J\u202e\u2066 é Ω"
    text = to_json({name: [name]})
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069]", text)
    assert "é Ω" in text
    assert json.loads(text) == {name: [name]}


def test_json_holds_arrays_as_lists_and_no_nan():
    data = {"a": np.array([1.0, math.nan]), "b": (np.float64(2.0), math.inf), "c": Path("x"), "d": {1: None}}
    assert json.loads(to_json(data)) == {"a": [1.0, None], "b": [2.0, None], "c": "x", "d": {"1": None}}


def test_sha256_is_that_of_the_content(tmp_path):
    (tmp_path / "a").write_bytes(b"abc")
    # FIPS 180-2, appendix B.1: the digest of "abc".
    assert sha256(tmp_path / "a") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert sha256(tmp_path / "a") == hashlib.sha256(b"abc").hexdigest()


def test_a_full_disk_leaves_what_was_there(small_disk):
    path = small_disk / "a.json"
    write_new(path, "whole")
    for replace in (True, False):
        with pytest.raises(TsfitError) as refused:
            write_new(path if replace else small_disk / "b.json", "x" * 2_000_000, replace=replace)
        assert refused.value.code == "cannot_write"
        assert "room" in refused.value.message
    assert path.read_text() == "whole"
    assert [entry.name for entry in small_disk.iterdir()] == ["a.json"]


def test_a_read_only_folder_is_said(read_only_folder):
    with pytest.raises(TsfitError) as refused:
        write_new(read_only_folder / "a.json", "x")
    assert refused.value.code == "cannot_write"


@pytest.mark.against("no file is lost or torn", "kills at any instant, `TSFIT_KILLS` of them", "every one whole")
def test_killed_at_any_instant_a_file_is_whole(tmp_path):
    rng = np.random.default_rng(1)
    path, said = tmp_path / "kept" / "fit.json", tmp_path / "said"
    path.parent.mkdir()
    with Victims("write_without_end") as victims:
        for _ in range(KILLS):
            assert victims.killed_after(float(rng.uniform(0.0, 0.03)), said, str(path))
            text = path.read_text()
            assert len(text) == 300_000
            assert len(set(text)) == 1
    write_new(path.parent / "other.json", "{}")
    assert sorted(each.name for each in path.parent.iterdir()) == ["fit.json", "other.json"]


def test_what_a_killed_writer_left_is_removed_by_the_next(tmp_path):
    """A process that dies while it writes leaves its unfinished file; one that still writes is left alone."""
    killed = (
        "import os, signal, pathlib, tsfit.base.files as files\n"
        "os.fsync = lambda handle: os.kill(os.getpid(), signal.SIGKILL)\n"
        "files.write_new(pathlib.Path('a.txt'), 'lost')\n"
    )
    assert subprocess.run([sys.executable, "-c", killed], cwd=tmp_path, check=False).returncode < 0
    [left] = tmp_path.iterdir()
    host = left.name.split("-")[1]
    living = tmp_path / f".tsfit-{host}-{os.getpid()}-x"
    elsewhere = tmp_path / left.name.replace(host, "00000000")
    for path in (living, elsewhere):
        path.write_text("being written")
    write_new(tmp_path / "b.txt", "kept")
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([living.name, elsewhere.name, "b.txt"])


def test_what_was_written_is_known(tmp_path):
    there, new = tmp_path / "there.txt", tmp_path / "new.txt"
    there.write_text("mine")
    forget_written()
    with pytest.raises(TsfitError):
        write_new(there, "yours")
    assert written() == []
    write_new(new, "made")
    assert written() == [new]
    write_new(there, "replaced", replace=True)
    assert written() == [there, new]
    new.unlink()
    assert written() == [there]


def test_a_name_that_no_file_can_have_is_an_error_of_the_system(tmp_path):
    """Every reader words that in its own sentence; Python itself raises ValueError for a NUL."""
    path = tmp_path / "a\0b.toml"
    with pytest.raises(OSError, match="no file can be named so"):
        read_bytes(path, 100, "too large", "too_large")
    with pytest.raises(TsfitError, match="no file can be named so") as caught:
        is_json(path)
    assert caught.value.code == "missing_file"
