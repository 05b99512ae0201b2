"""A finished box and a cut list on a page: the numbers of the files that they are made from."""

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
from helpers.boxes import closed_box, vented_box
from helpers.read_page import words_of

from tsfit.box.result import box_form
from tsfit.driver.record import Driver
from tsfit.report.box import box_part
from tsfit.report.page import make_page

OWL = Driver("Owl 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346, Xmax=0.006)


@pytest.fixture(scope="module")
def files(page_files):
    return {path.name: path for path in page_files}


def test_a_planned_box_answers_with_its_size_its_loudness_and_one_picture(files):
    form = json.loads(files["box.json"].read_text())
    page = make_page([files["fit.json"], files["box.json"]])
    first = page.split("<details")[0]
    assert f"{form['design']['volume_l']:.1f} l, f3 {form['design']['f3_hz']:.1f} Hz" in first
    assert ("Loudest at 1 m in half space" in first) == (form["max_spl_db"] is not None)
    assert first.count("<figure") == 1
    # Beside a comparison, whose picture it is.
    both = make_page([files["box.json"], files["compare.json"]]).split("<details")[0]
    assert both.count("<figure") == 1
    assert f"{form['design']['volume_l']:.1f} l, f3" in both


def test_the_page_names_what_stops_the_loudest_and_what_rings():
    kinked = replace(OWL, suspension_values={"Fp1": 640.0, "mp1": 0.05, "Qp1": 3.0})
    form = box_form(closed_box(kinked, qtc=0.707, voltage=2.83, ratings={"power_w": 150.0}))
    assert set(form.limited_by) == {"travel", "power"}
    part = box_part(form, "owl")
    assert part.answer[0].text.endswith("Limits: Xmax 6 mm as printed, Pe 150 W as stated.")
    pictures = [block.picture for block in (*part.answer, *part.box) if block.picture is not None]
    assert len(pictures) == 2
    for one in pictures:
        written = re.findall(r">([^<]+)</text>", one.svg)
        assert {"travel", "power", "cone rings, 640 Hz"} <= set(written)
        assert "the row under the loudest names what stops it" in one.caption
        assert "The kink near 640 Hz is a part of the cone" in one.caption
    bare = box_part(box_form(closed_box(replace(OWL, Xmax=None), qtc=0.707, voltage=2.83)), "bare")
    assert not any(
        "stops" in block.picture.caption or "kink" in block.picture.caption
        for block in (*bare.answer, *bare.box)
        if block.picture is not None
    )


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


@pytest.mark.parametrize(
    "box", [closed_box(OWL, volume=0.04), vented_box(OWL, volume=0.06, tuning=31.0, port_diameter=0.08)]
)
def test_the_table_of_a_box_speaks_the_words_of_a_reader(box):
    """Nobody reads "qtc circuit" or "excursion max": the keys of the machine form without their lines."""
    (words,) = [block.rows for block in box_part(box_form(box), "owl").box if block.kind == "table"]
    labels = [label for label, _ in words]
    assert {"Vas / volume", "largest travel at, Hz"} <= set(labels)
    assert ("Qtc of the circuit" in labels) == (box.enclosure.kind == "closed")
    assert [label for label in labels if re.search(r"\b(qtc|fc circuit|alpha|h|fs|excursion|max)\b", label)] == []
