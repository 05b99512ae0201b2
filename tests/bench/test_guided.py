"""A guided measurement that was broken off: what is done counts, what is left of it is left."""

import shutil
from pathlib import Path

import pytest
from helpers.paths import RIGS

from tsfit.base.errors import TsfitError
from tsfit.bench.file import BenchDriverTable, SweepTable
from tsfit.bench.guided import PARTIAL, Guided, begun


@pytest.fixture
def rig(tmp_path):
    return Path(shutil.copy(RIGS / "simulated.toml", tmp_path / "rig.toml"))


def _new(folder, rig):
    folder.mkdir()
    return Guided(folder, rig, BenchDriverTable(name="Dunlin", effective_diameter_cm=21.0))


def _sweep(recording, state="free air", **more):
    return SweepTable(recording=recording, state=state, **more)


def test_what_is_done_comes_back_and_becomes_the_bench_file(tmp_path, rig):
    folder = tmp_path / "mine"
    guided = _new(folder, rig)
    assert begun(folder, rig) is None
    guided.keep([_sweep("a-1.wav"), _sweep("a-2.wav")])
    back = begun(folder, rig)
    assert (back.states, back.driver.name, len(back.sweeps)) == (["free air"], "Dunlin", 2)
    back = back.keep([_sweep("m.wav", "added mass", mass_g=30.0)])
    assert begun(folder, rig).states == ["free air", "added mass"]
    before = (folder / PARTIAL).read_text()
    assert back.finish().read_text() == before
    assert [path.name for path in folder.iterdir()] == ["bench.toml"]
    with pytest.raises(TsfitError, match="already there"):
        begun(folder, rig)


def test_another_rig_is_refused(tmp_path, rig):
    _new(tmp_path / "mine", rig).keep([_sweep("a.wav")])
    other = shutil.copy(rig, tmp_path / "other.toml")
    with pytest.raises(TsfitError, match="begun on the rig") as refused:
        begun(tmp_path / "mine", Path(other))
    assert refused.value.code == "other_rig"


@pytest.mark.parametrize(
    ("left", "free"),
    [
        ([], "free-air"),
        (["free-air-after.txt", "added-mass-40g.wav", "free.wav"], "free-air"),
        (["free-air.partial.wav"], "free-air-b"),
        (["free-air-1.wav"], "free-air-b"),
        (["free-air.toml", "free-air-b-2.txt"], "free-air-c"),
    ],
)
def test_names_that_a_run_left_are_not_used_again(tmp_path, rig, left, free):
    guided = _new(tmp_path / "mine", rig)
    for name in left:
        (guided.folder / name).write_text("left")
    assert guided.free_stem("free-air") == free
