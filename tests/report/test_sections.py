"""A fit, a judged sheet and a planned box on a page: the numbers of their files, rounded as a reader wants them."""

import json
from dataclasses import replace

from helpers.made_fit import made_fit
from helpers.read_page import words_of

from tsfit.report.sections import fit_part


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


def test_where_it_comes_from_is_told_in_words_and_units():
    sweeps = [{"recording": "a.wav", "air_temperature_c": 18.4, "sample_rate_hz": 48000.0, "sha256": "0" * 64}]
    part = fit_part(replace(made_fit(), provenance={"bench": {"sha256": "f" * 64}, "sweeps": sweeps}), "x")
    told = {row[0]: row[1] for block in part.measured if block.kind == "table" for row in block.rows}
    assert told["air temperature, °C"] == "18.4"
    assert told["sample rate, Hz"] == "48000"
    assert told["bench, fingerprint (SHA-256)"] == "f" * 12
