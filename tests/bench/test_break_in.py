"""The guided break-in on a simulated rig: it settles, survives interruption, notices heat, and starts softly."""

import functools
import shutil
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from helpers.paths import RIGS
from helpers.simulated_rig import simulated_rig

from tsfit.base.errors import TsfitError
from tsfit.bench.break_in import SOFT_START_DB, begun, fit_like, make_routine, open_folder, run
from tsfit.capture.excitation import Wanted
from tsfit.capture.rig import read_rig
from tsfit.capture.stream import StreamReport
from tsfit.drift.history import history
from tsfit.drift.log import read_log
from tsfit.driver.record import Softening
from tsfit.formats.driver import read_driver, read_softening


@pytest.fixture(scope="module", autouse=True)
def _short_sweeps():
    """Of 4 s where nobody says how long."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("tsfit.bench.break_in.Wanted", functools.partial(Wanted, seconds=4.0))
        yield


def _rig(folder):
    path = simulated_rig(folder)
    file = folder / "drivers" / "dunlin-10.toml"
    file.write_text(file.read_text().replace("time_constant_h = 4", "time_constant_h = 1"))
    return read_rig(path)


@pytest.fixture
def rig(tmp_path):
    return _rig(tmp_path)


def _plan(rig, **changes):
    values = {"driver": "Dunlin 10", "hours": 9.0, "interval_h": 1.0, "low_hz": 15.0, "high_hz": 60.0, **changes}
    return make_routine(rig, level_dbfs=-20.0, **values)


def test_softening_is_compliance_and_nothing_else():
    file = RIGS / "drivers" / "dunlin-10.toml"
    fresh, softening = read_driver(file), read_softening(file)
    assert softening == Softening(0.12, 4.0)
    used = softening.after(fresh, 4.0)
    assert used.Cms == pytest.approx(fresh.Cms * (1.0 + 0.12 * (1.0 - np.exp(-1.0))), rel=1e-9)
    for name in ("Mms", "Bl", "Rms", "Re"):
        assert getattr(used, name) == pytest.approx(getattr(fresh, name), rel=1e-9)
    assert softening.after(fresh, 0.0) == fresh


def test_it_stops_when_settled_whatever_interrupts_it(rig, tmp_path):
    folder, routine, steps = tmp_path / "kept", _plan(rig), []

    def interrupt(step):
        steps.append(step)
        if len(steps) in (40, 41, 130):
            raise KeyboardInterrupt

    for _ in range(3):
        with pytest.raises(KeyboardInterrupt):
            run(rig, folder, routine, on_step=interrupt)
    ending = run(rig, folder, routine, on_step=interrupt)
    assert ending.why == "settled"
    entries = read_log(ending.log).entries
    hours = [entry.hours for entry in entries]
    assert hours == pytest.approx(np.arange(len(hours)), abs=1e-6)
    assert 5 <= len(hours) <= 10
    assert ending.hours == hours[-1]
    course = history(read_log(ending.log)).causes["compliance"].settling
    assert np.expm1(course.end - course.start) == pytest.approx(0.12, abs=0.012)
    # Once ended it is at an end.
    assert run(rig, folder, routine).hours == ending.hours
    assert len(read_log(ending.log).entries) == len(hours)


def test_it_stops_when_the_hours_are_over(rig, tmp_path):
    ending = run(rig, tmp_path / "kept", _plan(rig, hours=0.75, interval_h=0.5, hours_before=3.0))
    assert ending.why == "time"
    assert [entry.hours for entry in read_log(ending.log).entries] == pytest.approx([3.0, 3.5, 3.75])


@pytest.fixture(scope="module")
def swept(tmp_path_factory):
    """A rig, the plan of 0.75 hours, and the folder of that routine, broken off after its first sweep."""
    folder = tmp_path_factory.mktemp("swept")
    rig = _rig(folder)
    routine = _plan(rig, hours=0.75, interval_h=1.0)
    with pytest.raises(KeyboardInterrupt):
        run(rig, folder / "kept", routine, on_step=lambda step: _break_off(step, "low notes"))
    return rig, routine, folder / "kept"


@pytest.mark.parametrize("played", [0.7495, 0.7499999, 0.75, 0.7505])
def test_the_hours_are_over_where_less_is_left_than_is_played(swept, tmp_path, played):
    """As blocks leave it that a device played a little longer or shorter: no sweep follows on a sweep."""
    rig, routine, first = swept
    folder = shutil.copytree(first, tmp_path / "kept")
    (folder / "played.json").write_text(f'{{"hours": {played}}}')
    steps = []
    ending = run(rig, folder, routine, on_step=steps.append)
    assert ending.why == "time"
    assert [step.split()[0] for step in steps] == ["sweep"]
    assert [entry.hours for entry in read_log(ending.log).entries] == pytest.approx([0.0, played], abs=1e-4)


def _break_off(step, at):
    if step.startswith(at):
        raise KeyboardInterrupt


def test_it_stops_when_the_coil_is_hot(rig, tmp_path, monkeypatch):
    file, generator = rig.simulated_driver, np.random.default_rng
    # The simulated rig draws new noise each time, some 0.3 K of it; here the same each time.
    monkeypatch.setattr(np.random, "default_rng", lambda seed=1: generator(seed))

    def heat(step):
        if step.startswith("low notes"):
            # 5.9 % more resistance is 15 K of copper.
            file.write_text(file.read_text().replace('Re = "5.6 ohm"', 'Re = "5.930 ohm"'))

    ending = run(rig, tmp_path / "kept", _plan(rig), on_step=heat)
    assert ending.why == "hot"
    assert ending.hours == pytest.approx(1.0)
    assert "15 K warmer" in ending.message


@pytest.mark.parametrize(
    ("suspension", "code", "then"),
    [("structural", "no_fit", "ideal"), ("ideal", "no_fit", None), ("structural", "refused_sweep", None)],
)
def test_a_suspension_effect_that_shows_no_longer_ends_no_routine(monkeypatch, suspension, code, then):
    asked = []

    def fit_bench(bench, **models):
        asked.append(models)
        if len(asked) == 1:
            raise TsfitError("Lambda is not determined by the data", code=code)
        return models

    monkeypatch.setattr("tsfit.bench.break_in.fit_bench", fit_bench)
    first = SimpleNamespace(coil="simple", suspension=suspension)
    if then is None:
        with pytest.raises(TsfitError, match="Lambda is not"):
            fit_like(Path("bench.toml"), first)
    else:
        assert fit_like(Path("bench.toml"), first) == {"coil": "simple", "suspension": then}
    assert asked[0] == {"coil": "simple", "suspension": suspension}
    assert len(asked) == 1 + (then is not None)


def test_a_sweep_that_a_killed_run_left_is_taken_up(rig, tmp_path, monkeypatch):
    folder, steps = tmp_path / "kept", []
    monkeypatch.setattr("tsfit.bench.break_in.write_bench", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
    with pytest.raises(KeyboardInterrupt):
        run(rig, folder, _plan(rig, hours=0.01))
    monkeypatch.undo()
    (folder / "sweep-002.partial.wav").write_bytes(b"cut off")
    ending = run(rig, folder, _plan(rig, hours=0.01), on_step=steps.append)
    assert [Path(str(entry.source("fit")["file"])).name for entry in read_log(ending.log).entries] == [
        "sweep-001-fit.json", "sweep-003-fit.json",
    ]  # fmt: skip
    assert any("sweep-002" in step and "left as it is" in step for step in steps)


def test_another_plan_in_the_same_folder_is_refused(rig, tmp_path):
    assert not begun(tmp_path / "kept", _plan(rig, hours=0.01))
    assert not (tmp_path / "kept").exists()
    open_folder(tmp_path / "kept", _plan(rig, hours=0.01))
    assert begun(tmp_path / "kept", _plan(rig, hours=0.01))
    with pytest.raises(TsfitError) as caught:
        run(rig, tmp_path / "kept", _plan(rig, hours=0.02))
    assert caught.value.code == "other_routine"
    (tmp_path / "kept" / "played.json").write_text("{")
    with pytest.raises(TsfitError) as caught:
        run(rig, tmp_path / "kept", _plan(rig, hours=0.01))
    assert "played.json" in caught.value.message


def test_levels_have_a_limit(rig):
    with pytest.raises(TsfitError) as caught:
        make_routine(rig, level_dbfs=-1.0, driver="Dunlin 10", hours=1.0, low_hz=15.0, high_hz=60.0)
    assert caught.value.code == "level_limit"


@pytest.mark.parametrize(
    "wrong", [{"hours": -1.0}, {"interval_h": 0.0}, {"interval_h": 0.001}, {"hours": float("nan")}, {"driver": ""}]
)
def test_plans_that_make_no_sense(rig, wrong):
    with pytest.raises(TsfitError) as caught:
        _plan(rig, **wrong)
    assert caught.value.code == "wrong_value"
    assert next(iter(wrong)) in caught.value.message


class Loudspeaker:
    """A player that keeps what it is asked to play, and takes no time for it."""

    in_real_time = True

    def __init__(self):
        self.played = []

    def play(self, excitation, sink, *, on_level=None):
        self.played.append(excitation)
        return StreamReport("made", 0, 0, excitation.seconds, None, None)


def test_every_start_is_soft_and_blocks_stay_in_their_range(rig, tmp_path):
    player, pauses = Loudspeaker(), []
    routine = _plan(rig, hours=0.05, interval_h=0.05, pause_s=7.0)
    ending = run(rig, tmp_path / "kept", routine, player=player, sleep=pauses.append)
    assert ending.why == "time"
    peaks = [20.0 * np.log10(np.abs(excitation.samples).max()) for excitation in player.played]
    assert peaks == pytest.approx([routine.level_dbfs + step for step in (*SOFT_START_DB, 0.0)], abs=0.05)
    assert {(excitation.low_hz, excitation.high_hz) for excitation in player.played} == {(15.0, 60.0)}
    assert player.played[0].seconds == pytest.approx(60.6, rel=0.01)
    # The coil cools before every sweep but the first, and hours are those that were played.
    assert pauses == [7.0]
    assert ending.hours == pytest.approx(sum(excitation.seconds for excitation in player.played) / 3600.0, abs=1e-4)
