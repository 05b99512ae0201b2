"""Rigs against the circuit solved node by node, and rig files that are wrong."""

from dataclasses import replace

import numpy as np
import pytest

from tsfit.base.errors import TsfitError
from tsfit.capture.rig import ASSUMED_GAIN, ASSUMED_INPUT, Bilinear, read_rig
from tsfit.capture.terms import drawn_terms

DIVIDER = """name = "divider"
topology = "divider"
reference_ohm = 99.87
reference_uncertainty_ohm = 0.05
[channels]
total = 1
driver = 2
[inputs]
impedance_ohm = 10000
[leads]
resistance_ohm = 0.06
[calibration]
open = "open.wav"
short = "short.wav"
[[calibration.known]]
recording = "known.wav"
ohm = 10.012
[playback]
sample_rate_hz = 48000
"""
SHUNT = DIVIDER.replace('"divider"', '"shunt"').replace("driver = 2", "reference = 2").replace("99.87", "10.01")


@pytest.fixture
def rig_file(tmp_path):
    def write(text):
        path = tmp_path / "rig.toml"
        path.write_text(text)
        return path

    return write


def _voltages(rig, z, source_ohm=2.0):
    """Voltages (2,) at the total and the other input, from nodal equations; 1 V behind `source_ohm`.

    Nodes: 0 total input, 1 other input, 2 between lead and driver.
    """
    y = np.zeros((3, 3), dtype=complex)

    def join(a, b, ohm):
        for i, j in ((a, b), (b, a)):
            if i is not None:
                y[i, i] += 1.0 / ohm
                if j is not None:
                    y[i, j] -= 1.0 / ohm

    load = 1.0 / rig.input_siemens if rig.input_siemens else 1e18
    join(0, None, source_ohm)
    join(0, None, load)
    join(1, None, load)
    divider = rig.topology == "divider"
    join(*(0, 1) if divider else (1, None), rig.reference_ohm)
    near, far = (1, None) if divider else (0, 1)
    if rig.lead_ohm:
        join(near, 2, rig.lead_ohm)
        join(2, far, z)
    else:
        join(near, far, z)
        join(2, None, 1.0)
    return np.linalg.solve(y, np.array([1.0 / source_ohm, 0.0, 0.0]))[:2]


@pytest.mark.parametrize("text", [DIVIDER, SHUNT], ids=["divider", "shunt"])
@pytest.mark.parametrize(("input_ohm", "lead"), [(None, 0.0), (10e3, 0.0), (None, 0.3), (2000.0, 0.5), (600.0, 5.0)])
def test_ratio_is_that_of_the_circuit(rig_file, text, input_ohm, lead):
    rig = replace(read_rig(rig_file(text)), input_siemens=0.0 if input_ohm is None else 1.0 / input_ohm, lead_ohm=lead)
    z = np.array([0.5, 4.0, 8.0 + 3.0j, 60.0 - 20.0j, 300.0, 2.0 + 90.0j])
    solved = np.array([_voltages(rig, one) for one in z])
    m = solved[:, 1] / solved[:, 0]
    np.testing.assert_allclose(rig.ratio(z), m, rtol=1e-9)
    np.testing.assert_allclose(rig.bilinear().impedance(m), z, rtol=1e-9)


def test_inverse_and_slope():
    rng = np.random.default_rng(0)
    a, b, c = rng.standard_normal((3, 50)) + 1j * rng.standard_normal((3, 50))
    terms = Bilinear(a, b, c)
    z = 10.0 * (rng.standard_normal(50) + 1j * rng.standard_normal(50))
    m = terms.ratio(z)
    np.testing.assert_allclose(terms.impedance(m), z, rtol=1e-9)
    h = 1e-6 * np.abs(c * m - a) / np.abs(c)
    for direction in (1.0, 1j):
        central = (terms.impedance(m + h * direction) - terms.impedance(m - h * direction)) / (2.0 * h * direction)
        np.testing.assert_allclose(terms.slope(m), central, rtol=1e-6)


