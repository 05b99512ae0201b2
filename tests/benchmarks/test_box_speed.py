"""Ten thousand vented boxes with all limits in one call, against ngspice run once per box and python-control in a loop, and
the bands of a fit; timed in the same run. Nothing here asserts a time.
"""

import time
from dataclasses import replace

import control
import numpy as np
import pytest
from helpers.boxes import vented_box
from helpers.made_fit import made_fit
from helpers.ngspice import Box, netlist, run

from tsfit.box.enclosure import Enclosure
from tsfit.box.limits import Ratings, maximum_output
from tsfit.box.uncertainty import with_bands
from tsfit.circuit import load
from tsfit.circuit.response import Circuit, Response, Source
from tsfit.driver.record import Driver

BOXES, POINTS = 10_000, 300
HERON = Driver(
    "Heron 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346, coil="ladder-2",
    coil_values={"Le": 4e-4, "L2": 6e-4, "R2": 3.0},
)  # fmt: skip
RATINGS = Ratings(power_w=200.0, xmax_m=0.006, port_speed_m_s=17.0, amplifier_v=40.0, amplifier_a=15.0)
LOSSES = {"leak_q": 7.0, "absorption_q": 40.0, "port_q": 60.0}
F = np.linspace(5.0, 1000.0, POINTS)


def boxes(n):
    rng = np.random.default_rng(7)
    volume, tuning, area = rng.uniform(0.02, 0.2, n), rng.uniform(18.0, 45.0, n), rng.uniform(0.002, 0.02, n)
    return (
        Enclosure("vented", HERON, load.vented_box(volume, tuning, HERON.air, losses=load.Losses(**LOSSES)), 2.83, area),
        volume,
        tuning,
    )


def state_space(volume, tuning):
    """Current, travel, port flow and flow of the box air, which the limits need, of a box with leaks, for python-control.

    States: currents of both inductances, travel, speed, volume gone through the port, its flow, volume gone through leaks.
    """
    p, spring = HERON.values(), HERON.air.stiffness / volume
    omega = 2.0 * np.pi * tuning
    mass, conductance = spring / omega**2, omega / spring / 7.0
    a = np.zeros((7, 7))
    a[0, [0, 1, 3]] = np.array([-(p["Re"] + p["R2"]), p["R2"], -p["Bl"]]) / p["Le"]
    a[1, [0, 1]] = np.array([p["R2"], -p["R2"]]) / p["L2"]
    a[2, 3] = a[4, 5] = 1.0
    push = -spring * np.array([p["Sd"], 1.0, 1.0])  # box pressure by travel, port volume, leaked volume
    a[3, [0, 2, 3]] = np.array([p["Bl"], -1.0 / p["Cms"], -p["Rms"]]) / p["Mms"]
    a[3, [2, 4, 6]] += p["Sd"] / p["Mms"] * push
    a[5, [2, 4, 6]] = push / mass
    a[6, [2, 4, 6]] = conductance * push
    b = np.zeros((7, 1))
    b[0, 0] = 1.0 / p["Le"]
    c = np.zeros((4, 7))
    c[0, 0] = c[1, 2] = c[2, 5] = 1.0
    c[3] = p["Sd"] * np.eye(7)[3] + np.eye(7)[5] + a[6]
    return control.ss(a, b, c, np.zeros((4, 1)))


def test_ten_thousand_boxes_with_all_limits(benchmark, median, tmp_path):
    many, volumes, tunings = boxes(BOXES)
    start = time.perf_counter()
    for k in range(5):
        drawn = Box(volume=volumes[k], reference_hz=tunings[k], tuning_hz=tunings[k], **LOSSES)
        air = HERON.air
        spice = run(netlist(HERON.values(), drawn, air.density, air.sound_speed, f"lin {POINTS} 5 1000"), tmp_path)
    per_spice = (time.perf_counter() - start) / 5
    start = time.perf_counter()
    for volume, tuning in zip(volumes[:10], tunings[:10], strict=True):
        answer = control.frequency_response(state_space(volume, tuning), 2.0 * np.pi * F).complex
    per_control = (time.perf_counter() - start) / 10

    air = HERON.air
    same = Response(
        F,
        HERON.values(),
        Circuit("ladder-2"),
        load.vented_box(volume, tuning, air, losses=load.Losses(leak_q=7.0)),
        Source(voltage=1.0),
    )
    far = 2j * np.pi * F * air.density / (2.0 * np.pi)
    for row, ours in zip(answer, (same.current, same.travel, same.port, same.pressure / far), strict=True):
        np.testing.assert_allclose(row[0], ours, rtol=1e-6)

    most = benchmark.pedantic(maximum_output, args=(many, F, RATINGS), rounds=5, warmup_rounds=1)
    assert most.spl_db.shape == (BOXES, POINTS)
    one = replace(many.take(slice(4, 5)), voltage=1.0).respond(F)
    np.testing.assert_allclose(one.travel[0], spice["i(vvelocity)"] / (2j * np.pi * F), rtol=1e-3)
    benchmark.extra_info["seconds"] = round(median(), 3)
    benchmark.extra_info["times faster than ngspice"] = f"{BOXES * per_spice / median():.0f}"
    benchmark.extra_info["times faster than python-control"] = f"{BOXES * per_control / median():.0f}"


@pytest.mark.parametrize("draws", [1000])
def test_bands_of_a_thousand_draws(benchmark, draws):
    fit = replace(made_fit(spread=0.01), correlation_names=("Re", "Fs", "Qms", "Qes", "Mms", "Sd"), correlation=np.eye(6))
    ratings = {"power_w": 90.0, "xmax_m": 0.005}
    result = vented_box(fit.driver, volume=0.03, tuning=33.0, port_diameter=0.07, ratings=ratings)
    banded = benchmark.pedantic(with_bands, args=(result, fit), kwargs={"draws": draws}, rounds=5, warmup_rounds=1)
    assert banded.bands.curves["max_spl_db"].low.shape == (416,)
