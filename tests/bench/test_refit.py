"""Entries with different circuit models are fitted anew from their bench files, where these are still there."""

import shutil
from dataclasses import replace

import pytest

from tsfit.base.files import sha256
from tsfit.bench.fit import fit_bench
from tsfit.bench.refit import change_between, with_common_model
from tsfit.drift.entry import entry_of
from tsfit.drift.log import Log

BENCH = "saltwit-12-shunt-bench.toml"


@pytest.fixture(scope="module")
def pair(quick_bench, tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench")
    shutil.copytree(quick_bench, folder, dirs_exist_ok=True)
    entries = []
    for hours, coil in ((0.0, "ladder-2"), (5.0, "semi-inductance")):
        fit = folder / f"fit-{coil}.json"
        fit.write_text(coil)
        result = fit_bench(folder / BENCH, coil=coil, suspension="ideal")
        entry = entry_of(result, hours, file={"file": str(fit), "sha256": sha256(fit)})
        # As if recorded anew: entries of the same recordings count once.
        again = [sweep | {"sha256": f"{hours}-{sweep['sha256']}"} for sweep in entry.provenance["sweeps"]]
        entries.append(replace(entry, provenance=entry.provenance | {"sweeps": again}))
    return folder, entries


def test_refitted_with_the_first_ones_model(pair):
    folder, (first, last) = pair
    one, two, change = change_between(Log(folder / "log", (first, last), ()), "first", "last")
    assert one is first
    assert two.coil == "ladder-2"
    assert "refitted" in [note.code for note in change.notes]
    # The same sweeps under the same model: nothing is left of the difference.
    assert all(abs(cause.change) < 1e-4 for cause in change.causes.values())
    assert two.hours == 5.0


def test_entries_of_the_same_recordings_are_no_proof_that_nothing_changed(pair):
    folder, (first, _) = pair
    _, _, change = change_between(Log(folder / "log", (first, replace(first, hours=5.0)), ()), "first", "last")
    assert next(note.code for note in change.notes) == "same_sweep"


def test_alike_entries_are_left(pair):
    _, (first, _) = pair
    assert with_common_model(first, first) == (first, first, ())


def test_a_bench_that_is_no_longer_there_is_said(pair):
    folder, (first, last) = pair
    moved = folder / BENCH
    moved.rename(folder / "away.toml")
    try:
        one, two, notes = with_common_model(first, last)
    finally:
        (folder / "away.toml").rename(moved)
    assert (one, two) == (first, last)
    assert [note.code for note in notes] == ["not_refitted"]
    assert BENCH in notes[0].message
