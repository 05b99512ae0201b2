"""Options that several commands share, by what they do to level and limits."""

import functools
import json
import math
import re

import pytest
from helpers.heron import DRIVER


def test_a_wiring_of_two_coils(tsfit, tmp_path):
    path = tmp_path / "dual.toml"
    path.write_text(DRIVER.replace("[driver]\n", '[driver]\nwiring = "series"\n'))
    levels = []
    for wiring in ("series", "parallel"):
        code, out, err = tsfit("baffle", str(path), "--wiring", wiring, "--json")
        assert code == 0, err
        levels.append(json.loads(out)["design"]["reference_db"])
    assert levels[1] - levels[0] == pytest.approx(20.0 * math.log10(2.0), abs=1e-6)


def test_a_wiring_for_a_driver_that_states_none(tsfit, heron):
    code, _, err = tsfit("baffle", heron, "--wiring", "parallel")
    assert code == 2
    assert "state that in its bench, sheet or driver file" in " ".join(err.split())


def test_an_amplifier_in_watts(tsfit, heron):
    ratings = ("--amplifier-w", "200", "--amplifier-load-ohm", "4", "--json")
    code, out, err = tsfit("baffle", heron, *ratings)
    assert code == 0, err
    assert "amplifier voltage" in json.loads(out)["limited_by"]
    code, _, err = tsfit("baffle", heron, "--amplifier-w", "200")
    assert code == 2
    assert "give both the watts and the ohms" in " ".join(err.split())


def test_the_air_of_the_box_is_told_by_options(tsfit, heron):
    """Vas = ρc²·Cms·Sd², which is γp: at 700 hPa it is 700/1013.25 of what it is at sea level (ideal gas)."""
    asked = ("closed", heron, "--volume-l", "40", "--temperature-c", "20", "--json")
    alpha = [json.loads(tsfit(*asked, *more)[1])["design"]["alpha"] for more in ((), ("--pressure-hpa", "700"))]
    assert alpha[1] / alpha[0] == pytest.approx(700.0 / 1013.25, rel=2e-3)
    code, _, err = tsfit(*asked[:-1], "--pressure-hpa", "7")
    assert code == 2
    assert "air pressure: 7 hPa cannot be" in err


SHEET = DRIVER.replace("[parameters]", "[published]") + 'Pe = "60 W"\n'
SHOWS_LOUDNESS = {
    ("closed",): ("--volume-l", "35"),
    ("baffle",): (),
    ("design", "closed"): ("--volume-l", "35"),
    ("show",): ("box.toml",),
    ("level",): ("box.toml", "--target-db", "95"),
    ("equalise",): ("--box", "box.toml", "--section", "peaking 40 Hz, Q 1.2, +3 dB"),
}


@pytest.mark.parametrize("words", SHOWS_LOUDNESS)
def test_every_option_that_a_command_names_as_a_remedy_is_its_own_and_helps(words, tsfit, tmp_path, monkeypatch):
    """Of a driver without ratings, with one of them, and with a sheet."""
    from tsfit.cli.box.group import box

    monkeypatch.chdir(tmp_path)
    (tmp_path / "driver.toml").write_text(DRIVER.replace('Xmax = "6 mm"\n', ""))
    (tmp_path / "sheet.toml").write_text(SHEET)
    (tmp_path / "box.toml").write_text('kind = "closed"\nvolume_l = 35\n')
    given = SHOWS_LOUDNESS[words]
    first = given[:1] if words in (("show",), ("level",)) else ()
    asked = (*words, *first, "driver.toml", *given[len(first) :])
    command = functools.reduce(lambda group, word: group.commands[word], words, box)
    own = {flag for option in command.params for flag in option.opts}
    for rated in ((), ("--xmax-mm", "5"), ("--rated-power-w", "60")):
        code, out, err = tsfit(*asked, *rated)
        assert code == 0, err
        named = set(re.findall(r"--[a-z][a-z-]+", out))
        assert named >= {"--sheet"}
        assert named <= own
    for helped in (("--xmax-mm", "5", "--rated-power-w", "60"), ("--sheet", "sheet.toml")):
        code, out, err = tsfit(*asked, *helped)
        assert code == 0, err
        assert "--sheet" not in out


def test_what_a_comparison_lacks_can_be_given_to_it():
    from tsfit.cli.compare import LACKING, compare

    own = {flag for option in compare.params for flag in option.opts}
    assert set(re.findall(r"--[a-z][a-z-]+", " ".join(LACKING.values()))) <= own


@pytest.mark.parametrize("name", ["Heron 10", "heron  10", "Bittern 12", "Heron 10 B"])
def test_a_sheet_of_another_name_is_said(tsfit, heron, tmp_path, name):
    """Its ratings count, for types are written in many ways; that it is the same driver is taken on trust."""
    (tmp_path / "other.toml").write_text(f'[driver]\nname = "{name}"\n[published]\nXmax = "6 mm"\nPe = "60 W"\n')
    code, out, err = tsfit("closed", heron, "--qtc", "0.8", "--sheet", str(tmp_path / "other.toml"), "--json")
    assert code == 0, err
    told = [note["message"] for note in json.loads(out)["notes"] if note["severity"] == "warn"]
    same = name.split()[0].lower() == "heron" and not name.endswith("B")
    assert any(f"the sheet of {name}, not of Heron 10" in sentence for sentence in told) is not same
    code, out, err = tsfit("closed", heron, "--qtc", "0.8", "--sheet", str(tmp_path / "other.toml"))
    assert out.startswith("warn: Travel and power are those of the sheet of") is not same
