"""Parameter sets in any broadcasting shape give what a loop over single sets gives."""

import numpy as np
import pytest
from helpers.kernel_cases import COILS, DRIVER, FREQUENCY_HZ, SUSPENSIONS, circuits

from tsfit.circuit.load import (
    Losses,
    PassiveRadiator,
    added_mass,
    band_pass_box,
    closed_box,
    free_air,
    infinite_baffle,
    passive_radiator_box,
    vented_box,
)
from tsfit.circuit.response import Circuit, Response, Source, Squares, impedance, impedance_gradient

DOWN, ACROSS = (3, 1), (2,)
VOLUMES = np.array([0.02, 0.05])
LOAD_OF = {
    "free air": lambda volume, area: free_air(),
    "added mass": lambda volume, area: added_mass(0.3 * volume),
    "infinite baffle": lambda volume, area: infinite_baffle(area),
    "closed": lambda volume, area: closed_box(
        volume, resonance=600.0 * volume, losses=Losses(leak_q=9.0, absorption_q=25.0)
    ),
    "vented": lambda volume, area: vented_box(
        volume, 20.0 + 200.0 * volume, losses=Losses(leak_q=7.0, absorption_q=40.0, port_q=60.0)
    ),
    "passive radiator": lambda volume, area: passive_radiator_box(
        volume, PassiveRadiator(0.11, 0.042, 6e-4, 20.0 * volume), losses=Losses(leak_q=8.0, absorption_q=30.0)
    ),
}


def spread(values, shape, seed):
    """Values that differ from set to set by up to 10 %."""
    rng = np.random.default_rng(seed)
    return {name: value * (1.0 + 0.1 * rng.random(shape)) for name, value in values.items()}


@pytest.mark.parametrize(("coil", "suspension", "load"), circuits(LOAD_OF))
def test_sets_of_two_shapes_equal_a_loop(coil, suspension, load):
    circuit, make = Circuit(coil, suspension), LOAD_OF[load]
    down = spread(DRIVER, DOWN, 1)
    across = spread({**COILS[coil], **SUSPENSIONS[suspension]}, ACROSS, 2)
    volt, source_ohm = np.array([1.0, 2.0, 4.0])[:, np.newaxis], np.array([0.0, 0.3])
    values, many = {**down, **across}, make(VOLUMES, down["Sd"])
    full = (3, 2, len(FREQUENCY_HZ))

    z = impedance(FREQUENCY_HZ, values, circuit, many)
    _, gradient = impedance_gradient(FREQUENCY_HZ, values, circuit, many)
    answer = Response(FREQUENCY_HZ, values, circuit, many, Source(voltage=volt, source_ohm=source_ohm))
    assert z.shape == full

    for i in range(3):
        for j in range(2):
            one = {name: float(np.broadcast_to(value, (3, 2))[i, j]) for name, value in values.items()}
            single = make(VOLUMES[j], one["Sd"])
            expected, slopes = impedance_gradient(FREQUENCY_HZ, one, circuit, single)
            np.testing.assert_allclose(z[i, j], expected, rtol=1e-12)
            assert slopes.keys() == gradient.keys()
            for name, slope in slopes.items():
                at = np.broadcast_to(gradient[name], full)[i, j]
                slope = np.broadcast_to(slope, at.shape)
                np.testing.assert_allclose(at, slope, rtol=1e-9, atol=1e-12 * np.max(np.abs(slope)), err_msg=name)
            alone = Response(FREQUENCY_HZ, one, circuit, single, Source(voltage=volt[i, 0], source_ohm=source_ohm[j]))
            for name in result_names():
                assert getattr(answer, name).shape == full, name
                np.testing.assert_allclose(
                    getattr(answer, name)[i, j], getattr(alone, name), rtol=1e-11, atol=1e-300, err_msg=name
                )


LOADS_AND_BAND_PASS = {
    **LOAD_OF,
    "band-pass without losses": lambda volume, area: band_pass_box(closed_box(volume), vented_box(0.02, 50.0)),
    "band-pass": lambda volume, area: band_pass_box(
        closed_box(volume, resonance=60.0, losses=Losses(leak_q=9.0)), vented_box(0.02, 50.0, losses=Losses(leak_q=7.0))
    ),
}


@pytest.mark.parametrize("load", LOADS_AND_BAND_PASS)
def test_squares_are_those_of_the_phasors(load):
    asked = FREQUENCY_HZ, DRIVER | COILS["simple"], Circuit(), LOADS_AND_BAND_PASS[load](VOLUMES, DRIVER["Sd"])
    drive = Source(voltage=4.0, source_ohm=0.3, distance_m=2.0)
    phasors, squares = Response(*asked, drive), Squares(*asked, drive)
    for name in result_names():
        expected = np.abs(getattr(phasors, name)) ** 2
        np.testing.assert_allclose(getattr(squares, name), expected, rtol=1e-12, err_msg=name)


def result_names():
    return ["impedance", "current", "travel", "cone", "port", "leak", "out", "pressure"]
