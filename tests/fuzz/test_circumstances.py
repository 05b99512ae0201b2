"""Circumstances that nobody chooses: odd paths, foreign locales, crooked clocks, two at once, no home to write to."""

import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
from helpers.damage import answer
from helpers.paths import ROOT
from helpers.simulated_rig import simulated_rig

SHEET = ROOT / "sample_data" / "saltwit-12-sheet.toml"


def process(*arguments, cwd, env=None, **options):
    """Run the program as a user would, in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "tsfit", *arguments],
        cwd=cwd,
        env=os.environ | {"PYTHONPATH": str(ROOT)} | (env or {}),
        capture_output=True,
        timeout=120,
        check=False,
        **options,
    )


def bench(folder: Path) -> Path:
    """A rig that needs no hardware, in `folder`."""
    simulated_rig(folder, "rig.toml")
    return folder


QUICK = ("--seconds", "2", "--low-hz", "10", "--high-hz", "4000", "--no-figure", "--json")
ODD_NAMES = ("with spaces, 38 cm ½", "-dash 'b\"c 100 % $HOME `x`", "x" * 120)


@pytest.mark.parametrize("name", ODD_NAMES)
def test_odd_folders(tmp_path, name):
    folder = bench(tmp_path / name)
    status, out, err = answer(["sweep", str(folder / "rig.toml"), "-o", str(folder / "s.wav"), *QUICK])
    assert status == 0, err
    assert json.loads(out)["sweeps"][0]["verdict"]["action"].startswith("Good")
    assert (folder / "s.txt").is_file()


def test_an_odd_folder_as_the_shell_hands_it_over(tmp_path):
    folder = bench(tmp_path / "日本語 ½")
    shutil.copy(SHEET, folder)
    done = process("check", str(folder / SHEET.name), "--json", "-o", str(folder / "c.json"), cwd=tmp_path)
    assert done.returncode in {0, 1}, done.stderr
    assert json.loads((folder / "c.json").read_text("utf-8")) == json.loads(done.stdout)


def test_names_that_are_no_utf_8(tmp_path):
    name = os.fsdecode(b"bad-\xff-name.toml")
    try:
        shutil.copy(SHEET, tmp_path / name)
    except OSError:
        pytest.skip("shared data of the file system: it takes no such names")
    assert answer(["check", str(tmp_path / name)])[0] in {0, 1}
    missing = process("check", os.fsdecode(b"none-\xfe.toml"), cwd=tmp_path)
    assert missing.returncode == 2
    assert missing.stderr.count(b"\n") == 1
    assert answer(["check", os.fsdecode(b"none-\xfe.toml"), "--json"])[0] == 2


@pytest.mark.parametrize("recording", ["C:\\\\bench\\\\free.wav", "..\\\\free.wav", "\\\\\\\\server\\\\share\\\\free.wav"])
def test_paths_of_another_system_are_answered_in_one_sentence(tmp_path, recording):
    bench(tmp_path)
    (tmp_path / "bench.toml").write_text(
        f'rig = "rig.toml"\n[driver]\nname = "x"\n[[sweep]]\nrecording = "{recording}"\nstate = "free air"\n'
    )
    status, _, err = answer(["fit", str(tmp_path / "bench.toml")])
    assert status == 2
    assert err.startswith("tsfit: ")
    assert err.count("\n") == 1


@pytest.mark.parametrize("locale", ["de_DE.UTF-8", "C"])
def test_locales_change_no_number(tmp_path, locale):
    """A decimal comma, no UTF-8 at all, the Turkish i: the machine form stays the same."""
    env = {"LC_ALL": locale, "LANG": locale, "PYTHONIOENCODING": "", "PYTHONUTF8": "0"}
    there = process("check", str(SHEET), "--json", cwd=tmp_path, env=env)
    status, out, _ = answer(["check", str(SHEET), "--json"])
    assert there.returncode == status
    assert json.loads(there.stdout) == json.loads(out)


def test_words_on_a_terminal_without_utf_8(tmp_path):
    done = process(
        "check", str(SHEET), cwd=tmp_path, env={"LC_ALL": "C", "PYTHONIOENCODING": "ascii:strict", "PYTHONUTF8": "0"}
    )
    assert done.returncode in {0, 1}, done.stderr


def test_two_at_once_lose_nothing(tmp_path):
    """Two sweeps of one name at the same time: one has it, the other is refused or has kept its own part."""
    bench(tmp_path)
    command = [sys.executable, "-m", "tsfit", "sweep", "rig.toml", "-o", "one.wav", *QUICK]
    env = os.environ | {"PYTHONPATH": str(ROOT)}
    both = [
        subprocess.Popen(command, cwd=tmp_path, env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE) for _ in range(2)
    ]
    told = [process.communicate(timeout=120) for process in both]
    codes = sorted(process.returncode for process in both)
    assert codes == [0, 2], told
    kept = {path.name for path in tmp_path.glob("one*")}
    assert {"one.wav", "one.toml", "one.txt"} <= kept


def test_a_clock_that_goes_back_changes_nothing(tmp_path, monkeypatch):
    """The clock on the wall jumps back a day between two calls; durations come from another clock."""
    from tsfit.cli import run

    bench(tmp_path)
    monkeypatch.chdir(tmp_path)
    true, calls = time.time, [0]

    def back():
        calls[0] += 1
        return true() - 86400.0 * calls[0]

    monkeypatch.setattr(time, "time", back)
    assert run(["sweep", "rig.toml", "-o", "one.wav", *QUICK]) == 0


def test_no_home_and_no_writable_folder(tmp_path, read_only_folder, monkeypatch):
    """Nothing but what was asked for is written: a home that is not there and a folder that takes nothing do no harm."""
    env = {"HOME": "/nonexistent", "XDG_CACHE_HOME": "/nonexistent", "XDG_CONFIG_HOME": "/nonexistent", "DISPLAY": ""}
    done = process(
        "box", "closed", str(SHEET), "--qtc", "0.8", "--plot", str(tmp_path / "box.png"), cwd=read_only_folder, env=env
    )
    assert done.returncode == 0, done.stderr
    monkeypatch.chdir(read_only_folder)
    status, _, err = answer(["box", "closed", str(SHEET), "--qtc", "0.8", "-o", "box.json"])
    assert status == 2
    assert "box.json" in err


AS_NOBODY = """
import os, sys
from tsfit.cli import run
sheet, locked, within, elsewhere = sys.argv[1:]
first = [run(["check", sheet, "--json"]), run(["box", "closed", sheet, "--qtc", "0.8", "-o", elsewhere])]
if os.geteuid() == 0:
    os.setgroups([])
    os.setgid(65534)
    os.setuid(65534)