@pytest.mark.parametrize("text", [DIVIDER, SHUNT], ids=["divider", "shunt"])
def test_shifts_are_what_a_moved_part_does(rig_file, text):
    """A part off by one standard uncertainty, put into the nodal equations, moves Z by the stated shift."""
    rig = replace(read_rig(rig_file(text)), gain_uncertainty=0.002, lead_uncertainty_ohm=0.01)
    z = np.array([5.0, 40.0 + 10.0j, 8.0 + 8.0j])
    m = rig.ratio(z)
    shifts = drawn_terms(rig).shifts(m, np.full(len(m), 200.0))
    assert set(shifts) >= {"reference resistor", "input impedance", "lead resistance", "channel gain"}
    step = 1e-3
    moved = {
        "reference resistor": replace(rig, reference_ohm=rig.reference_ohm + step * 0.05),
        "input impedance": replace(rig, input_siemens=rig.input_siemens * (1.0 + step * ASSUMED_INPUT)),
        "lead resistance": replace(rig, lead_ohm=rig.lead_ohm + step * 0.01),
    }
    for name, other in moved.items():
        truth = []
        for one, ratio in zip(z, m, strict=True):
            # Newton's secant on the circuit itself: which Z gives the same ratio on the moved rig?
            low, high = one, one * (1.0 + 1e-6)
            for _ in range(4):
                f_low, f_high = (np.divide(*_voltages(other, x)[::-1]) - ratio for x in (low, high))
                if f_high == f_low:
                    break
                low, high = high, high - f_high * (high - low) / (f_high - f_low)
            truth.append((high - one) / step)
        np.testing.assert_allclose(shifts[name], truth, rtol=5e-3, atol=2e-6, err_msg=name)
    slope = (rig.bilinear().impedance(m * 1.00001) - rig.bilinear().impedance(m * 0.99999)) / 2e-5
    np.testing.assert_allclose(shifts["channel gain"], 0.002 * slope, rtol=1e-5)


def test_gain_uncertainty_unless_stated_is_assumed(rig_file):
    path = rig_file(DIVIDER)
    rig = read_rig(path)
    assert rig.gain_uncertainty is None
    m, f = rig.ratio([8.0]), np.array([100.0])
    expected = rig.bilinear().slope(m) * m * ASSUMED_GAIN
    np.testing.assert_allclose(drawn_terms(rig).shifts(m, f)["channel gain"], expected, rtol=1e-5)
    stated = read_rig(rig_file(DIVIDER.replace("driver = 2", "driver = 2\ngain_uncertainty_percent = 0.1")))
    np.testing.assert_allclose(drawn_terms(stated).shifts(m, f)["channel gain"], 0.2 * expected, rtol=1e-5)
    perfect = read_rig(rig_file(DIVIDER.replace("driver = 2", "driver = 2\ngain_uncertainty_percent = 0")))
    assert "channel gain" not in drawn_terms(perfect).shifts(m, f)


def test_everything_of_a_rig_file_arrives(rig_file):
    rig = read_rig(rig_file(DIVIDER))
    assert (rig.name, rig.topology, rig.reference_ohm, rig.reference_stdev) == ("divider", "divider", 99.87, 0.05)
    assert (rig.total, rig.second, rig.input_siemens, rig.lead_ohm) == (0, 1, 1e-4, 0.06)
    assert rig.sample_rate_hz == 48000
    assert rig.calibration.known[0].ohm == 10.012
    swapped = read_rig(rig_file(SHUNT.replace("total = 1", "total = 2").replace("reference = 2", "reference = 1")))
    assert (swapped.total, swapped.second) == (1, 0)
    bare = SHUNT.split("[inputs]")[0].replace("reference_uncertainty_ohm = 0.05\n", "")
    plain = read_rig(rig_file(bare))
    assert plain.calibration is None
    assert plain.reference_stdev == pytest.approx(0.01001)
    named = set(drawn_terms(plain).shifts(np.array([0.5 + 0j]), np.array([100.0])))
    assert {"reference resistor", "channel gain"} <= named
    assert not {"input impedance", "lead resistance"} & named
    assert read_rig(rig_file(DIVIDER.replace("reference_ohm = 99.87", 'reference = "0.09987 kohm"'))).reference_ohm == (
        pytest.approx(99.87)
    )


