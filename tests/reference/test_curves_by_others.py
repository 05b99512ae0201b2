"""Curves that others measured on finished loudspeakers, read where they lie; PROVENANCE.md there tells their source.

The expected numbers are read off the raw columns here, by other means than the reader and the fit use.
"""

import json

import numpy as np
import pytest
from helpers.paths import SHARED

from tsfit.base.errors import TsfitError
from tsfit.cli import run
from tsfit.driver.curve import State
from tsfit.fitting.fit import fit
from tsfit.fitting.start import find_resonance
from tsfit.fitting.validity import law_note, refuse_unfit, validity_notes
from tsfit.formats.curve import read_curve

FOLDER = SHARED / "curves"
SINGLE = ["closed-box-woofer-a", "closed-box-woofer-b", "tweeter-f", "tweeter-g", "tweeter-h"]
VENTED = ["vented-box-pair-e", "vented-box-woofer-c", "vented-box-woofer-d"]

pytestmark = pytest.mark.skipif(not FOLDER.is_dir(), reason="shared data with the curves are absent")


def columns(name):
    return np.loadtxt(FOLDER / f"{name}.txt", unpack=True)


def test_no_file_is_left_out():
    assert sorted(path.stem for path in FOLDER.glob("*")) == sorted(SINGLE + VENTED)


@pytest.mark.parametrize("name", SINGLE + VENTED)
def test_every_curve_is_read_as_it_stands(name):
    f, size, degrees = columns(name)
    curve = read_curve(FOLDER / f"{name}.txt")
    kept = np.isin(f, curve.frequency_hz)
    assert kept.sum() == len(curve.frequency_hz)
    np.testing.assert_allclose(np.abs(curve.impedance_ohm), size[kept], rtol=1e-12)
    np.testing.assert_allclose(np.degrees(np.angle(curve.impedance_ohm)), degrees[kept], rtol=1e-9)
    # Some of the files hold one value over several rows below 8 Hz; nothing above may be dropped.
    assert f[~kept].size == 0 or f[~kept].max() < 8.0
    assert any(note.code == "columns" and "degrees" in note.message for note in curve.notes)
    assert any(note.code == "repeated_rows" for note in curve.notes) == bool(np.any(~kept))


def _around(size, top, level):
    """Rows on both sides of the peak that stand above the level."""
    below = np.flatnonzero(size < level)
    return slice(below[below < top][-1] + 1, below[below > top][0])


@pytest.mark.against(
    "fits of curves that others measured", "their raw columns, Small, JAES 20, 1972", "Fs 3 %, Re, 1 + Qms/Qes 6 %"
)
@pytest.mark.parametrize("name", SINGLE)
def test_single_resonance_is_fitted(name, fit_of_others):
    f, size, _ = columns(name)
    result = fit_of_others(f"curves/{name}")
    value = {key: estimate.value for key, estimate in result.parameters.items()}
    top = int(np.argmax(np.where(f < (3000.0 if name.startswith("tweeter") else 200.0), size, 0.0)))
    beyond = (f > f[top]) & (f < 12.0 * f[top])
    floor = float(np.min(size[beyond]))
    # Between the two frequencies of |Z| = √(Rmin Rmax) the resonance stands in the geometric middle (Small, JAES 20, 1972).
    wide = f[_around(size, top, np.sqrt(floor * size[top]))]
    assert value["Fs"] == pytest.approx(np.sqrt(wide[0] * wide[-1]), rel=0.03)
    (state,) = result.states
    grid, fitted, used = state.curve.frequency_hz, np.abs(state.fitted_ohm), state.used
    near = (grid > 0.5 * f[top]) & (grid < 2.0 * f[top])
    assert grid[near][np.argmax(fitted[near])] == pytest.approx(f[top], rel=0.03)
    # Beyond the peak the coil's resistance and reactance have begun to add to Re.
    assert 0.85 * floor < value["Re"] < 1.01 * floor
    if f[0] < 0.1 * f[top]:
        low = size[f < 0.1 * f[top]]
        assert 0.97 * low.min() < value["Re"] < 1.01 * low.max()
    # At resonance R = Re (1 + Qms / Qes).
    assert value["Re"] * (1.0 + value["Qms"] / value["Qes"]) == pytest.approx(size[top], rel=0.06)
    miss = (state.fitted_ohm - state.curve.impedance_ohm)[used] / np.abs(state.curve.impedance_ohm[used])
    assert np.sqrt(np.mean(np.abs(miss) ** 2)) < 0.03


@pytest.mark.parametrize("name", SINGLE)
def test_healthy_curve_raises_no_doubt_before_the_fit(name):
    curve = read_curve(FOLDER / f"{name}.txt")
    peak = find_resonance(curve)
    miss = refuse_unfit(curve, peak)
    used = (curve.frequency_hz > peak.Fs / 8.0) & (curve.frequency_hz < max(2000.0, 40.0 * peak.Fs))
    assert [*validity_notes(curve, peak, miss), *law_note(curve, used)] == []


@pytest.mark.against("vented boxes among curves by others", "their provenance note", "refused")
@pytest.mark.parametrize("name", VENTED)
def test_two_peaks_are_not_fitted_as_a_bare_driver(name):
    with pytest.raises(TsfitError) as caught:
        fit([(read_curve(FOLDER / f"{name}.txt"), State())])
    assert caught.value.code == "vented_box"
    assert f"{name}.txt" in caught.value.message


def test_command(capsys):
    assert run(["fit", str(FOLDER / "closed-box-woofer-b.txt"), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["parameters"]["Fs"]["value"] == pytest.approx(75.0, rel=0.03)
    assert "repeated_rows" in {note["code"] for note in told["quality"]}
    for name in VENTED[:1]:
        assert run(["fit", str(FOLDER / f"{name}.txt"), "--json"]) == 2
        assert json.loads(capsys.readouterr().out)["error"]["code"] == "vented_box"
