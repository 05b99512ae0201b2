"""Ten seconds of a reader: what each command is asked is answered in its first six lines, on a short screen."""

import re

import pytest
from helpers.paths import SAMPLES

from tsfit.base.files import to_json
from tsfit.cli import run
from tsfit.formats.fit import fit_to_dict

FIRST = 6
OLD, NEW = (str(SAMPLES / f"saltwit-12{mark}-sheet.toml") for mark in ("", "b"))
LOG, TRAVEL = str(SAMPLES / "saltwit-12b.drift"), str(SAMPLES / "saltwit-12b-travel.json")
SHEETS = ("--sheet", OLD, "--sheet", NEW)
ANSWERED = {
    "is the sheet true, and what now": (("check", "new.json", NEW), 25, ("outside; Qts", "weaker motor", "Send it back")),
    "is the other sheet true": (("check", "old.json", OLD), 25, ("inside; all 15", "can be cut as planned")),
    "is the printed travel true": (("check", "new.json", NEW, "--travel", TRAVEL), 25, ("Xmax -12", "10 % distortion")),
    "does a planned box hold, and the printed travel": (
        ("check", "new.json", NEW, "--travel", TRAVEL, "--box", "box.toml"), 25, ("Xmax -12",),
    ),
    "does the sheet agree with itself": (("check", NEW), 25, ("agree with each other",)),
    "what does the new sheet promise over the old": (("check", OLD, NEW), 25, ("3.7 dB more level", "same watts")),
    "how large and how low is a closed box": (("box", "closed", "new.json", "--qtc", "0.707"), 20, ("46.5 l", "f3 56")),
    "how loud is it and what stops it": (
        ("box", "closed", "new.json", "--qtc", "0.707", "--sheet", NEW), 20,
        ("98 dB at 25 Hz (travel)", "100 Hz (power). Limits: Xmax 9 mm and Pe 400 W, as printed."),
    ),
    "how loud by the travel that was measured": (
        ("box", "closed", "new.json", "--qtc", "0.707", "--sheet", NEW, "--travel", TRAVEL), 21,
        ("95 dB at 25 Hz (travel)", "Limits: Xmax 6.61 mm as measured, Pe 400 W as printed."),
    ),
    "how loud by travel alone": (
        ("box", "closed", "new.json", "--qtc", "0.707", "--xmax-mm", "9"), 20,
        ("By travel alone", "122 dB at 100 Hz; heat not counted: 64.9 V at 100 Hz would be 1.16 kW", "--rated-power-w"),
    ),
    "how loud by power alone": (
        ("box", "closed", "new.json", "--qtc", "0.707", "--rated-power-w", "400"), 20,
        ("By power alone", "travel not counted: 38.1 V at 25 Hz would move the cone 16 mm", "--xmax-mm"),
    ),
    "is that Qtc meant": (("box", "closed", "new.json", "--qtc", "5"), 25, ("A Qtc of 5 is hardly meant",)),
    "is that Qtc meant, of a decimal point": (
        ("box", "closed", "new.json", "--qtc", "7.07"), 25, ("warn: A Qtc of 7.07 is hardly meant",),
    ),
    "is that tuning meant": (
        ("box", "vented", "new.json", "--volume-l", "60", "--tuning-hz", "120"), 25,
        ("A tuning of 120 Hz is hardly meant",),
    ),
    "how loud is a low vented one": (
        ("box", "vented", "new.json", "--volume-l", "95", "--tuning-hz", "22", "--port-diameter-cm", "10", "--sheet", NEW),
        25, ("port 10.0 cm", "(port speed)"),
    ),
    "which volume gives that f3": (
        ("box", "design", "closed", "old.json", "--f3-hz", "50"), 20, ("31.5 l", "careful builder"),
    ),
    "which vented box within a volume, and its port": (
        ("box", "design", "vented", "new.json", "--largest-volume-l", "80", "--sheet", NEW), 20,
        ("75.3 l", "cm across", "f6 (-6 dB)", "Loudest at 1 m"),
    ),
    "the same without a rating": (
        ("box", "design", "vented", "new.json", "--largest-volume-l", "80"), 20,
        ("80.0 l", "A port 10 cm across would be"),
    ),
    "which driver in one box": (
        ("compare", "old.json", "new.json", "--qtc", "0.707", *SHEETS), 25,
        ("2.8 dB louder at 25 and 50 Hz", "Take Saltwit 12 B for level", "70.1 l"),
    ),
    "which driver below 30 Hz, at equal power": (
        ("compare", "old.json", "new.json"), 25, ("quieter at 25 Hz", "cross near"),
    ),
    "which driver in one box, by what is printed": (
        ("compare", "old.json", "new.json", "--volume-l", "60", *SHEETS), 25,
        ("with travel and power as printed", "2.8 dB louder at 25 and 50 Hz", "Saltwit 12 has the lower f3, but"),
    ),
    "which driver in one box, by what was measured": (
        ("compare", "old.json", "new.json", "--volume-l", "60", *SHEETS, "--travel", TRAVEL), 25,
        ("with the printed travel of Saltwit 12 and printed power of both", "as loud at 25 and 50 Hz", "for level above 7"),
    ),
    "which driver in one box, without ratings": (
        ("compare", "old.json", "new.json", "--volume-l", "60"), 25,
        ("cross near 21 and 70 Hz", "Maximum level not told", "--sheet names"),
    ),
    "is break-in over": (("drift", "show", LOG), None, ("compliance (Cms) changed by +15.0 %", "has settled", "0 to 36 h")),
    "what did four hours move": (("drift", "change", LOG, "1", "5"), None, ("0 h to 4 h: compliance (Cms +7.0 %)",)),
}  # fmt: skip
"""By question: the command, the most lines on a screen (none stated: any), and what of the answer stands at the top."""


