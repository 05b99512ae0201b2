"""The search against a dense grid over the same limits, and what it finds against the box evaluated by itself."""

import math
import os
from dataclasses import replace

import numpy as np
import pytest
from helpers.boxes import vented_box, vented_search

from tsfit.base.errors import TsfitError
from tsfit.box.design.search import Limits, best_vented, usual_limits
from tsfit.box.ports import Port
from tsfit.circuit.load import Load, air_load_change
from tsfit.driver.record import Driver

DRIVERS = int(os.environ.get("TSFIT_SEARCH_DRIVERS", "4"))
GRID = 70
HERON = Driver("Heron 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346, coil_values={"Le": 1.2e-3})


def random_search(seed):
    """A driver between a 10 cm and a 45 cm cone, with limits of which some bind and few exclude everything."""
    generator = np.random.default_rng([6, seed])
    uniform = generator.uniform
    sd = math.exp(uniform(math.log(0.006), math.log(0.13)))
    driver = Driver(
        f"driver {seed}",
        Re=uniform(3.0, 7.0),
        Fs=uniform(18.0, 60.0),
        Qms=uniform(2.5, 12.0),
        Qes=uniform(0.22, 0.7),
        Mms=uniform(0.8, 1.6) * 3.0 * sd**1.3,
        Sd=sd,
        coil="ladder-2",
        coil_values={"Le": 2e-4, "L2": uniform(3e-4, 1.5e-3), "R2": uniform(1.0, 6.0)},
    )
    limits = replace(
        usual_limits(driver, uniform(0.4, 2.0) * driver.Vas),
        ripple_db=uniform(0.2, 2.0),
        delay=uniform(0.7, 2.0) / driver.Fs,
        port_speed=uniform(8.0, 25.0),
    )
    if generator.random() < 0.5:
        port = Port(diameter=uniform(0.25, 0.7) * math.sqrt(driver.Sd))
        limits = replace(limits, port=port, port_length=uniform(0.2, 0.8))
    return vented_search(driver, limits, voltage=math.sqrt(uniform(2.0, 20.0) * driver.Re), leak_q=uniform(7.0, 20.0))


def everything(search):
    axes = (np.geomspace(*search.limits.volume, GRID), np.geomspace(*search.limits.tuning, GRID))
    return search.evaluate(*(axis.ravel() for axis in np.meshgrid(*axes)))


@pytest.mark.against("search for the best vented box, `TSFIT_SEARCH_DRIVERS` drivers", "a dense grid", "0.5 %")
@pytest.mark.parametrize("seed", range(DRIVERS))
def test_the_lowest_f3_is_that_of_a_dense_grid(seed):
    search = random_search(seed)
    try:
        found = best_vented(search)
    except TsfitError:
        found = None
    grid = everything(search)
    within = grid.excess == 0.0
    if found is None:
        assert not np.any(within)
        return
    assert found.excess[0] == 0.0
    if np.any(within):
        assert found.merits.f3_hz[0] <= 1.005 * np.min(grid.merits.f3_hz[within])
    limits = search.limits
    alone = vented_box(
        search.bare.driver,
        volume=found.volume[0],
        tuning=found.tuning[0],
        leak_q=search.losses.leak_q,
        voltage=search.bare.voltage,
        port=search.port.wider(float(found.port_scale[0])),
    )
    f3 = alone.numbers()["f3_hz"]
    assert f3 == pytest.approx(found.merits.f3_hz[0], rel=5e-4)
    assert alone.numbers()["ripple_db"] <= limits.ripple_db + 0.01
    heard = alone.at(np.geomspace(0.5 * f3, 20.0 * f3, 600))
    assert np.max(heard.group_delay_ms) <= 1.005e3 * limits.delay
    assert alone.numbers()["port_speed_max_m_s"] <= 1.002 * limits.port_speed
    assert alone.numbers()["port_length_cm"] == pytest.approx(100.0 * found.port_length[0])
    longest = np.cbrt(found.volume[0]) if limits.port_length is None else limits.port_length
    assert 0.0 < found.port_length[0] <= longest * (1.0 + 1e-9)


@pytest.mark.parametrize("qes", [0.3, 0.42, 0.7])
@pytest.mark.parametrize("volume", [(0.02, 0.06), (0.04, 0.04)])
def test_the_most_even_box(qes, volume):
    driver = replace(HERON, Qes=qes)
    search = vented_search(driver, Limits(volume, (12.0, 80.0)), leak_q=10.0)
    found = best_vented(search, "least ripple")
    grid = everything(search)
    least = np.min(grid.merits.unevenness_db)
    assert found.merits.unevenness_db[0] <= least + 0.02
    as_even = grid.merits.unevenness_db <= found.merits.unevenness_db[0]
    if np.any(as_even):
        assert found.merits.f3_hz[0] <= 1.005 * np.min(grid.merits.f3_hz[as_even])


def test_with_no_limit_but_volume_the_lossless_box_without_ripple_is_no_worse_than_b4():
    """B4 is one of the boxes without ripple, so the search may find a lower one, never a higher one."""
    driver = replace(HERON, Qes=1.0 / (1.0 / 0.38268 - 1.0 / HERON.Qms), coil_values={"Le": 0.0})
    search = vented_search(driver, replace(usual_limits(driver), ripple_db=1e-3))
    assert best_vented(search).merits.f3_hz[0] <= driver.Fs * 1.001


def test_a_part_of_the_cone_that_swings_asks_for_no_other_box():
    """It swings at twenty times the tuning; no volume takes its 0.7 dB away, nor may it use up what ripple is allowed."""
    swinging = replace(HERON, suspension_values={**HERON.suspension_values, "Fp1": 760.0, "mp1": 0.05, "Qp1": 3.0})
    found = [best_vented(vented_search(one, usual_limits(one, 0.08), leak_q=10.0)) for one in (HERON, swinging)]
    assert found[1].volume == pytest.approx(found[0].volume, rel=0.01)
    assert found[1].tuning == pytest.approx(found[0].tuning, rel=0.01)


def test_limits_that_exclude_everything_are_named():
    search = vented_search(HERON, replace(usual_limits(HERON, 0.02), delay=1e-4))
    with pytest.raises(
        TsfitError, match=r"group delay \(.*, limit 0.1: --group-delay-ms\).*; relax one of these"
    ) as refused:
        best_vented(search)
    assert refused.value.code == "unreachable_limits"


@pytest.mark.parametrize(("largest", "more"), [(0.015, True), (0.1, False), (0.3, False)])
@pytest.mark.parametrize(
    ("port", "side"), [(Port(diameter=0.05), "diameter"), (Port(width=0.1, height=0.02), "width")], ids=["round", "slot"]
)
def test_a_port_too_narrow_is_told_with_what_helps(port, side, largest, more):
    """More volume is no remedy where the search leaves much of it unused; twice the section is one, where room is left."""
    limits = replace(usual_limits(HERON, largest), port=port, port_speed=10.0, port_length=1.0, ripple_db=2.0)
    search = vented_search(HERON, limits, voltage=8.0, leak_q=10.0)
    with pytest.raises(TsfitError, match=r"port speed \(\S+ m/s, limit 10: --port-speed-m-s\)") as refused:
        best_vented(search)
    assert f"take a wider port (--port-{side}-cm)" in refused.value.message
    assert ("allow more volume" in refused.value.message) == more
    if not more:
        best_vented(replace(search, limits=replace(limits, port=port.wider(2.0))))


@pytest.mark.parametrize("seed", range(4))
def test_a_search_behind_a_resistance_with_air_load_and_other_ports_agrees_with_the_box_alone(seed):
    """What the search says of its box is what the box says of itself."""
    search = random_search(seed)
    port = Port(diameter=0.1, count=1 + seed, flare=0.005 * seed, ends=("one flush", "both flush", "both free")[seed % 3])
    if seed == 3:
        port = Port(width=0.2, height=0.03, on_wall=True)
    limits = replace(search.limits, port=port, fixed_port=False, port_length=2.0, delay=math.inf, ripple_db=3.0)
    extra = float(air_load_change(search.bare.driver.Sd, search.bare.driver.air))
    search = replace(search, limits=limits, bare=replace(search.bare, source_ohm=0.5, load=Load(added_mass=extra)))
    found = best_vented(search)
    alone = vented_box(
        search.bare.driver,
        volume=found.volume[0],
        tuning=found.tuning[0],
        leak_q=search.losses.leak_q,
        voltage=search.bare.voltage,
        source_ohm=0.5,
        air_load="baffle",
        port=port.wider(float(found.port_scale[0])),
    )
    assert alone.numbers()["f3_hz"] == pytest.approx(found.merits.f3_hz[0], rel=5e-4)
    assert alone.numbers()["ripple_db"] == pytest.approx(found.merits.ripple_db[0], abs=0.01)
    assert alone.numbers()["port_length_cm"] == pytest.approx(100.0 * found.port_length[0])
    assert alone.numbers()["port_speed_max_m_s"] == pytest.approx(limits.port_speed, rel=2e-3)
