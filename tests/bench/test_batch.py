"""Many benches: where each fit goes; one that cannot be done stops no other."""

import csv
import io
from pathlib import Path

import pytest

from tsfit.base.errors import TsfitError
from tsfit.bench.batch import SUMMARY, Outcome, Summary, fit_many, fit_names, summary_csv


def test_fits_go_beside_their_benches_or_into_one_folder(tmp_path):
    benches = [Path("a") / "one.toml", Path("b") / "two.txt"]
    assert fit_names(benches, None) == [Path("a") / "one.fit.json", Path("b") / "two.fit.json"]
    assert fit_names(benches, tmp_path) == [tmp_path / "one.fit.json", tmp_path / "two.fit.json"]


@pytest.mark.parametrize(
    ("benches", "folder", "code"),
    [
        (["a/one.toml", "b/one.toml"], ".", "usage"),
        (["one.toml", "one.txt"], None, "usage"),
        (["one.toml"], "none", "cannot_write"),
    ],
)
def test_two_fits_of_one_name_are_refused(tmp_path, monkeypatch, benches, folder, code):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(TsfitError) as refused:
        fit_names([Path(bench) for bench in benches], folder and Path(folder))
    assert refused.value.code == code


def test_what_fails_is_told_and_the_rest_goes_on(tmp_path):
    (tmp_path / "damaged.toml").write_text("[driver")
    benches = [tmp_path / "damaged.toml", tmp_path / "missing.toml"]
    done = list(fit_many(benches, [bench.with_suffix(".fit.json") for bench in benches], workers=1))
    assert [one.bench for one in done] == benches
    assert [one.fit_file for one in done] == [None, None]
    assert [str(one.error.file) for one in done] == [str(bench) for bench in benches]
    assert not list(tmp_path.glob("*.json"))


def test_the_summary_tells_each_bench_or_its_reason():
    parameters = dict.fromkeys(SUMMARY) | {"Re": (5.6, 0.01)}
    good = Summary("Knot, 8", None, "simple", "ideal", parameters, 2)
    refused = TsfitError("b.toml: no such file.", code="missing_file", file="b.toml")
    text = summary_csv(
        [Outcome(Path("a.toml"), Path("a.fit.json"), good, None), Outcome(Path("b.toml"), None, None, refused)]
    )
    first, second = csv.DictReader(io.StringIO(text, newline=""))
    assert (first["bench"], first["driver"], first["serial"], first["warnings"]) == ("a.toml", "Knot, 8", "", "2")
    assert (float(first["Re"]), float(first["Re_stdev"]), first["Vas"], first["Vas_stdev"]) == (5.6, 0.01, "", "")
    assert (second["bench"], second["driver"], second["error"]) == ("b.toml", "", "b.toml: no such file.")


@pytest.mark.parametrize("name", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", " =1", "\u202e=1", "Heron\x1b[2J"])
def test_no_cell_is_run_by_a_spreadsheet(name):
    """What a reader of the format gets is no formula and steers nothing."""
    found = Summary(name, name, "simple", "ideal", dict.fromkeys(SUMMARY), 0)
    text = summary_csv([Outcome(Path(f"{name}.toml"), None, found, TsfitError(name, code="no_fit"))])
    (row,) = csv.DictReader(io.StringIO(text, newline=""))
    for key in ("bench", "driver", "serial", "error"):
        assert row[key].lstrip()[0] not in "=+-@\t\r\ufffd"
        assert row[key].isprintable()