@pytest.fixture(scope="module")
def read(sample_fit, tmp_path_factory):
    """A folder with all that the commands read; they write nothing."""
    folder = tmp_path_factory.mktemp("read")
    for name, stem in (("old", "saltwit-12"), ("new", "saltwit-12b")):
        (folder / f"{name}.json").write_text(to_json(fit_to_dict(sample_fit(stem))))
    (folder / "box.toml").write_text('kind = "closed"\nvolume_l = 46.5\n')
    return folder


@pytest.mark.parametrize("columns", [80, 100])
@pytest.mark.parametrize(("line", "most", "told"), ANSWERED.values(), ids=ANSWERED)
def test_the_question_is_answered_first(line, most, told, columns, read, capsys, monkeypatch):
    monkeypatch.chdir(read)
    monkeypatch.setenv("COLUMNS", str(columns))
    assert run([*line]) in {0, 1}
    lines = capsys.readouterr().out.splitlines()
    top = " ".join(" ".join(lines[:FIRST]).split())
    assert [part for part in told if part not in top] == []
    assert most is None or len(lines) <= most
    text = "\n".join(lines)
    assert re.findall(r"\d[eE][-+]\d|[-−]0\.0+\b(?!\d)|\b(?:nan|inf)\b", text) == []
    # Nobody believes a fifth digit.
    assert re.findall(r"(?<![\d.])0\.0*[1-9]\d{4,}|(?<![\d.])[1-9]\d*\.\d{4,}", text) == []


@pytest.mark.parametrize("columns", [80, 100])
def test_a_fit_of_the_sample_bench_fits_on_a_screen(columns, sample_fit, capsys, monkeypatch, tmp_path):
    found = sample_fit("saltwit-12")
    monkeypatch.setattr("tsfit.bench.fit.fit_bench", lambda *_, **__: found)
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.chdir(tmp_path)
    assert run(["fit", str(SAMPLES / "saltwit-12-bench.toml"), "-o", "old.json", "--plot", "fit.png"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) <= 25
    assert lines[-1].startswith("Written:")
    assert re.match(r"Saltwit 12: Fs 26\.\d+ ± 0\.\d+ Hz, Qts 0\.40\d+ ± ", lines[0])
    assert len([line for line in lines if line.startswith(("note", "warn"))]) <= 3
