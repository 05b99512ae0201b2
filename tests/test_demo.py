"""What the demonstration finds is what its data was made to show (sample_data/README.md), and it writes over nothing."""

import json
from pathlib import Path

from tsfit.demo import free_folder


def test_the_favourite_holds_its_sheet_and_the_successor_does_not(demonstration):
    check = json.loads((demonstration / "tsfit-demo" / "saltwit-12b-check.json").read_text())
    outside = {item["name"] for item in check["figures"] if item["verdict"] == "outside"}
    # The successor's sheet promises more motor and travel than there are; all else is fair (sample_data/README.md).
    assert outside == {"Bl", "Qts", "Xmax"}
    assert json.loads((demonstration / "tsfit-demo" / "saltwit-12-check.json").read_text())["verdict"] == "inside"


def test_a_folder_that_is_there_is_left_alone(demonstration, monkeypatch):
    monkeypatch.chdir(demonstration)
    assert free_folder(Path("tsfit-demo")) == Path("tsfit-demo-2")
    assert free_folder(Path("another")) == Path("another")
