"""Drivers side by side, and a log, on a page."""

import json

from helpers.read_page import words_of


def test_a_comparison_says_what_its_file_says(page_files):
    (path,) = (path for path in page_files if path.name == "compare.json")
    words = words_of(path)
    for case in json.loads(path.read_text())["cases"]:
        assert all(" ".join(sentence.split()) in words for sentence in case["words"])


def test_a_log_says_what_the_hours_did(page_files):
    (path,) = (path for path in page_files if path.suffix == ".drift")
    assert "Compliance (Cms) changed by +14.6 %" in words_of(path)
