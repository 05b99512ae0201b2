"""Every command in a narrow terminal, without colour, quiet and talkative: over the whole tree, and over real runs."""

import io
import json
import re
import shutil
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import click
import numpy as np
import pytest
from helpers.made_fit import made_driver, made_fit
from helpers.paths import SAMPLES
from helpers.simulated_rig import QUICK_HZ

from tsfit.base.files import to_json
from tsfit.circuit.load import Losses, vented_box
from tsfit.circuit.response import Circuit, impedance
from tsfit.cli import run, tsfit
from tsfit.driver.curve import ImpedanceCurve
from tsfit.formats.curve import write_curve
from tsfit.formats.fit import fit_to_dict

NARROW = 60
ESCAPE = "\x1b"


def _tree(command, path=()):
    yield path, command
    if isinstance(command, click.Group):
        for name in command.list_commands(click.Context(command)):
            yield from _tree(command.get_command(click.Context(command), name), (*path, name))


TREE = dict(_tree(tsfit))
LEAVES = [path for path, command in TREE.items() if not isinstance(command, click.Group)]
RUNS = {
    "fit": "fit curve.txt --coil ladder-2 --candidates --budget",
    "fit bench": "fit samples/saltwit-12-shunt-bench.toml --coil ladder-2",
    "check": "check old.json samples/saltwit-12b-sheet.toml",
    "check lone sheet": "check samples/saltwit-12b-sheet.toml",
    "check lot": "check one.json other.json third.json",
    "drift show": "drift show samples/saltwit-12b.drift",
    "drift change": "drift change samples/saltwit-12b.drift 1 5",
    "drift add": "drift add old.json --log own.drift --hours 0",
    "box baffle": "box baffle old.json",
    "box bandpass": "box bandpass old.json --rear-volume-l 30 --front-volume-l 25 --tuning-hz 50 --port-diameter-cm 12",
    "box closed": "box closed old.json --qtc 0.707 --room-m 5",
    "box design closed": "box design closed old.json --f3-hz 70",
    "box design vented": "box design vented old.json --family B4 --leak-q 10",
    "box design passive": "box design passive old.json --radiator-mass-g 110 --radiator-area-cm2 480 --radiator-fs-hz 15",
    "box design bandpass": "box design bandpass old.json --largest-volume-l 60",
    "box equalise": "box equalise old.json --box box.toml --flat-to-hz 40 --level-db 90",
    "box level": "box level box.toml samples/saltwit-12-sheet.toml --target-db 100 --distance-m 4",
    "box panels": "box panels --volume-l 60 --double-front --braces 1 --cutout-mm 232",
    "box passive": "box passive old.json --volume-l 30 --radiator-mass-g 110 --radiator-area-cm2 330 --radiator-fs-hz 20",
    "box show": "box show box.toml old.json",
    "box vented": "box vented samples/saltwit-12-sheet.toml --volume-l 140 --tuning-hz 22 --port-diameter-cm 10",
    "box verify": "box verify cabinet.txt --driver old.json --box box.toml",
    "compare": "compare old.json other.json --volume-l 30 --way limits --xmax-mm 6 --xmax-mm 8 --rated-power-w 90",
    "report": "report old.json",
    "start": "start new --rig simulated",
    "rig check": "rig check try-it/rig.toml --seconds 2",
    "sweep": "sweep try-it/rig.toml --seconds 2 --no-figure -o sweep.wav",
    "guide": "guide",
    "guide of a topic": "guide mass",
}
NO_RUN = {("devices",), ("heat",), ("travel",), ("rig", "calibrate"), ("drift", "routine"), ("completion",), ("demo",),
          ("try",)}  # fmt: skip
"""They need a sound card, a hand, or many seconds; what they print goes through the same functions. Runs at power have
tests of their own, with what they print."""


class Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A folder with all that the runs read."""
    folder = tmp_path_factory.mktemp("made")
    fit = made_fit()
    driver = fit.driver
    contents = {"old": fit, "other": replace(fit, driver=replace(driver, name="Wagtail 8 B", serial="B 0002", Qes=0.4))}
    for number, (name, fs) in enumerate((("one", 33.0), ("third", 33.6)), start=1):
        contents[name] = made_fit(replace(made_driver(Fs=fs), serial=f"no {number}"))
    for name, content in contents.items():
        (folder / f"{name}.json").write_text(to_json(fit_to_dict(content)))
    frequency = np.geomspace(8.0, 5000.0, 300)
    circuit = Circuit(driver.coil, driver.suspension)
    curve = ImpedanceCurve(frequency, impedance(frequency, driver.values(), circuit))
    write_curve(curve, folder / "curve.txt")
    boxed = impedance(frequency, driver.values(), circuit, vented_box(0.045, 36.0, losses=Losses(leak_q=8.0)))
    write_curve(ImpedanceCurve(frequency, boxed), folder / "cabinet.txt")
    (folder / "box.toml").write_text('kind = "vented"\nvolume_l = 45\ntuning_hz = 33\n[port]\ndiameter_cm = 8\n')
    assert run(["start", str(folder / "try-it"), "--rig", "simulated", "-q"]) == 0
    rig = folder / "try-it" / "rig.toml"
    rig.write_text(rig.read_text().replace("sample_rate_hz = 48000", f"sample_rate_hz = {QUICK_HZ}"))
    return folder


@pytest.fixture(scope="module")
def said():
    """What each run printed into a pipe, by its line."""
    return {}


@pytest.fixture(scope="module")
def fits():
    """Each fit that was made, by what was asked."""
    return {}


@pytest.fixture
def fitted_once(fits, monkeypatch):
    """What is fitted a second time, to be printed otherwise, is the fit of the first time."""
    from tsfit.bench.fit import fit_bench

    def remembered(bench, *, on_step, **asked):
        key = (str(bench), *(f"{name} {value}" for name, value in asked.items()))
        if key not in fits:
            fits[key] = fit_bench(bench, on_step=on_step, **asked)
        return fits[key]

    monkeypatch.setattr("tsfit.bench.fit.fit_bench", remembered)


@pytest.fixture
def folder(made, tmp_path, monkeypatch):
    """That folder, fresh for each run."""
    shutil.copytree(made, tmp_path, dirs_exist_ok=True)
    (tmp_path / "samples").symlink_to(SAMPLES)
    monkeypatch.chdir(tmp_path)
    for name in ("COLUMNS", "NO_COLOR", "FORCE_COLOR"):
        monkeypatch.delenv(name, raising=False)
    return tmp_path


def remove_written(folder):
    shutil.rmtree(folder / "new", ignore_errors=True)
    for path in (folder / "own.drift", folder / "report.html", *folder.glob("sweep.*")):
        path.unlink(missing_ok=True)


def output_of(capsys, line, *more):
    capsys.readouterr()
    assert run([*line.split(), *more]) in {0, 1}
    return capsys.readouterr()


def test_every_command_is_run_here_or_named_as_one_that_is_not():
    run = {next(path for path in sorted(LEAVES, key=len, reverse=True) if tuple(line.split()[: len(path)]) == path)
           for line in RUNS.values()}  # fmt: skip
    assert run | NO_RUN == set(LEAVES)


@pytest.mark.parametrize("path", LEAVES, ids=" ".join)
def test_every_command_that_finds_something_has_a_machine_form(path):
    options = {name for option in TREE[path].params for name in option.opts}
    assert "--json" in options or path == ("completion",)


@pytest.mark.parametrize("path", TREE, ids=" ".join)
def test_quiet_and_verbose_stand_everywhere_and_exclude_each_other(path, capsys):
    options = {name for option in TREE[path].params for name in option.opts}
    assert {"-q", "--quiet", "-v", "--verbose"} <= options
    assert run(["-q", *path, "-v"]) == 2
    assert "exclude each other" in capsys.readouterr().err


@pytest.mark.parametrize("path", TREE, ids=" ".join)
def test_help_fits_a_narrow_terminal(path, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", str(NARROW))
    assert run([*path, "--help"]) == 0
    assert [line for line in capsys.readouterr().out.splitlines() if len(line) > NARROW] == []


@pytest.mark.parametrize("line", RUNS.values(), ids=RUNS)
def test_output_fits_a_narrow_terminal_no_number_is_cut_and_no_colour_is_none(
    line, folder, said, fitted_once, capsys, monkeypatch
):
    said[line] = output_of(capsys, line)
    wide = said[line].out
    remove_written(folder)
    monkeypatch.setenv("COLUMNS", str(NARROW))
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("TERM", "xterm-256color")
    out, err = Terminal(), Terminal()
    monkeypatch.setattr("sys.stdout", out)
    monkeypatch.setattr("sys.stderr", err)
    assert run(line.split()) in {0, 1}
    narrow = out.getvalue()
    assert narrow
    assert ESCAPE not in narrow + err.getvalue()
    assert [text for text in narrow.splitlines() if len(text) > NARROW] == []

    def numbers(text):
        # Fewer remarks have room where lines are short.
        return Counter(re.findall(r"\d[\d.]*", re.sub(r"(?m)^ *(note|warn): (.+\n)+", "", text)))

    # A column that is repeated may show a number twice, but none is missing; the simulated rig has its own noise each time.
    if line.startswith(("rig", "sweep")):
        assert numbers(wide).total() <= numbers(narrow).total()
    else:
        assert numbers(wide) - numbers(narrow) == Counter()


REFUSED = {
    "a file that is not there": ["fit", "-q", "a-folder-whose-name-is-wider-than-a-narrow-terminal-ever-is/a-sweep.txt"],
    "a file that is no fit": ["box", "closed", "box.toml", "--volume-l", "30"],
    "a value that cannot be": ["box", "closed", "old.json", "--qtc", "0.1"],
    "a command that is none": ["measure"],
    "one of several benches": ["fit", "-q", "box.toml", "try-it/bench.toml"],
}


@pytest.mark.parametrize("line", REFUSED.values(), ids=REFUSED)
def test_an_error_is_wrapped_between_words_on_a_narrow_terminal_and_one_line_in_a_pipe(line, folder, capsys, monkeypatch):
    # Where several benches are fitted: in a thread, for each process would load everything once more.
    monkeypatch.setattr("tsfit.bench.batch.processes", ThreadPoolExecutor)
    capsys.readouterr()
    monkeypatch.setenv("COLUMNS", str(NARROW))
    assert run(line) == 2
    piped = capsys.readouterr().err
    assert all(text.startswith("tsfit: ") for text in piped.splitlines())
    err = Terminal()
    monkeypatch.setattr("sys.stderr", err)
    assert run(line) == 2
    shown = err.getvalue()
    assert shown.split() == piped.split()
    assert [text for text in shown.splitlines() if len(text) > NARROW and len(text.split()) > 1] == []
    assert len(shown.splitlines()) > len(piped.splitlines())


def test_the_test_for_escape_codes_can_fail(folder, monkeypatch):
    monkeypatch.setenv("TERM", "xterm-256color")
    out = Terminal()
    monkeypatch.setattr("sys.stdout", out)
    assert run(RUNS["guide of a topic"].split()) == 0
    assert ESCAPE in out.getvalue()


@pytest.mark.parametrize(
    ("name", "hint"),
    [
        ("report", "open it in a browser"),
        ("start", "NEXT.txt"),
        ("fit bench", "more remark"),
        ("check lot", "measure 5 or more"),
        ("box equalise", "--full adds"),
    ],
)
def test_quiet_leaves_the_results(name, hint, folder, said, fitted_once, capsys):
    plain = (said.get(RUNS[name]) or output_of(capsys, RUNS[name])).out
    remove_written(folder)
    quiet = output_of(capsys, RUNS[name], "--quiet").out
    assert hint.lower() in plain.lower().replace("\n", " ")
    assert hint.lower() not in quiet.lower() or name == "start"
    assert len(quiet) < len(plain)
    assert set(quiet.splitlines()) <= set(plain.splitlines())


def test_verbose_tells_what_was_read_used_tried_and_written(folder, said, capsys):
    line = RUNS["fit bench"]
    plain = said.get(line) or output_of(capsys, line)
    talking = output_of(capsys, line, "-v", "-o", "new.json")
    told = [text for text in plain.out.splitlines() if "more remark" not in text]
    assert set(told) <= set(talking.out.splitlines())
    assert plain.err == ""
    for said in (
        "read samples/saltwit-12-shunt-bench.toml",
        "free-air.flac",
        "points used",
        "tried coil ladder-2",
        "wrote new",
    ):
        assert said in talking.err, said


def test_verbose_leaves_the_machine_form_alone(folder, capsys):
    out, err = output_of(capsys, RUNS["box closed"], "--json", "--verbose")
    assert json.loads(out)["enclosure"] == "closed"
    assert "read old.json" in err
