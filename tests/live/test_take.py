"""What is taken away is what the page showed: the commands give the same numbers, to the last digit that is shown."""

import csv
import os
import re
import shlex

import pytest
from helpers.tried import random_states, two_drivers

from tsfit.base.errors import TsfitError
from tsfit.base.files import to_json
from tsfit.box.file import read_box
from tsfit.cli import run
from tsfit.formats.fit import fit_to_dict
from tsfit.live.shown import show
from tsfit.live.state import PageState, SectionState
from tsfit.live.take import TAKES, command_lines

STATES = int(os.environ.get("TSFIT_STATES", "10"))
DRIVERS = two_drivers()
VENTED = PageState(kind="vented", values={"volume_l": 60, "tuning_hz": 31, "port.diameter_cm": 8})
SECTION = SectionState(kind="peaking", frequency_hz=40, q=1.2, gain_db=3)
EQUALISED = VENTED.model_copy(update={"sections": [SECTION]})


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """Where the fit lies that the commands name."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "300")
    (tmp_path / "fit.json").write_text(to_json(fit_to_dict(DRIVERS[0].fit)))
    return tmp_path


def owned_by_nobody(text):
    """The same without whose the limits are: a command states the ratings that the page has of a sheet."""
    return re.sub(r",? as (printed|stated)\b", "", text).replace(" and Pe ", ", Pe ")


def test_the_commands_give_the_numbers_of_the_page(folder, capsys):
    agreed = 0
    for state in random_states(STATES, DRIVERS):
        try:
            shown, box = show(state, DRIVERS[:1]), TAKES["box"](state, DRIVERS[:1], DRIVERS[0])
        except TsfitError:
            continue
        (folder / "box.toml").write_text(box.content)
        printed = ""
        for line in command_lines(state, DRIVERS[:1]):
            assert run(shlex.split(line)[1:]) == 0, line
            printed += capsys.readouterr().out
        lines = [" ".join(line.split()) for line in printed.splitlines()]
        one = shown.drivers[0]
        for sentence in (*(told for told in one.sentences if not told.startswith("Price")), *one.notes):
            assert owned_by_nobody(sentence) in owned_by_nobody(" ".join(lines)), (state, line)
        for row in zip(*one.table.values(), strict=True):
            assert " ".join(row) in lines, (state, row)
        agreed += 1
    assert agreed > 0.4 * STATES


def test_ratings_of_a_sheet_go_with_the_command():
    (line, *_) = command_lines(VENTED, DRIVERS)
    assert line.startswith("tsfit box vented ./fit.json ")
    assert all(option in line for option in ("--volume-l 60", "--port-diameter-cm 8", "--xmax-mm 6", "--rated-power-w 120"))


def test_only_a_box_file_tells_its_air():
    with_air = VENTED.model_copy(update={"values": {**VENTED.values, "air.temperature_c": 30.0}})
    assert command_lines(with_air, DRIVERS)[0].startswith("tsfit box show box-1.toml ./fit.json")


def test_the_box_file_is_that_of_the_page(folder):
    taken = TAKES["box"](VENTED, DRIVERS[1:], DRIVERS[1])
    (folder / taken.name).write_text(taken.content)
    assert read_box(folder / taken.name) == VENTED.plan
    # Found by its Qtc, a box is one of wood.
    found = TAKES["box"](PageState(kind="closed", values={"qtc": 0.8}), DRIVERS, DRIVERS[1]).content
    assert "volume_l" in found
    assert "Qtc 0.8 with Dipper 8" in found


def test_pages_hold_every_driver_and_the_boards():
    page = TAKES["report"](EQUALISED, DRIVERS, DRIVERS[0]).content
    assert all(name in page for name in ("Wagtail 8, vented box", "Dipper 8, vented box", "Section 1: peaking 40 Hz"))
    boards = TAKES["boards"](VENTED, DRIVERS, DRIVERS[0]).content
    assert "Boards for 60 l" in boards
    with pytest.raises(TsfitError, match="one chamber"):
        TAKES["boards"](PageState(kind="baffle"), DRIVERS, DRIVERS[0])


def test_coefficients_are_those_of_the_section():
    taken = TAKES["coefficients"](EQUALISED, DRIVERS, DRIVERS[0])
    rows = list(csv.DictReader(taken.content.splitlines()))
    assert [row["rate_hz"] for row in rows] == ["44100", "48000", "96000"]
    # At the lowest frequency a peaking section lets everything through as it is.
    for row in rows:
        b, a = (sum(float(row[key]) for key in keys) for keys in (("b0", "b1", "b2"), ("a1", "a2")))
        assert b == pytest.approx(1.0 + a, rel=1e-6)
    with pytest.raises(TsfitError, match="add one first"):
        TAKES["coefficients"](VENTED, DRIVERS, DRIVERS[0])
