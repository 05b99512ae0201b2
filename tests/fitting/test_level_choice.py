"""Which sweeps are fitted together where several levels were swept, and what is told of the choice."""

import numpy as np
import pytest

from tsfit.driver.curve import State
from tsfit.fitting.level_choice import choose, level_text


def _state(kind="free air", dbfs=None, **more):
    return State(kind, level_dbfs=dbfs, **more)


def _mass(dbfs):
    return _state("added mass", dbfs, mass=0.04)


@pytest.mark.parametrize(
    ("states", "kept", "groups", "codes"),
    [
        ([_state(), _state(), _mass(None)], (0, 1, 2), (), []),
        ([_state(dbfs=-20.0), _state(dbfs=-20.9)], (0, 1), ((1, 0),), []),
        ([_state(dbfs=-20.0), _state(dbfs=-22.0)], (1,), ((1,), (0,)), ["one_level"]),
        ([_state(dbfs=db) for db in (-20.0, -19.2, -30.0, -19.6)], (2,), ((2,), (0, 3, 1)), ["one_level"]),
        # The mass stands at the higher level only, so the pair is fitted there.
        ([_state(dbfs=-30.0), _state(dbfs=-20.0), _mass(-20.0)], (1, 2), ((0,), (1,)), ["one_level"]),
        # It stands at no level of free air: the nearest is taken and told.
        (
            [_state(dbfs=-30.0), _state(dbfs=-20.0), _mass(-25.0), _mass(-10.0)],
            (0, 2),
            ((0,), (1,)),
            ["one_level", "level_differs"],
        ),
        ([_state(dbfs=-30.0), _mass(-20.0)], (0, 1), ((0,),), ["level_differs"]),
        ([_state(dbfs=-30.0), _state(), _mass(-20.0)], (0, 1, 2), (), ["level_unknown"]),
        ([_state(level_v=1.0), _state(dbfs=-20.0)], (0, 1), (), ["level_unknown"]),
        ([_state("infinite baffle", -20.0), _mass(-10.0)], (0, 1), (), []),
    ],
)
def test_which_sweeps_are_fitted_together(states, kept, groups, codes):
    choice = choose(states)
    assert (choice.kept, choice.groups) == (kept, groups)
    assert [note.code for note in choice.notes] == codes


def test_levels_in_words():
    assert [level_text(db, "V") for db in (0.0, 20.0, -40.0, 6.0)] == ["1 V peak", "10 V peak", "0.01 V peak", "2 V peak"]
    assert level_text(-12.34, "dBFS") == "-12.3 dBFS"


def _volts(*volts):
    return [State("free air", level_v=each) for each in volts]


def test_levels_in_volts():
    """1 V and 1.1 V are 0.8 dB apart, one level; their mean is that of the squares."""
    choice = choose(_volts(3.0, 1.1, 1.0))
    assert (choice.unit, choice.kept, choice.groups) == ("V", (1, 2), ((2, 1), (0,)))
    assert choice.levels_db == pytest.approx([10.0 * np.log10((1.0 + 1.1**2) / 2.0), 20.0 * np.log10(3.0)], rel=1e-12)
    (note,) = choice.notes
    assert "hold at 1 V peak, the lowest" in note.message
    assert "not in the parameters: sweep 1." in note.message
    assert "not in the parameters: sweeps 1, 2." in choose(_volts(3.0, 3.1, 1.0)).notes[0].message


@pytest.mark.parametrize(
    ("free", "loaded", "taken", "apart"),
    [
        ((-20.0,), (-26.0, -16.0), 2, "+4.0"),
        ((-20.0,), (-23.0, -10.0), 1, "-3.0"),
        ((-20.0,), (-30.0, -40.0), 1, "-10.0"),
        ((-20.0,), (-5.0, 0.0), 1, "+15.0"),
    ],
)
def test_the_nearest_level_is_taken_and_how_far_it_is_told(free, loaded, taken, apart):
    choice = choose([*(_state(dbfs=db) for db in free), *map(_mass, loaded)])
    assert choice.kept == (0, taken)
    note = choice.notes[-1]
    assert (note.code, note.sweep) == ("level_differs", taken)
    assert note.message.startswith(f"This sweep stands {apart} dB from the free-air level that it is compared with")


def test_one_decibel_is_one_level_and_a_little_more_is_not():
    assert choose([_state(dbfs=-20.0), _state(dbfs=-21.0)]).groups == ((1, 0),)
    assert choose([_state(dbfs=-20.0), _state(dbfs=-21.1)]).groups == ((1,), (0,))
    # A chain of small steps is cut where it is one decibel from its lowest.
    assert choose([_state(dbfs=db) for db in (-20.0, -20.8, -21.6)]).groups == ((2, 1), (0,))


def test_the_lowest_of_the_levels_that_most_states_share_is_told():
    choice = choose([_state(dbfs=-20.9), _state(dbfs=-20.0), _state(dbfs=-10.0), _mass(-10.0), _mass(-20.9)])
    assert choice.kept == (0, 1, 4)
    assert "hold at -20.9 dBFS" in choice.notes[0].message
    assert "sweeps 3, 4." in choice.notes[0].message


def test_free_air_of_another_wiring_is_no_other_level():
    series, one = (State("free air", level_dbfs=db, wiring=w) for db, w in ((-20.0, "series"), (-10.0, "one coil")))
    choice = choose([series, one])
    assert choice.groups == ((0,),)
    assert choose([one, series]).groups == ((0,),)
