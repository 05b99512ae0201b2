"""The command lines of README and guides do what they say, in their order, without hardware."""

import io
import re
import shlex
import shutil
from pathlib import Path

import pytest
from helpers.paths import ROOT, SAMPLES
from helpers.simulated_rig import quicker

from tsfit.cli import run
from tsfit.cli.guide import FOLDER, TOPICS

GUIDES = [FOLDER / f"{topic}.md" for topic in TOPICS]
LINES = [
    line
    for text in (ROOT / "README.md", *GUIDES)
    for block in re.findall(r"^```sh\n(.*?)^```$", text.read_text(), re.MULTILINE | re.DOTALL)
    for line in block.replace("\\\n", "").splitlines()
    if line.startswith("tsfit ")
]
INSTEAD = {
    "--hours 24 --interval-h 2": "--hours 1 --interval-h 1",
    "--seconds 4 ": "--seconds 2 ",
    "sample_data/saltwit-12-bench.toml --hold": "sample_data/saltwit-12-shunt-bench.toml --hold",
    "sample_data/saltwit-12-bench.toml sample_data/saltwit-12b-bench.toml": "try-it/bench.toml try-it/second.toml",
    "verify cabinet.txt": "verify sample_data/recordings/saltwit-12b-box.flac --rig sample_data/rig-divider.toml",
}
"""What makes a line quicker, or stands for a measurement of the reader's own, and leaves every option of it in place."""
SHORT_SWEEP = ["--seconds", "2", "--no-figure"]
ONE_MODEL = ["--coil", "ladder-2", "--suspension", "ideal"]
ANSWERS = {
    "tsfit sweep rigs/simulated.toml --guided": "dunlin-bench\nDunlin 10\n21\n\n40\n30\n",
    "tsfit sweep calibrated.toml --guided": "\nDunlin 10\n21\n\n30\n0\n",
    "tsfit drift routine": "y\n" * 5,
    "tsfit rig calibrate": "\n" * 9,
}
"""What the reader types where a command asks."""
SHARED = ("tsfit fit sample_data/saltwit-12-bench.toml -o", "tsfit fit sample_data/saltwit-12b-bench.toml -o")
ELSEWHERE = ("tsfit devices", "tsfit demo")
"""The one needs a sound card; the other is played once for all tests, and judged in cli/fit/test_command.py."""


def own_files(folder: Path) -> None:
    """Put what the README calls the reader's own files where its lines expect them, as soon as they can be had."""
    (folder / "fits").mkdir(exist_ok=True)
    for copy, source in {
        **dict.fromkeys(("1.json", "2.json", "3.json", "4.json", "later.json"), "new.json"),
        "fresh.json": "new.json",
        "cabinet.toml": "box.toml",
        "sheet.toml": "sample_data/saltwit-12b-sheet.toml",
        "old-sheet.toml": "sample_data/saltwit-12-sheet.toml",
        "try-it/second.toml": "try-it/bench.toml",
    }.items():
        if (folder / source).is_file() and not (folder / copy).exists():
            shutil.copy(folder / source, folder / copy)


@pytest.fixture
def checkout(tmp_path, monkeypatch):
    for name in ("sample_data", "rigs"):
        shutil.copytree(ROOT / name, tmp_path / name, ignore=shutil.ignore_patterns("__pycache__"))
    monkeypatch.chdir(tmp_path)
    quicker(tmp_path / "rigs/simulated.toml")
    return tmp_path


@pytest.fixture
def fitted_once(monkeypatch, sample_fit):
    """A plain fit of a bench of sample_data is the one that all tests share: the circuit looked for, nothing asked."""
    from tsfit.bench import fit as module

    real, made = (
        module.fit_bench,
        {SAMPLES / f"{stem}-bench.toml": sample_fit(stem) for stem in ("saltwit-12", "saltwit-12b")},
    )

    def fit_bench(path, **asked):
        return made.get(SAMPLES / path.name if path.parent.name == "sample_data" else path) or real(path, **asked)

    monkeypatch.setattr(module, "fit_bench", fit_bench)


def test_every_line_runs(checkout, fitted_once, monkeypatch, capsys):
    monkeypatch.setattr("os.cpu_count", lambda: 1)  # each process loads everything once more
    failed = []
    for line in LINES:
        for written, instead in INSTEAD.items():
            line = line.replace(written, instead)
        if line.startswith(ELSEWHERE):
            continue
        own_files(checkout)
        words = shlex.split(line, comments=True)[1:]
        if ">" in words:
            words = words[: words.index(">")]
        if words[0] == "sweep" and "--seconds" not in words:
            words += SHORT_SWEEP[:2] if "--guided" in words else SHORT_SWEEP
        if words[0] == "fit" and "--coil" not in words and not line.startswith(SHARED):
            # The simulated driver has a plain coil: of a rung it does not have, nothing can be told.
            words += [*ONE_MODEL[:1], "simple", *ONE_MODEL[2:]] if "try-it" in line or "bench/bench" in line else ONE_MODEL
        answer = next((text for start, text in ANSWERS.items() if line.startswith(start)), "")
        monkeypatch.setattr("sys.stdin", io.StringIO(answer))
        code = run(words)
        if words[0] == "start":
            quicker(checkout / words[1] / "rig.toml")
        err = capsys.readouterr().err
        if code not in (0, 1):
            failed.append((line, code, err.strip()))
    assert not failed


def test_every_guide_is_listed_and_told_of():
    assert {path.name for path in FOLDER.glob("*.md")} == {path.name for path in GUIDES}
    readme = (ROOT / "README.md").read_text()
    assert all(f"`{topic}`" in readme.split("## Where to read on")[1] for topic in TOPICS)
    assert len(readme.splitlines()) <= 220
