"""A finished box and a cut list on a page: the numbers of the files that they are made from."""

import json
from pathlib import Path

import pytest
from helpers.read_page import words_of


@pytest.fixture(scope="module")
def files(page_files):
    return {path.name: path for path in page_files}


def test_a_finished_box_is_held_against_its_plan(files):
    words = words_of(files["built.json"])
    # Made with 36 Hz, planned with 33.
    assert "Not as planned: fb 36 Hz instead of 33" in words
    assert "mm longer" in words
    built = next(one for one in json.loads(files["built.json"].read_text())["comparisons"] if one["name"] == "fb")
    assert (built["planned"], built["built"]["value"]) == pytest.approx((33.0, 36.0), rel=0.01)


def test_boards_are_listed_with_what_endangers_fingers(files):
    words = words_of(files["boards.json"])
    boards = json.loads(Path(files["boards.json"]).read_text())["panels"]
    assert "Cut list" in words
    assert "guard the blade" in words
    for board in boards:
        assert f"{board['name']} {board['count']} {board['length_mm']:.1f} {board['width_mm']:.1f}" in words
