"""A hundred slips of the finger: each is answered in one sentence that holds the right spelling or the remedy."""

import shutil

import click
import pytest
from helpers.paths import ROOT

from tsfit.cli import run, tsfit
from tsfit.cli.commands import COMMANDS


def slips(word):
    """Two neighbours swapped, one letter lost, one doubled, in the middle of the word."""
    body, at = word.lstrip("-"), len(word.lstrip("-")) // 2
    dashes = word[: len(word) - len(body)]
    return [dashes + body[: at - 1] + body[at] + body[at - 1] + body[at + 1 :], dashes + body[:at] + body[at + 1 :]]


def _options():
    for name in COMMANDS:
        command = tsfit.get_command(None, name)
        paths = [((name,), command)]
        if isinstance(command, click.Group):
            paths = [((name, sub), child) for sub, child in command.commands.items()]
        for path, child in paths:
            longest = [max(option.opts, key=len) for option in child.params if isinstance(option, click.Option)]
            for option in [one for one in longest if len(one) > 6][:3]:
                yield path, option, slips(option)[0]


WORDS = [(name, slip) for name in COMMANDS for slip in slips(name) if slip != "ift"]
OPTIONS = list(_options())
BENCH = """rig = "rig.toml"
[driver]
name = "Bittern 12"
effective_diameter_cm = 25.8
[[sweep]]
recording = "free-air.wav"
state = "free air"
[[sweep]]
recording = "mass.wav"
state = "added mass"
mass_g = 40.0
"""
KEYS = [
    ("bench.toml", BENCH, "fit", old, new)
    for old, new in [
        ("effective_diameter_cm", "efective_diameter_cm"), ("recording", "recordng"), ("state = ", "sate = "),
        ("mass_g", "mas_g"), ('"free air"', '"free-air"'), ('"added mass"', '"add mass"'), ("[driver]", "[drvier]"),
        ("[[sweep]]", "[[sweeps]]"), ("rig = ", "rgi = "), ("name", "nmae"),
    ]
]  # fmt: skip
SHEET = (ROOT / "sample_data" / "saltwit-12-sheet.toml").read_text()
KEYS += [
    ("sheet.toml", SHEET, "check", old, new)
    for old, new in [("[published]", "[publishd]"), ("Vas", "Vaas"), ("Qts", "Qst"),
                     ("sensitivity_2V83", "sensitivity_2v38"), ("Fs", "Fz"), ("Bl", "BI"), ("Cms", "Csm")]
]  # fmt: skip
RIG = (ROOT / "rigs" / "simulated.toml").read_text()
KEYS += [
    ("rig.toml", RIG, "rig check", old, new)
    for old, new in [("topology", "topolgy"), ('"divider"', '"devider"'), ("reference_ohm", "referenc_ohm"),
                     ("total", "totl"), ("[channels]", "[chanels]"),
                     ("impedance_ohm", "impedance_ohms"), ("sample_rate_hz", "samplerate_hz"),
                     ("level_dbfs", "level_dbsf")]
]  # fmt: skip
UNITS = [
    ("Vas", "140 l", "140 litr"), ("Vas", "140 l", "140 cubicfeet"), ("Re", "5.1 ohm", "5.1 omh"),
    ("Fs", "25.6 Hz", "25.6 Herz"),
    ("Bl", "13.5 T*m", "13.5 Tm2"), ("Mms", "97 g", "97 gramm"), ("Cms", "0.40 mm/N", "0.40 mm/n"),
    ("Sd", "515 cm^2", "515 cm^4"),
    ("Xmax", "6 mm", "6 mn"), ("Pe", "200 W", "200 Watts"), ("Sd", "80 in2", "80 sqin"), ("Fs", "25.6 Hz", "25.6"),
]  # fmt: skip
FILES = [("fit", "bnech.toml", "bench.toml"), ("check", "shet.toml", "sheet.toml"), ("rig check", "rigg.toml", "rig.toml"),
         ("box closed", "drivr.toml", "driver.toml"), ("sweep", "rig.tml", "rig.toml")]  # fmt: skip


@pytest.fixture
def folder(tmp_path, monkeypatch):
    (tmp_path / "bench.toml").write_text(BENCH)
    (tmp_path / "sheet.toml").write_text(SHEET)
    (tmp_path / "rig.toml").write_text(RIG)
    shutil.copytree(ROOT / "rigs" / "drivers", tmp_path / "drivers")
    shutil.copy(ROOT / "rigs" / "drivers" / "dunlin-10.toml", tmp_path / "driver.toml")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def answered(capsys, arguments):
    assert run(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert "itself failed" not in err
    return err


def test_there_are_a_hundred():
    assert len(WORDS) + len(OPTIONS) + len(KEYS) + len(UNITS) + len(FILES) >= 100


@pytest.mark.parametrize(("word", "slip"), WORDS)
def test_commands(word, slip, capsys):
    assert repr(word) in answered(capsys, [slip])


@pytest.mark.parametrize(("path", "option", "slip"), OPTIONS)
def test_options(path, option, slip, capsys):
    assert option in answered(capsys, [*path, slip])


@pytest.mark.parametrize(("command", "slip", "name"), FILES)
def test_files(folder, command, slip, name, capsys):
    extra = ["--qtc", "0.8"] if command == "box closed" else []
    err = answered(capsys, [*command.split(), slip, *extra])
    assert slip in err
    assert name in err


@pytest.mark.parametrize(("file", "text", "command", "old", "new"), KEYS)
def test_keys_and_words_in_files(folder, file, text, command, old, new, capsys):
    assert old in text
    (folder / file).write_text(text.replace(old, new, 1))
    err = answered(capsys, [*command.split(), file])
    assert file in err
    assert old.strip('[]"= ') in err


@pytest.mark.parametrize(("figure", "good", "slip"), UNITS)
def test_units(folder, figure, good, slip, capsys):
    (folder / "sheet.toml").write_text(f'[driver]\nname = "x"\n[published]\n{figure} = "{slip}"\n')
    err = answered(capsys, ["check", "sheet.toml"])
    assert figure in err
    assert good.split()[-1] in err


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("guide box", "There is no guide 'box'; did you mean 'boxes'?"),
        ("guide nonsense", "There is no guide 'nonsense'; tsfit guide lists them."),
        ("help", "'help' is not a command of tsfit; tsfit --help lists them."),
        ("box help", "'help' is not a command of tsfit box; tsfit box --help lists them."),
        ("box new.json", "'new.json' is not a command of tsfit box; a file comes after one of baffle, "),
    ],
)
def test_what_is_asked_for_in_other_words_is_pointed_to(line, words, capsys):
    assert run(line.split()) == 2
    assert words in capsys.readouterr().err
