"""The log keeps every entry, whoever is killed, and says what is damaged."""

import json
import os
import re
import subprocess
import sys
import zlib
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pytest
from helpers.made_histories import FRESH, made_fit
from helpers.paths import ROOT
from helpers.victims import Victims

from tsfit.base.errors import TsfitError
from tsfit.drift.entry import entry_of
from tsfit.drift.log import add_entry, line_of, read_log

ADDER = ROOT / "tests/helpers/add_without_end.py"
KILLS = int(os.environ.get("TSFIT_KILLS", "5"))


def _entry(hours, **options):
    return entry_of(made_fit(FRESH, np.random.default_rng(round(hours)), (0.3, -0.2), **options), hours)


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "saltwit.drift"
    for hours in (0.0, 1.0, 2.0):
        add_entry(path, _entry(hours))
    return path


def _adder(path, first, count=100000):
    command = [sys.executable, str(ADDER), str(path), str(first), str(count)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def test_an_entry_comes_back_whole(tmp_path):
    fit = made_fit(FRESH, np.random.default_rng(1), (0.3, -0.2))
    after = add_entry(tmp_path / "log", entry_of(fit, 12.5, file={"file": "fit.json", "sha256": "ab"}))
    (entry,) = read_log(tmp_path / "log").entries
    assert line_of(entry) == line_of(after.entries[0])
    assert entry.hours == 12.5
    names = fit.correlation_names[:5]
    stated = [fit.parameters[name].stdev / fit.parameters[name].value for name in names]
    assert entry.covariance(names) == pytest.approx(fit.correlation[:5, :5] * np.outer(stated, stated), rel=1e-5, abs=1e-12)
    assert entry.systematic == {name: pytest.approx(shifts, rel=1e-5) for name, shifts in fit.systematic.items()}
    assert entry.source("fit")["file"] == "fit.json"
    assert entry.conditions.air == fit.driver.air
    assert entry.rig == "line divider"


@pytest.mark.against("no entry of a log is lost", "kills at any instant, `TSFIT_KILLS` of them", "every one kept")
def test_kills_lose_and_tear_nothing(tmp_path):
    path = tmp_path / "log"
    rng = np.random.default_rng(2)
    safe = []
    with Victims("add_without_end") as victims:
        for kill in range(KILLS):
            found = victims.killed_after(float(rng.uniform(0.0, 0.05)), tmp_path / "said", str(path), 10000 * kill)
            assert found
            safe += [int(line) for line in found]
    kept = [round(entry.hours) for entry in read_log(path).entries]
    assert len(safe) >= KILLS
    assert set(safe) <= set(kept)
    assert len(kept) == len(set(kept))
    assert len(kept) - len(safe) <= KILLS
    # Nothing but the last line may be damaged, and the next to add sets that aside.
    after = add_entry(path, _entry(9e6))
    assert len(after.entries) == len(kept) + 1
    assert not read_log(path).notes


@pytest.mark.skipif(os.name == "nt", reason="pipes have no names there")
@pytest.mark.parametrize("kind", ["pipe", "device", "loop", "link to a pipe"])
def test_a_log_is_a_file_and_nothing_that_would_be_waited_for(tmp_path, kind):
    path = {"device": Path("/dev/zero")}.get(kind, tmp_path / "log")
    if kind == "loop":
        path.symlink_to(path)
    elif kind != "device":
        os.mkfifo(tmp_path / ("log" if kind == "pipe" else "pipe"))
    if kind == "link to a pipe":
        path.symlink_to(tmp_path / "pipe")
    before = sorted(tmp_path.iterdir())
    with pytest.raises(TsfitError, match=re.escape(str(path))) as refused:
        add_entry(path, _entry(1.0))
    assert refused.value.code == "cannot_write"
    assert sorted(tmp_path.iterdir()) == before
    assert not Path("/dev/zero.lock").exists()


def test_through_a_link_the_log_itself_is_held(tmp_path, log, monkeypatch):
    """Who adds by either name waits for the other."""
    import filelock

    link = tmp_path / "link"
    link.symlink_to(log)
    monkeypatch.setattr("tsfit.drift.log.LOCK_SECONDS", 0.05)
    with filelock.FileLock(f"{log}.lock"), pytest.raises(TsfitError) as refused:
        add_entry(link, _entry(3.0))
    assert refused.value.code == "busy"
    assert len(add_entry(link, _entry(3.0)).entries) == len(read_log(log).entries) == 4


def test_two_that_add_at_once(tmp_path):
    path = tmp_path / "log"
    adders = [_adder(path, first, 25) for first in (0, 1000)]
    assert [adder.wait(timeout=60) for adder in adders] == [0, 0]
    for adder in adders:
        adder.stdout.close()
    log = read_log(path)
    assert sorted(entry.hours for entry in log.entries) == [*range(25), *range(1000, 1025)]
    assert not log.notes


@pytest.mark.parametrize("cut", [1, 9, 25, 200, 1200, -2])
def test_a_torn_last_line_is_set_aside_and_the_rest_kept(log, cut):
    whole = log.read_bytes()
    torn = line_of(_entry(3.0))[:cut]
    log.write_bytes(whole + torn)
    read = read_log(log)
    assert [entry.hours for entry in read.entries] == [0.0, 1.0, 2.0]
    assert [note.code for note in read.notes] == ["damaged_line"]
    after = add_entry(log, _entry(4.0))
    assert [entry.hours for entry in after.entries] == [0.0, 1.0, 2.0, 4.0]
    assert "moved to saltwit.drift.damaged" in after.notes[0].message
    assert log.with_name("saltwit.drift.damaged").read_bytes() == torn + b"\n"
    assert log.read_bytes() == whole + line_of(after.entries[-1])
    assert not read_log(log).notes


def test_a_whole_last_line_without_its_end_is_kept(log):
    log.write_bytes(log.read_bytes() + line_of(_entry(3.0))[:-1])
    assert len(read_log(log).entries) == 4
    assert len(add_entry(log, _entry(4.0)).entries) == 5
    assert len(read_log(log).entries) == 5


def test_any_changed_byte_is_noticed(log):
    lines = log.read_bytes().split(b"\n")
    rng = np.random.default_rng(3)
    for _ in range(60):
        at = int(rng.integers(len(lines[1])))
        changed = bytearray(lines[1])
        changed[at] ^= int(rng.integers(1, 256))
        if changed[at] in b"\n":
            continue
        log.write_bytes(b"\n".join([lines[0], bytes(changed), *lines[2:]]))
        read = read_log(log)
        assert [entry.hours for entry in read.entries] == [0.0, 2.0]
        assert "Line 2" in read.notes[0].message


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"hello\n", "not_a_log"),
        (b'{"schema": 1}', "not_a_log"),
        (b"\x00" * 999, "not_a_log"),
        (b"x", "not_a_log"),
        # Something with ends of lines in it that stops without one, as a recording does.
        (b"RIFF\n\x00\x07 \n\x01", "not_a_log"),
        (b'hello\n{"crc32":"', "not_a_log"),
    ],
)
def test_what_is_no_log_is_left_as_it_is(tmp_path, content, code):
    path = tmp_path / "notes.txt"
    path.write_bytes(content)
    for attempt in (read_log, lambda p: add_entry(p, _entry(0.0))):
        with pytest.raises(TsfitError) as caught:
            attempt(path)
        assert caught.value.code == code
        assert str(path) in caught.value.message
    assert path.read_bytes() == content
    assert [one.name for one in tmp_path.iterdir()] == ["notes.txt"] or content.endswith(b'"crc32":"')
    assert not list(tmp_path.glob("*.damaged"))


