"""The simulated rig at power: what is between samples, and what it records of a driver that nothing bends."""

import numpy as np
import pytest
from helpers.power_rig import DRIVER, power_rig

from tsfit.capture.absolute import scale_of
from tsfit.capture.excitation import Wanted, make_excitation
from tsfit.capture.player import Hung, open_player
from tsfit.capture.rig import read_rig
from tsfit.capture.simulated_power import CONTEXT, SimulatedPowerBench, between
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver.record import AtPower
from tsfit.formats.driver import read_driver


def test_what_is_between_samples():
    t = np.arange(-CONTEXT, 64 + CONTEXT, dtype=float)
    dense = between(np.sin(0.1 * t), 2)
    np.testing.assert_allclose(dense, np.sin(0.1 * np.arange(257) / 4.0), atol=1e-8)


@pytest.mark.against("driver at power that nothing bends, on its shunt", "impedance of the linear circuit", "0.3 % median")
def test_a_driver_that_nothing_bends_has_its_linear_impedance(tmp_path):
    rig, rate = read_rig(power_rig(tmp_path)), 16000.0
    driver = read_driver(tmp_path / DRIVER)
    wanted = Wanted("odd multisine", 4.0, rate, 10.0, 250.0, level_dbfs=-40.0, periods=4, fall=1.0, fade_s=0.5)
    made, blocks = make_excitation(wanted), []
    SimulatedPowerBench(driver, AtPower(), rig, 60.0, noise_dbfs=-140.0).play(made, blocks.append)
    u, i = scale_of(rig).electrical(np.concatenate(blocks).astype(float))
    last = slice(made.start + 600 + 2 * made.period, made.start + 600 + 4 * made.period)
    lines = np.rint(made.lines_hz * 2 * made.period / rate).astype(int)
    z = (np.fft.rfft(u[last]) / np.fft.rfft(i[last]))[lines]
    true = impedance(made.lines_hz, driver.values(), Circuit(driver.coil, driver.suspension))
    assert np.median(np.abs(z / true - 1.0)) < 0.003
    assert np.max(np.abs(z / true - 1.0)) < 0.02


def test_a_coil_warms_and_a_cone_bends(tmp_path):
    rig = read_rig(power_rig(tmp_path))
    made = make_excitation(Wanted("odd multisine", 3.0, 16000.0, 10.0, 250.0, level_dbfs=-6.0, periods=3, fall=1.0))
    bent, straight = [], []
    player = open_player(rig, Hung(at_power=True))
    assert not player.in_real_time
    report = player.play(made, bent.append)
    assert report.frames == len(made.samples)
    SimulatedPowerBench(read_driver(tmp_path / DRIVER), AtPower(), rig, 60.0).play(made, straight.append)
    one, other = (np.concatenate(blocks)[:, rig.second] for blocks in (bent, straight))
    assert 0.03 < np.std(one - other) / np.std(other) < 0.6
