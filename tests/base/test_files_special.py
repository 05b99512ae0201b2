"""What is no plain file is never replaced; a link is written through; what was read is never written over."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from helpers.paths import ROOT, SAMPLES

from tsfit.base.errors import TsfitError
from tsfit.base.files import refuse_existing, write_new
from tsfit.cli import run


def made(kind, folder):
    path = folder / "odd.json"
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "device":
        try:
            os.mknod(path, 0o020600, os.makedev(1, 7))
        except OSError:
            path = Path("/dev/full")
    elif kind == "folder":
        path.mkdir()
    elif kind == "link to a pipe":
        os.mkfifo(folder / "pipe")
        path.symlink_to(folder / "pipe")
    else:
        path.symlink_to(path)
    return path


@pytest.mark.skipif(os.name == "nt", reason="pipes and devices have no names there")
@pytest.mark.parametrize("replace", [True, False])
@pytest.mark.parametrize("kind", ["pipe", "device", "folder", "link to a pipe", "loop"])
def test_what_is_no_file_stays_what_it_is(tmp_path, kind, replace):
    path = made(kind, tmp_path)
    before = os.lstat(path)
    for act in (lambda: write_new(path, "new", replace=replace), lambda: refuse_existing(path, replace=replace)):
        with pytest.raises(TsfitError) as refused:
            act()
        assert refused.value.code == "cannot_write"
        assert str(path) in refused.value.message
    assert (os.lstat(path).st_mode, os.lstat(path).st_ino) == (before.st_mode, before.st_ino)
    assert not [left for left in tmp_path.iterdir() if left.name.startswith(".tsfit-")]


def test_a_link_is_written_through(tmp_path):
    (tmp_path / "there").mkdir()
    target, link = tmp_path / "there" / "fit.json", tmp_path / "fit.json"
    target.write_text("old")
    link.symlink_to(target)
    with pytest.raises(TsfitError, match="already there"):
        write_new(link, "new")
    assert target.read_text() == "old"
    write_new(link, "new", replace=True)
    assert link.is_symlink()
    assert target.read_text() == "new"
    target.unlink()
    with pytest.raises(TsfitError, match="already there"):
        write_new(link, "newer")
    write_new(link, "newer", replace=True)
    assert link.is_symlink()
    assert target.read_text() == "newer"


BOX = ["box", "closed", "{}", "--qtc", "0.7"]


@pytest.mark.parametrize(
    ("name", "command"),
    [
        ("saltwit-12-sheet.toml", [*BOX, "-o", "{}"]),
        ("saltwit-12-sheet.toml", [*BOX, "--save-box", "{}"]),
        ("saltwit-12-sheet.toml", ["check", "{}", "-o", "{}"]),
        ("saltwit-12b.drift", ["report", "{}", "-o", "{}"]),
    ],
)
def test_what_a_command_reads_it_does_not_write_over(tmp_path, capsys, name, command):
    source = tmp_path / name
    source.write_bytes((SAMPLES / name).read_bytes())
    (tmp_path / "link").symlink_to(source)
    for output in (source, tmp_path / "link"):
        told = [part.replace("{}", str(source)) for part in command[:-1]] + [str(output)]
        assert run([*told, "--replace"]) == 2
        assert "was read for this result" in capsys.readouterr().err
    assert source.read_bytes() == (SAMPLES / name).read_bytes()


@pytest.mark.parametrize("begins", [b"RIFF", b"RF64", b"fLaC", b"FORM", b"OggS", b"caff"])
def test_no_result_replaces_a_recording(tmp_path, begins):
    """Not even one that the command did not read, nor through a link: it cannot be made again."""
    sound, link = tmp_path / "free.wav", tmp_path / "fit.json"
    sound.write_bytes(begins + bytes(range(40)))
    link.symlink_to(sound)
    for path in (sound, link):
        for refused in (
            lambda path=path: write_new(path, "x", replace=True),
            lambda path=path: refuse_existing(path, replace=True),
        ):
            with pytest.raises(TsfitError, match="is a recording") as error:
                refused()
            assert error.value.code == "exists"
    assert sound.read_bytes() == begins + bytes(range(40))


def test_two_results_do_not_go_to_one_file(tmp_path, capsys):
    same = str(tmp_path / "a.json")
    sheet = str(SAMPLES / "saltwit-12-sheet.toml")
    assert run([*(part.replace("{}", sheet) for part in BOX), "-o", same, "--save-box", same]) == 2
    assert "Two results would go to one file" in capsys.readouterr().err
    assert not (tmp_path / "a.json").exists()


@pytest.mark.skipif(os.name == "nt" or os.getuid() != 0, reason="only the system's owner can become somebody else")
def test_an_ordinary_user_and_a_folder_that_is_closed_to_him(tmp_path):
    """Written by another user, in a folder of modes that let him read and not write."""
    folder = tmp_path / "closed"
    folder.mkdir()
    (folder / "there.json").write_text("old")
    folder.chmod(0o555)
    for parent in (tmp_path, *tmp_path.parents):
        if parent.stat().st_mode & 0o001 == 0:
            parent.chmod(parent.stat().st_mode | 0o001)
    program = (
        "import sys, os\nfrom pathlib import Path\n"
        "from tsfit.base.errors import TsfitError\nfrom tsfit.base.files import write_new\n"
        "os.setgid(65534); os.setuid(65534)\n"
        "for name in ('new.json', 'there.json'):\n"
        "    try:\n        write_new(Path(sys.argv[1]) / name, 'x', replace=True)\n"
        "    except TsfitError as error:\n        print(error.code, error.message)\n"
    )
    command = [sys.executable, "-c", program, str(folder)]
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    done = subprocess.run(command, capture_output=True, text=True, check=True, env=environment)
    assert done.stdout.count("cannot_write") == done.stdout.count("ermission denied") == 2, done.stdout + done.stderr
    assert [(path.name, path.read_text()) for path in folder.iterdir()] == [("there.json", "old")]
