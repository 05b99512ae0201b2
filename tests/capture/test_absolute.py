"""Volts and amperes of a recording against the circuit solved node by node."""

import numpy as np
import pytest
import soundfile

from tsfit.base.errors import TsfitError
from tsfit.capture.absolute import electrical_blocks, scale_of
from tsfit.capture.rig import read_rig

RIG = """name = "power"
topology = "{topology}"
reference_ohm = 0.1
[channels]
total = 2
{second} = 1
total_v_full_scale = 62.5
{second}_v_full_scale = 2.5
full_scale_uncertainty_percent = 0.1
[inputs]
impedance_ohm = 50
[leads]
resistance_ohm = 0.045
"""


def _rig(tmp_path, topology, text=""):
    path = tmp_path / "rig.toml"
    second = {"shunt": "reference", "divider": "driver"}[topology]
    path.write_text(RIG.format(topology=topology, second=second) + text)
    return read_rig(path)


def _nodes(topology, current, ohm):
    """Volts at the total and the second channel for a current through a driver of `ohm`, by Kirchhoff's laws."""
    g, lead, reference = 1.0 / 50.0, 0.045, 0.1
    if topology == "shunt":
        second = current / (1.0 / reference + g)
        return current * (ohm + lead) + second, second
    second = current * (ohm + lead)
    return second + reference * (current + g * second), second


@pytest.mark.parametrize("topology", ["shunt", "divider"])
def test_what_the_nodes_show_is_read_back(tmp_path, topology):
    rng = np.random.default_rng(1)
    current = rng.normal(0.0, 0.4, 3000)
    total, second = _nodes(topology, current, 5.4)
    scale = scale_of(_rig(tmp_path, topology))
    voltage, found = scale.electrical(np.stack([second / 2.5, total / 62.5], axis=1))
    assert found == pytest.approx(current, rel=1e-9, abs=1e-12)
    assert voltage == pytest.approx(5.4 * current, rel=1e-9, abs=1e-12)
    assert scale.power_uncertainty == pytest.approx(np.sqrt(2 * 0.1**2 + 0.1**2) / 100, rel=1e-9)
    assert scale.lead_stdev_ohm == pytest.approx(0.0045)


def test_a_known_resistor_sets_the_ratio_and_a_sweep_its_own_gains(tmp_path):
    path = tmp_path / "rig.toml"
    path.write_text(RIG.format(topology="shunt", second="reference").replace("[inputs]", "gain_trim = 0.0404\n[inputs]"))
    rig = read_rig(path)
    scale = scale_of(rig)
    assert scale.second_v / scale.total_v == pytest.approx(0.0404)
    assert scale.second_v * scale.total_v == pytest.approx(2.5 * 62.5)
    own = scale_of(rig, 10.0, 0.4)
    assert (own.total_v, own.second_v) == (10.0, 0.4)


def test_without_volts_nothing_is_told(tmp_path):
    path = tmp_path / "rig.toml"
    path.write_text('name = "x"\ntopology = "shunt"\nreference_ohm = 0.1\n[channels]\ntotal = 1\nreference = 2\n')
    with pytest.raises(TsfitError, match="add total_v_full_scale and reference_v_full_scale") as error:
        scale_of(read_rig(path))
    assert error.value.code == "no_scale"


def test_the_ratio_of_an_impedance_follows_the_volts(tmp_path):
    assert _rig(tmp_path, "shunt").gain_trim == pytest.approx(0.04)


def test_a_file_in_blocks_is_the_file(tmp_path):
    rng = np.random.default_rng(2)
    samples = rng.normal(0.0, 0.1, (20000, 2)).astype(np.float32)
    soundfile.write(tmp_path / "run.wav", samples, 4000, "FLOAT")
    scale = scale_of(_rig(tmp_path, "shunt"))
    rate, blocks = electrical_blocks(tmp_path / "run.wav", scale, 1.3)
    voltage, current = (np.concatenate(parts) for parts in zip(*blocks, strict=True))
    expected = scale.electrical(samples.astype(float))
    assert rate == 4000.0
    assert voltage == pytest.approx(expected[0], abs=1e-4)
    assert current == pytest.approx(expected[1], abs=1e-5)


@pytest.mark.parametrize(
    ("damage", "code"),
    [
        (lambda x: np.clip(x, -0.2, 0.2), "clipping"),
        (lambda x: x * [1.0, 0.0], "dead_channel"),
        (lambda x: x[:, [0, 0]], "mono"),
        (lambda x: x[:, :1], "mono"),
        (lambda x: np.where(np.arange(len(x))[:, None] == 15000, np.nan, x), "not_finite"),
    ],
)
def test_what_cannot_be_trusted_is_refused_in_whichever_block_it_is(tmp_path, damage, code):
    samples = np.random.default_rng(3).normal(0.0, 0.1, (20000, 2))
    soundfile.write(tmp_path / "run.wav", damage(samples), 4000, "FLOAT")
    with pytest.raises(TsfitError) as error:
        for _ in electrical_blocks(tmp_path / "run.wav", scale_of(_rig(tmp_path, "shunt")), 1.0)[1]:
            pass
    assert error.value.code == code


def test_a_file_cut_off_is_refused(tmp_path):
    path = tmp_path / "run.wav"
    soundfile.write(path, np.random.default_rng(4).normal(0.0, 0.1, (20000, 2)), 4000, "FLOAT")
    path.write_bytes(path.read_bytes()[:-8000])
    with pytest.raises(TsfitError) as error:
        list(electrical_blocks(path, scale_of(_rig(tmp_path, "shunt")), 1.0)[1])
    assert error.value.code == "truncated"