@pytest.mark.parametrize(
    ("old", "new", "code", "word"),
    [
        ('name = "divider"', 'naem = "divider"', "wrong_key", "did you mean 'name'?"),
        ("reference_ohm", "referense_ohm", "wrong_key", "reference_ohm"),
        ("total = 1", "totl = 1", "wrong_key", "channels.totl"),
        ("[channels]", "[chanels]", "wrong_key", "did you mean 'channels'?"),
        ("[inputs]", "[input]", "wrong_key", "inputs"),
        ("impedance_ohm = 10000", "impedance = 10000", "wrong_key", "impedance_ohm"),
        ("resistance_ohm = 0.06", "resistance_mohm = 60", "wrong_key", "resistance_ohm"),
        ('open = "open.wav"', 'opened = "open.wav"', "wrong_key", "calibration.opened"),
        ("ohm = 10.012", "ohms = 10.012", "wrong_key", "ohm"),
        ("sample_rate_hz = 48000", "rate_hz = 48000", "wrong_key", "sample_rate_hz"),
        ('topology = "divider"\n', "", "missing_key", "topology"),
        ("reference_ohm = 99.87\n", "", "missing_key", "reference_ohm"),
        ("total = 1\n", "", "missing_key", "channels.total"),
        ("ohm = 10.012\n", "", "missing_key", "ohm"),
        ('topology = "divider"', 'topology = "bridge"', "wrong_value", "topology"),
        ('topology = "divider"', 'topology = "shunt"', "wrong_value", "total and reference"),
        ("reference_ohm = 99.87", "reference_ohm = -99.87", "wrong_value", "reference_ohm"),
        ("reference_ohm = 99.87", "reference_ohm = 0", "wrong_value", "reference_ohm"),
        ("reference_ohm = 99.87", "reference_ohm = 1e-320", "wrong_value", "reference_ohm"),
        ("reference_ohm = 99.87", "reference_ohm = 1e300", "wrong_value", "reference_ohm"),
        ("reference_ohm = 99.87", "reference_ohm = nan", "wrong_value", "reference_ohm"),
        ("reference_ohm = 99.87", 'reference = "99.87 V"', "wrong_value", "reference"),
        (
            "reference_uncertainty_ohm = 0.05",
            "reference_uncertainty_ohm = -0.05",
            "wrong_value",
            "reference_uncertainty_ohm",
        ),
        ("driver = 2", "driver = 1", "wrong_value", "the same"),
        ("driver = 2", "driver = 3", "wrong_value", "channels.driver"),
        ("driver = 2", "driver = 0", "wrong_value", "channels.driver"),
        ("driver = 2", "driver = 2.0", "wrong_value", "channels.driver"),
        ("driver = 2", "driver = 2\nreference = 1", "wrong_value", "total and driver"),
        ("driver = 2", "driver = 2\ngain_uncertainty_percent = -1", "wrong_value", "gain_uncertainty_percent"),
        ("impedance_ohm = 10000", "impedance_ohm = 0", "wrong_value", "inputs.impedance_ohm"),
        ("resistance_ohm = 0.06", "resistance_ohm = -0.06", "wrong_value", "leads.resistance_ohm"),
        ("ohm = 10.012", "ohm = -10.012", "wrong_value", "ohm"),
        ("sample_rate_hz = 48000", "sample_rate_hz = 0", "wrong_value", "sample_rate_hz"),
        ("[channels]", "[channels", "not_toml", "rig"),
    ],
)
def test_a_wrong_rig_file_gets_one_sentence(rig_file, old, new, code, word):
    assert old in DIVIDER
    path = rig_file(DIVIDER.replace(old, new, 1))
    with pytest.raises(TsfitError) as caught:
        read_rig(path)
    error = caught.value
    assert error.code == code, error.message
    assert word in error.message
    assert error.message.startswith(str(path))
    assert error.file == str(path)
    assert "\n" not in error.message


def test_a_rig_file_that_is_not_there(tmp_path):
    for path in (tmp_path / "none.toml", tmp_path):
        with pytest.raises(TsfitError) as caught:
            read_rig(path)
        assert caught.value.code == "missing_file"
