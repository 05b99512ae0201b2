"""Many benches: where each fit goes; one that cannot be done stops no other."""

from pathlib import Path

import pytest

from tsfit.base.errors import TsfitError
from tsfit.bench.batch import fit_many, fit_names


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
