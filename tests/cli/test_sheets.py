import json

import pytest

from tsfit.cli.entry import run

NAMES = {"old": "Dunlin 12", "new": "Dunlin 12 S", "far": "Bittern 15"}
FIGURES = 'Re = "5.4 ohm"\nFs = "25 Hz"\nQms = "5"\nQes = "0.42"\nMms = "110 g"\nSd = "520 cm^2"\n'


@pytest.fixture
def files(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")
    for stem, name in NAMES.items():
        head = f'[driver]\nname = "{name}"\n[published]\n{FIGURES}'
        (tmp_path / f"{stem}.toml").write_text(head)
        (tmp_path / f"{stem}-sheet.toml").write_text(f'{head}Xmax = "9 mm"\nPe = "300 W"\n')
    return tmp_path


def rated(capsys, *asked):
    """Exit code, machine form and what was said of a comparison that counts rated power."""
    code = run(["compare", *asked, "--volume-l", "95", "--way", "rated power", "--json"])
    told = capsys.readouterr()
    # What is refused stands in the machine form.
    return code, told.out, " ".join((told.err if code == 0 else told.out).split())


@pytest.mark.parametrize("sheet", ["old", "new"])
def test_a_lone_sheet_goes_to_its_namesake(files, capsys, sheet):
    """The other driver has ratings of its own, so that both are rated only where the sheet goes to the right one."""
    other = {"old": "new", "new": "old"}[sheet]
    drivers = {sheet: f"{sheet}.toml", other: f"{other}-sheet.toml"}
    code, out, err = rated(capsys, drivers["old"], drivers["new"], "--sheet", f"{sheet}-sheet.toml")
    assert (code, "warn" in err) == (0, False)
    assert "rated power" in json.loads(out)["cases"][0]["level_db"]
    assert f"{sheet}-sheet.toml rates {NAMES[sheet]}." in err


def test_a_sheet_without_a_namesake_goes_to_the_only_driver_without_ratings(files, capsys):
    code, out, err = rated(capsys, "old-sheet.toml", "new.toml", "--sheet", "far-sheet.toml")
    assert code == 0
    assert "rated power" in json.loads(out)["cases"][0]["level_db"]
    assert "Dunlin 12 S is rated by far-sheet.toml, the sheet of Bittern 15" in err


@pytest.mark.parametrize(
    ("drivers", "words"),
    [
        (["old.toml", "new.toml"], "none of the drivers has that name; give a --sheet for each driver"),
        (["far.toml", "far-sheet.toml", "old.toml"], "2 of the drivers have that name; give a --sheet for each driver"),
    ],
)
def test_a_sheet_of_nobody_or_of_two_is_refused(files, capsys, drivers, words):
    code, _, err = rated(capsys, *drivers, "--sheet", "far-sheet.toml")
    assert code == 2
    assert words in err


def test_two_sheets_of_one_of_three_are_refused(files, capsys):
    code, _, err = rated(capsys, "old.toml", "new.toml", "far.toml", *["--sheet", "old-sheet.toml"] * 2)
    assert (code, "Dunlin 12 has a sheet already" in err) == (2, True)


def test_as_many_sheets_as_drivers_are_in_their_order(files, capsys):
    code, _, err = rated(capsys, "old.toml", "new.toml", "--sheet", "old-sheet.toml", "--sheet", "far-sheet.toml")
    assert (code, "Dunlin 12 S is rated by far-sheet.toml" in err) == (0, True)
    code, _, err = rated(capsys, "old.toml", "new.toml", "--sheet", "far-sheet.toml", "--sheet", "old-sheet.toml")
    assert (code, "would rate Dunlin 12 S; give the sheets in the order" in err) == (2, True)
