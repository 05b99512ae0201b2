"""What a ramp leaves on disk, and how one that was broken off goes on from it."""

import tomllib
from dataclasses import replace

import pytest
from helpers.power_rig import DRIVER, power_rig

from tsfit.base.errors import TsfitError
from tsfit.bench.guard import NotBeyond
from tsfit.bench.ramp import Ramp, judge_level, next_offer, play
from tsfit.bench.ramp_kept import taken_up, write_levels
from tsfit.capture.rig import read_rig
from tsfit.formats.driver import read_driver


@pytest.fixture(scope="module")
def begun(tmp_path_factory):
    """A ramp of three levels of which one was played, and what was judged of it."""
    folder = tmp_path_factory.mktemp("begun")
    rig = read_rig(power_rig(folder))
    ramp = Ramp(rig, read_driver(folder / DRIVER), NotBeyond(4e-3, 120.0), folder / "up", count=3)
    offer = next_offer(ramp, [])
    sweep, report, _ = play(ramp, offer, [])
    judged = [judge_level(ramp, offer, sweep, report, [])]
    path = write_levels(ramp, folder / DRIVER, [sweep])
    return ramp, judged, path


def test_what_is_written(begun):
    _, _, path = begun
    bench = tomllib.loads(path.read_text())
    assert bench["driver"] == {"name": "Godwit 15", "from": DRIVER}
    assert [(sweep["recording"], sweep["state"]) for sweep in bench["sweep"]] == [("up-1.wav", "full travel")]


def test_what_was_played_is_judged_again_as_it_was(begun):
    ramp, judged, path = begun
    heard = []
    again = taken_up(ramp, lambda *told: heard.append(told))
    assert heard == [(path, 1)]
    assert again[0].travel == pytest.approx(judged[0].travel)
    assert again[0].offer.excitation.level_dbfs == judged[0].offer.excitation.level_dbfs
    assert next_offer(ramp, again).volts == pytest.approx(next_offer(ramp, judged).volts)


def test_where_nothing_was_begun_nothing_is_taken_up_and_taken_names_are_refused(begun):
    ramp = replace(begun[0], stem=begun[0].stem.with_name("other"))
    assert taken_up(ramp) == []
    ramp.stem.with_name("other-2.wav").write_text("mine")
    with pytest.raises(TsfitError, match=r"other-2\.wav") as refusal:
        taken_up(ramp)
    assert refusal.value.code == "exists"


def test_another_driver_rig_or_signal_is_told(begun):
    ramp, _, _ = begun
    others = {
        "other_driver": [replace(ramp, driver=replace(ramp.driver, name="Another")),
                         replace(ramp, driver=replace(ramp.driver, Fs=1.2 * ramp.driver.Fs))],
        "other_rig": [replace(ramp, rig=replace(ramp.rig, path=ramp.rig.path.with_name("else.toml")))],
    }  # fmt: skip
    for code, ramps in others.items():
        for other in ramps:
            with pytest.raises(TsfitError, match="-o") as refusal:
                taken_up(other)
            assert refusal.value.code == code


def test_after_all_its_levels_a_higher_limit_goes_on_in_steps_of_6_db_and_else_the_reason_is_told(begun):
    ramp, judged, path = begun
    one = replace(ramp, count=1)
    again = taken_up(replace(one, limits=NotBeyond(9e-3, 120.0)))
    offer = next_offer(replace(one, limits=NotBeyond(9e-3, 120.0)), again)
    assert (offer.number, offer.last) == (2, False)
    assert 1.0 < offer.volts / judged[0].volts <= 2.0
    for limits, option in [
        (NotBeyond(judged[0].travel, 120.0), "the limit of travel.*--limit-travel-mm"),
        (NotBeyond(9e-3, 120.0, judged[0].volts), "the limit of volts.*--limit-v"),
    ]:
        with pytest.raises(TsfitError, match=option):
            taken_up(replace(one, limits=limits))
    kept = path.read_text()
    path.write_text(f'{kept}\n[[sweep]]\nrecording = "up-run.wav"\nstate = "power run"\n')
    try:
        with pytest.raises(TsfitError, match="its power run is recorded"):
            taken_up(ramp)
    finally:
        path.write_text(kept)