def test_newer_entries_are_refused(log):
    log.write_bytes(log.read_bytes() + line_of(replace(_entry(3.0), schema=2)))
    with pytest.raises(TsfitError) as caught:
        read_log(log)
    assert caught.value.code == "newer_schema"


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("hours", -1.0), ("hours", 1e9), ("parameters", {}), ("parameters", {"Re": (5.0, 0.1, 0.1)}),
        ("parameters", {**_entry(3.0).parameters, "Fs": (-30.0, 0.1, 0.1)}),
        ("parameters", {**_entry(3.0).parameters, "Sd": (0.0, 0.1, 0.1)}),
        ("parameters", {**_entry(3.0).parameters, "Re": (5.0, -0.1, 0.1)}),
        ("parameters", {name: figure for name, figure in _entry(3.0).parameters.items() if name != "Rms"}),
        ("conditions", replace(_entry(3.0).conditions, pressure_hpa=0.0)),
    ],
)  # fmt: skip
def test_figures_that_cannot_be_are_refused_though_the_checksum_is_right(log, field, value):
    entry = _entry(3.0)
    text = json.dumps({**asdict(entry), field: value}, default=asdict).encode()
    log.write_bytes(log.read_bytes() + b'{"crc32":"%08x","entry":%b}\n' % (zlib.crc32(text), text))
    with pytest.raises(TsfitError) as caught:
        read_log(log)
    assert caught.value.code == "newer_schema"


