"""A fit, a judged sheet and a planned box on a page: the numbers of their files, rounded as a reader wants them."""

import json

from helpers.read_page import words_of


def of(page_files, name):
    (path,) = (path for path in page_files if path.name == name)
    return path, words_of(path)


def test_a_fit_with_its_remarks(page_files):
    _, words = of(page_files, "fit.json")
    # As made_fit.py made it: Fs 33.9 Hz to 0.2 %, which is 0.068 Hz.
    assert "33.90" in words
    assert "0.07" in words
    assert "Hum at 50 Hz in sweep 1." in words


def test_a_judged_sheet(page_files):
    path, words = of(page_files, "check.json")
    outside = [item["name"] for item in json.loads(path.read_text())["figures"] if item["verdict"] == "outside"]
    assert outside == ["Qts"]
    assert "Outside: Qts" in words


def test_a_planned_box(page_files):
    path, words = of(page_files, "box.json")
    design = json.loads(path.read_text())["design"]
    assert "closed box" in words
    assert f"{design['volume_l']:.4g}" in words
