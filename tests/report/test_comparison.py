"""Drivers side by side, and a log, on a page."""

import json
from dataclasses import replace

from helpers.made_fit import made_driver
from helpers.read_page import words_of

from tsfit.box.compare.conditions import Candidate, same_volume
from tsfit.box.compare.drivers import compare
from tsfit.box.compare.short import as_printed
from tsfit.report.comparison import compare_part


def test_a_comparison_says_what_its_file_says(page_files):
    (path,) = (path for path in page_files if path.name == "compare.json")
    words = words_of(path)
    for case in json.loads(path.read_text())["cases"]:
        assert all(" ".join(sentence.split()) in words for sentence in case["words"])


def test_a_log_says_what_the_hours_did(page_files):
    (path,) = (path for path in page_files if path.suffix == ".drift")
    assert "Compliance (Cms) changed by +15.0 %" in words_of(path)


def test_tables_of_the_loudest_say_which_limits_are_only_printed():
    drivers = [replace(made_driver(), name=name, Xmax=0.006, Pe=100.0) for name in ("Heron 8", "Tern 8")]
    found = compare([Candidate(one) for one in drivers], [same_volume(0.03)])
    printed = as_printed(found, range(len(found.compared)))
    assert printed
    part = compare_part(found, "part")
    tables = [block.caption for block in (*part.answer, *part.box) if block.kind == "table"]
    loudest = [caption for caption in tables if "each at its loudest" in caption]
    assert loudest
    assert all(printed in caption for caption in (*loudest, tables[0]))
    assert not [caption for caption in tables[1:] if caption not in loudest and printed in caption]