then = [run(["check", locked]), run(["box", "closed", sheet, "--qtc", "0.8", "-o", within])]
print("CODES", first, then, flush=True)
"""
"""Everything is imported and tried as who we are, then done without rights: nobody may not even read this Python."""


def test_folders_without_permission(tmp_path):
    open_folder, locked = tmp_path / "open", tmp_path / "locked"
    open_folder.mkdir()
    shutil.copy(SHEET, open_folder / "sheet.toml")
    shutil.copytree(open_folder, locked)
    for path in (tmp_path, *tmp_path.parents[:2]):
        path.chmod(path.stat().st_mode | 0o011)
    locked.chmod(0)
    open_folder.chmod(0o555)
    try:
        places = [
            str(path)
            for path in (open_folder / "sheet.toml", locked / "sheet.toml", open_folder / "box.json", tmp_path / "box.json")
        ]
        done = run_code(AS_NOBODY, *places, cwd="/")
        assert b"CODES [0, 0] [2, 2]" in done.stdout, (done.stdout[-500:], done.stderr)
        told = done.stderr.decode().splitlines()
        assert [line.split(": ")[0] for line in told] == ["tsfit"] * 2
        assert places[1] in told[0]
        assert places[2] in told[1]
    finally:
        locked.chmod(0o700)
        open_folder.chmod(0o700)


def run_code(code, *arguments, cwd):
    return subprocess.run(
        [sys.executable, "-c", code, *arguments], cwd=cwd, env=os.environ | {"PYTHONPATH": str(ROOT)}, capture_output=True,
        timeout=120, check=False,
    )  # fmt: skip


def test_two_at_once_write_one_name_once(tmp_path):
    """Of two that write the same file one has it, whole, and the other is refused."""
    command = [sys.executable, "-m", "tsfit", "box", "closed", str(SHEET), "--qtc", "0.8", "-o", "box.json"]
    env = os.environ | {"PYTHONPATH": str(ROOT)}
    both = [
        subprocess.Popen(command, cwd=tmp_path, env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE) for _ in range(2)
    ]
    told = [process.communicate(timeout=120) for process in both]
    assert sorted(process.returncode for process in both) == [0, 2], told
    assert json.loads((tmp_path / "box.json").read_text())["design"]["qtc"] == pytest.approx(0.8)
    assert [path.name for path in tmp_path.iterdir()] == ["box.json"]


def test_a_log_goes_by_hours_and_not_by_the_clock(tmp_path, monkeypatch):
    """Two fits logged while the clock on the wall went back a year stand in the order of their hours."""
    from datetime import UTC, datetime

    from helpers.made_fit import made_driver, made_fit

    from tsfit.drift.entry import entry_of
    from tsfit.drift.history import history
    from tsfit.drift.log import add_entry

    for hours, year, compliance in ((0.0, 2026, 1.0), (10.0, 2025, 1.2)):
        fit = made_fit(made_driver(Fs=33.9 / compliance**0.5))
        log = add_entry(tmp_path / "log", entry_of(fit, hours, added=datetime(year, 6, 1, tzinfo=UTC)))
    judged = history(log)
    assert judged.causes["compliance"].relative == pytest.approx(0.2, abs=0.01)


@pytest.mark.parametrize("path", ["../outside.toml", "sub/../../outside.toml", "/dev/zero", "."])
def test_files_that_are_none(tmp_path, monkeypatch, path):
    """Devices, folders and things outside are read or refused, never waited for."""
    (tmp_path / "sub").mkdir()
    monkeypatch.chdir(tmp_path)
    for command in (["check", path], ["fit", path], ["box", "closed", path, "--qtc", "0.8"], ["rig", "check", path]):
        status, _, err = answer(command)
        assert status == 2
        assert err.startswith("tsfit: "), err
        assert "itself failed" not in err


def test_a_size_bomb_is_refused(tmp_path, monkeypatch):
    """Files that are large beyond reason are refused before they are read, in a command's limit of time."""
    monkeypatch.chdir(tmp_path)
    for name in ("sheet.toml", "fit.json", "curve.txt"):
        with (tmp_path / name).open("wb") as stream:
            stream.truncate(3 * 2**30)
    for command in (["check", "sheet.toml"], ["check", "fit.json", str(SHEET)], ["fit", "curve.txt"]):
        status, _, err = answer(command)
        assert status == 2
        assert "large" in err