@pytest.mark.parametrize("text", ["null", "[1.0]", "{}", '["x"]', "[" * 5000 + "]" * 5000])
@pytest.mark.parametrize("field", ["correlation", "systematic", "provenance"])
def test_parts_that_no_fit_writes_are_refused(log, field, text):
    if (field, text) in {("systematic", "{}"), ("provenance", "{}")}:
        return
    rest = {name: value for name, value in asdict(_entry(3.0)).items() if name != field}
    entry = f'{json.dumps(rest)[:-1]}, "{field}": {text}}}'.encode()
    log.write_bytes(log.read_bytes() + b'{"crc32":"%08x","entry":%b}\n' % (zlib.crc32(entry), entry))
    with pytest.raises(TsfitError) as caught:
        read_log(log)
    assert caught.value.code == "newer_schema"


def test_what_does_not_belong_is_refused(log):
    before = log.read_bytes()
    with pytest.raises(TsfitError) as caught:
        add_entry(log, _entry(3.0, name="Saltwit 12 B"))
    assert caught.value.code == "other_driver"
    assert "Saltwit 12 B" in caught.value.message
    for field, value, code in (("serial", "0388", "other_driver"), ("wiring", "series", "other_wiring")):
        entry = _entry(3.0)
        other = replace(entry, driver=replace(entry.driver, **{field: value}))
        with pytest.raises(TsfitError) as caught:
            add_entry(log, other)
        assert caught.value.code == code
        assert value in caught.value.message
    assert log.read_bytes() == before


def test_the_same_fit_twice_is_refused(tmp_path):
    fit = made_fit(FRESH, np.random.default_rng(1), (0.0, 0.0))
    entry = entry_of(fit, 3.0, file={"file": "fit.json", "sha256": "f" * 64})
    add_entry(tmp_path / "log", entry)
    with pytest.raises(TsfitError) as caught:
        add_entry(tmp_path / "log", entry)
    assert caught.value.code == "already_logged"


def test_another_rig_and_model_are_flagged(log):
    after = add_entry(log, _entry(3.0, rig="another", coil="simple"))
    assert [note.code for note in after.notes] == ["other_rig", "other_model"]


@pytest.mark.parametrize("hours", [-1.0, float("nan"), float("inf")])
def test_hours_that_cannot_be(hours):
    with pytest.raises(TsfitError) as caught:
        entry_of(made_fit(FRESH, np.random.default_rng(1), (0.0, 0.0)), hours)
    assert caught.value.code == "usage"


def test_a_full_disk_leaves_the_log_as_it_was(small_disk):
    path = small_disk / "log"
    add_entry(path, _entry(0.0))
    added = 1

    def fill():
        nonlocal added
        while added < 5000:
            add_entry(path, _entry(float(added)))
            added += 1

    path.write_bytes(600 * line_of(_entry(0.0)))
    with pytest.raises(TsfitError) as caught:
        fill()
    assert caught.value.code == "cannot_write"
    read = read_log(path)
    assert len(read.entries) == 600 + added - 1
    assert not read.notes


def test_a_folder_that_nobody_may_write(read_only_folder):
    with pytest.raises(TsfitError) as caught:
        add_entry(read_only_folder / "log", _entry(0.0))
    assert caught.value.code == "cannot_write"
