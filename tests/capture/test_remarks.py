"""What stands out in time gets its name from the samples there."""

import numpy as np
import pytest
from helpers.paths import RIGS

from tsfit.capture.disturbance import Disturbance, Disturbed
from tsfit.capture.recording import Recording
from tsfit.capture.remarks import remarks
from tsfit.capture.rig import read_rig

RATE, AT = 8000, 12000
RIG = read_rig(RIGS / "amplifier-divider.toml")


def _wave():
    t = np.arange(3 * RATE) / RATE
    return np.column_stack([np.sin(2.0 * np.pi * 90.0 * t), 0.3 * np.sin(2.0 * np.pi * 90.0 * t + 0.4)])


def _stopped(x):
    x[AT : AT + 50] = x[AT]
    return x


def _off(x):
    x[AT : AT + 50, 1] = x[AT : AT + 50, 0]
    return x


def _pushed(x):
    x[:, 1] += 0.2 * np.exp(-((np.arange(len(x)) - AT) ** 2) / 2e4)
    return x


@pytest.mark.parametrize(
    ("change", "code"),
    [
        (_stopped, "gap"),
        (lambda x: np.delete(x, slice(AT, AT + 37), axis=0), "lost_samples"),
        (_off, "loose_contact"),
        (_pushed, "burst"),
    ],
)
@pytest.mark.parametrize(("share", "severity"), [(0.01, "warn"), (0.1, "refuse")])
def test_a_disturbance_is_named(change, code, share, severity):
    found = Disturbed((Disturbance(1.49, 1.52, share),))
    (note,) = remarks(found, Recording(RIG.path, change(_wave()), RATE, ""), RIG)
    assert (note.code, note.severity) == (code, severity)
    assert "1.49 s" in note.message


def test_what_was_taken_out_is_a_note():
    found = Disturbed(taken_out=(Disturbance(1.49, 1.52, 0.1),))
    (note,) = remarks(found, Recording(RIG.path, _pushed(_wave()), RATE, ""), RIG)
    assert (note.code, note.severity) == ("burst", "note")
    assert note.message.startswith("Left out, 1.49 s: something disturbed")


def test_a_slow_wave_on_a_coarse_converter_is_no_gap():
    """Its samples stand still at each crest, and move on by one step."""
    t = np.arange(3 * RATE) / RATE
    x = np.rint(20.0 * np.sin(2.0 * np.pi * 6.0 * t))[:, None] * np.array([1.0, 0.5]) * 2.0**-14
    found = Disturbed((Disturbance(1.49, 1.52, 0.03),))
    (note,) = remarks(found, Recording(RIG.path, x, RATE, ""), RIG)
    assert (note.code, note.severity) == ("coarse", "note")


def test_rest_behind_the_excitation_is_no_gap():
    """Where it falls below the converter's steps the first channel stands still, while the cone still swings."""
    x = np.rint(400.0 * _wave())
    x[AT:, 0] = 0.0
    x[AT:, 1] *= np.exp(-np.arange(len(x) - AT) / 2000.0)
    x[:, 1] = np.rint(x[:, 1])
    found = Disturbed((Disturbance(AT / RATE + 0.005, AT / RATE + 0.1, 0.03),))
    notes = list(remarks(found, Recording(RIG.path, 2.0**-11 * x, RATE, ""), RIG))
    assert [(note.code, note.severity) for note in notes] == [("coarse", "note")]


@pytest.mark.parametrize(("change", "code"), [(_stopped, "gap"), (_pushed, "overload")])
def test_a_gap_that_shows_throughout_a_short_sweep_is_named(change, code):
    (note,) = remarks(Disturbed(throughout=0.8), Recording(RIG.path, change(_wave()), RATE, ""), RIG)
    assert (note.code, note.severity) == (code, "refuse")
    assert code == "overload" or "1.50 s" in note.message
