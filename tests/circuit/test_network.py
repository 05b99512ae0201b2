"""The chambers of a box, branch by branch: impedances in parallel and flows that add up, worked out by themselves."""

import numpy as np
import pytest
from helpers.kernel_cases import FREQUENCY_HZ, LOADS

from tsfit.circuit.network import chamber, network

S = 2j * np.pi * FREQUENCY_HZ
BOXED = {name: load for name, load in LOADS.items() if load.boxed}


def branches(load):
    """Impedance of box air, of the leaks, and of the port or passive radiator."""
    air = 1.0 / (S * load.compliance) + load.absorption
    leaks = 1.0 / load.leak_conductance if load.leak_conductance else np.inf
    if not load.ported:
        return air, leaks, np.inf
    port = S * load.port_mass + load.port_resistance
    return air, leaks, port + 1.0 / (S * load.passive_compliance) if load.sprung else port


@pytest.mark.parametrize("name", BOXED)
def test_a_chamber_is_its_branches_in_parallel(name):
    air, leaks, port = branches(BOXED[name])
    one = chamber(S, 1.0 / S, BOXED[name])
    together = 1.0 / (1.0 / air + 1.0 / leaks + 1.0 / port)
    np.testing.assert_allclose(one.product / one.total, together, rtol=1e-12)
    for share, branch in ((one.box, air), (one.leak, leaks), (one.port, port)):
        np.testing.assert_allclose(share / one.total * np.ones_like(S), together / branch, rtol=1e-12, atol=1e-15)


@pytest.mark.parametrize("name", BOXED)
def test_all_that_flows_in_flows_out(name):
    one = chamber(S, 1.0 / S, BOXED[name])
    np.testing.assert_allclose((one.box + one.port + one.leak) / one.total, 1.0, rtol=1e-12)


def test_without_a_chamber_nothing_resists():
    free = network(S, 1.0 / S, LOADS["free air"])
    assert not free.rear.there
    assert free.product == 0.0
    assert free.out(baffled=False) == 0.0


def test_air_in_the_box_and_the_port_alone_resonate_without_loss():
    """At the tuning of a lossless box the fraction stays finite, though the impedance of the chamber does not."""
    from tsfit.circuit.load import vented_box

    s = np.array([2j * np.pi * 34.0])
    one = chamber(s, 1.0 / s, vented_box(0.06, 34.0))
    assert abs(one.total[0]) < 1e-9 * abs(one.port[0])
    assert np.isfinite(one.product).all()
