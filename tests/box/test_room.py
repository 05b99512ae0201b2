import json

import numpy as np
import pytest
from helpers.heron import BARE

from tsfit.base.errors import TsfitError
from tsfit.box.room import CAUTION, Room
from tsfit.cli import run
from tsfit.driver.air import REFERENCE_AIR


def test_the_gain_is_12_db_per_octave_below_the_first_mode_and_nothing_above():
    # common practice, no source; 5 m of air at 20 °C have their first mode at 34.4 Hz
    room = Room(5.0, cap_db=40.0)
    first = room.lowest_mode_hz
    assert first == pytest.approx(REFERENCE_AIR.sound_speed / 10.0)
    assert first == pytest.approx(34.4, abs=0.1)
    gain = room.gain_db([first / 4.0, first / 2.0, first, 2.0 * first])
    np.testing.assert_allclose(gain, [24.08, 12.04, 0.0, 0.0], atol=0.01)


def test_the_gain_is_capped():
    assert Room(5.0).gain_db([5.0])[0] == 12.0
    assert Room(5.0, cap_db=6.0).gain_db([5.0])[0] == 6.0
    assert Room(5.0, cap_db=0.0).gain_db([5.0])[0] == 0.0


@pytest.mark.parametrize(
    ("side", "cap", "says"), [(0.1, 12.0, "longest side"), (5.0, -1.0, "cap"), (float("nan"), 6.0, "side")]
)
def test_rooms_that_cannot_be_are_refused(side, cap, says):
    with pytest.raises(TsfitError, match=says):
        Room(side, cap_db=cap)


@pytest.fixture
def closed(tmp_path, capsys):
    path = tmp_path / "heron.toml"
    path.write_text(BARE)

    def ask(*arguments):
        code = run(["box", "closed", str(path), "--volume-l", "40", *arguments])
        out, err = capsys.readouterr()
        return code, out, err

    return ask


def test_it_is_off_unless_asked_for(closed):
    code, out, _ = closed("--json")
    assert code == 0
    assert json.loads(out)["room"] is None
    assert "room" not in closed()[1].lower()


def test_it_stands_beside_the_level_and_changes_nothing_else(closed):
    plain, data = (json.loads(closed(*more, "--json")[1]) for more in ((), ("--room-m", "5")))
    room = data.pop("room")
    assert {**plain, "room": None} == {**data, "room": None}
    expected = np.asarray(data["spl_db"]) + Room(5.0).gain_db(data["frequency_hz"])
    np.testing.assert_allclose(room["spl_db"], expected, atol=1e-9)
    assert room["caution"] == CAUTION
    out = " ".join(closed("--room-m", "5")[1].split())
    assert "in room dB" in out
    assert "rule of thumb" in out


def test_a_wrong_room_is_refused_in_one_sentence(closed):
    code, out, err = closed("--room-m", "0.2")
    assert (code, out) == (2, "")
    assert "longest side of the room: 0.2 m cannot be" in err


def test_the_figure_names_it(closed, tmp_path):
    assert closed("--room-m", "5", "--plot", str(tmp_path / "room.svg"))[0] == 0
    assert "in the room" in (tmp_path / "room.svg").read_text()
