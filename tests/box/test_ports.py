import math

import numpy as np
import pytest
from helpers.boxes import vented_box
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from tsfit.base.errors import TsfitError
from tsfit.box.ports import Port, slot_end
from tsfit.circuit.load import FLANGED_END, FREE_END, port_mass
from tsfit.driver.air import REFERENCE_AIR as AIR
from tsfit.driver.record import Driver

HERON = Driver("Heron 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346)
PORTS = [
    Port(diameter=0.08),
    Port(diameter=0.08, count=2, ends="both flush"),
    Port(diameter=0.1, flare=0.02, ends="both free"),
    Port(width=0.3, height=0.03, on_wall=True),
]


def test_a_plain_round_port_is_the_one_of_the_circuit():
    assert Port(diameter=0.08).mass(0.2, AIR) == pytest.approx(port_mass(0.2, 0.04, AIR), rel=1e-12)
    two = Port(diameter=0.08, count=2, ends="both flush")
    assert two.mass(0.2, AIR) == pytest.approx(0.5 * port_mass(0.2, 0.04, AIR, ends=2.0 * FLANGED_END), rel=1e-12)


@pytest.mark.parametrize("port", PORTS)
def test_length_and_mass_are_inverse(port):
    assert port.length(port.mass(0.23, AIR), AIR, 30.0) == pytest.approx(0.23, rel=1e-12)


@pytest.mark.parametrize("sides", [(0.1, 0.1), (0.3, 0.03), (0.02, 0.5)])
def test_the_end_of_a_slot_is_the_integral_over_the_rectangle(sides):
    """∬∬dS dS'/r = 4∫∫(w−x)(h−y)/√(x²+y²) dx dy, in polar coordinates, where the pole is gone."""
    w, h = sides

    def along(angle):
        c, s = math.cos(angle), math.sin(angle)
        reach = min(w / c, h / s)
        return w * h * reach - (h * c + w * s) * reach**2 / 2.0 + c * s * reach**3 / 3.0

    corner = math.atan2(h, w)
    integral = 4.0 * (quad(along, 1e-12, corner, epsrel=1e-12)[0] + quad(along, corner, math.pi / 2, epsrel=1e-12)[0])
    assert slot_end(w, h) == pytest.approx(integral / (2.0 * math.pi * w * h), rel=1e-8)


def test_a_square_opening_moves_nearly_as_much_air_as_a_round_one_of_its_area():
    round_end = FLANGED_END * math.sqrt(0.01 / math.pi)
    assert slot_end(0.1, 0.1) == pytest.approx(round_end, rel=0.02)
    assert slot_end(0.1, 0.1) < round_end


def test_a_slot_on_a_wall_counts_its_mirror_image_at_the_inner_end():
    free, wall = Port(width=0.3, height=0.03), Port(width=0.3, height=0.03, on_wall=True)
    more = (wall.mass(0.2, AIR) - free.mass(0.2, AIR)) * free.section / AIR.density
    expected = FREE_END / FLANGED_END * (slot_end(0.3, 0.06) - slot_end(0.3, 0.03))
    assert more == pytest.approx(expected, rel=1e-9)
    assert more > 0.0


def test_a_rounding_is_integrated_over():
    """Against scipy.integrate along the axis; the mouth, not the throat, carries the end correction."""
    a, r = 0.05, 0.03
    widening, _ = quad(lambda x: 1.0 / (math.pi * (a + r - math.sqrt(r * r - x * x)) ** 2), 0.0, r, epsrel=1e-10)
    ends = (FLANGED_END + FREE_END) / (math.pi * (a + r))
    port = Port(diameter=2 * a, flare=r)
    assert port.mass(0.2, AIR) == pytest.approx(
        AIR.density * ((0.2 - 2 * r) / port.section + 2 * widening + ends), rel=1e-7
    )
    assert port.mass(0.2, AIR) < Port(diameter=2 * a).mass(0.2, AIR)


def test_a_rounded_edge_stands_more_speed_up_to_a_cap():
    """5 % of the speed of sound at the edge, 10 % anywhere: common practice, no source."""
    c = AIR.sound_speed
    assert Port(diameter=0.1).speed_limit(AIR) == pytest.approx(0.05 * c)
    assert Port(diameter=0.1, flare=0.01).speed_limit(AIR) == pytest.approx(0.05 * c * 1.44)
    assert Port(diameter=0.1, flare=0.05).speed_limit(AIR) == pytest.approx(0.10 * c)
    assert Port(width=0.3, height=0.03).speed_limit(AIR) == pytest.approx(0.05 * c)


@given(st.floats(0.05, 0.15), st.integers(1, 4))
def test_two_ports_are_longer_than_one_of_the_same_diameter(diameter, count):
    mass = Port(diameter=diameter).mass(0.1, AIR)
    lengths = [Port(diameter=diameter, count=n).length(mass, AIR, 30.0) for n in (count, count + 1)]
    assert lengths[1] > lengths[0]


def test_the_least_diameter_of_a_refusal_just_works():
    with pytest.raises(TsfitError, match="take more than") as refused:
        vented_box(HERON, volume=0.06, tuning=60.0, port_diameter=0.03)
    least = float(refused.value.message.split("more than ")[1].split(" cm")[0])
    assert vented_box(HERON, volume=0.06, tuning=60.0, port_diameter=1.01e-2 * least).numbers()["port_length_cm"] < 1.0


def test_a_box_tuned_by_its_port_has_that_port():
    port = Port(diameter=0.1, count=2, flare=0.01)
    given_tuning = vented_box(HERON, volume=0.06, tuning=36.0, port=port).numbers()
    given_length = vented_box(HERON, volume=0.06, port=port, port_length=1e-2 * given_tuning["port_length_cm"]).numbers()
    assert given_length["fb_hz"] == pytest.approx(36.0, rel=1e-12)
    assert given_length["port_area_cm2"] == pytest.approx(2e4 * math.pi / 4 * 0.01)


def test_all_ports_share_the_flow():
    one, two = (vented_box(HERON, volume=0.06, tuning=36.0, port=Port(diameter=0.1, count=n)) for n in (1, 2))
    np.testing.assert_allclose(one.curves.port_speed_m_s, 2.0 * two.curves.port_speed_m_s, rtol=1e-12)


@pytest.mark.parametrize("depth", [0.2, 0.4])
def test_whether_the_port_fits_the_depth_is_said(depth):
    """20.3 cm of an 8 cm port, with a diameter kept free behind it."""
    result = vented_box(HERON, volume=0.06, tuning=31.0, port_diameter=0.08, depth=depth)
    assert ("long_port" in [note.code for note in result.notes]) == (depth == 0.2)


@pytest.mark.parametrize(
    ("wrong", "code"),
    [
        ({}, "usage"),
        ({"width": 0.3}, "usage"),
        ({"diameter": 0.1, "width": 0.3, "height": 0.1}, "usage"),
        ({"width": 0.3, "height": 0.1, "flare": 0.01}, "usage"),
        ({"diameter": 0.1, "on_wall": True}, "usage"),
        ({"diameter": -0.1}, "wrong_value"),
        ({"diameter": 0.1, "count": 0}, "wrong_value"),
        ({"diameter": 0.1, "ends": "glued"}, "wrong_value"),
        ({"diameter": 0.1, "flare": float("nan")}, "wrong_value"),
    ],
)
def test_ports_that_cannot_be(wrong, code):
    with pytest.raises(TsfitError) as refused:
        Port(**wrong)
    assert refused.value.code == code
