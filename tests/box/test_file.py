from typing import get_args

import numpy as np
import pytest
from helpers.boxes import box_plan

from tsfit.base.errors import TsfitError
from tsfit.box.enclosure import Kind
from tsfit.box.file import file_form, read_box, write_box
from tsfit.box.kinds import PLANS as PLANS_OF
from tsfit.box.ports import Port
from tsfit.box.told import leaves_of_kind, told
from tsfit.driver.air import Air
from tsfit.driver.record import Driver

HERON = Driver("Heron 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346, wiring="series")
COMMON = {
    "drivers": 4,
    "in_series": 2,
    "wiring": "parallel",
    "arrangement": "push-push",
    "air_load": "baffle",
    "source_ohm": 0.13,
    "voltage": 11.0,
    "air": Air(25.0, 980.0, 70.0),
    "ratings": {
        "power_w": 150.0,
        "peak_power_w": 400.0,
        "power_ohm": 8.0,
        "xmax_m": 0.0065,
        "amplifier_v": 40.0,
        "amplifier_a": 12.0,
    },
}
FILLED = {"filling": 1.15, "displaced": 0.0032, "leak_q": 9.0, "absorption_q": 60.0}
PORT = Port(diameter=0.11, count=2, flare=0.012, ends="both flush")
SLOT = Port(width=0.31, height=0.042, on_wall=True, wall=0.018)
RATED_PORT = {**COMMON, "ratings": {**COMMON["ratings"], "port_speed_m_s": 22.0}}
RADIATOR = {"radiator_mass": 0.11, "radiator_area": 0.048, "radiators": 2, "radiator_qms": 7.5}
PLANS = [
    box_plan("closed", name="Side fill", volume=0.0361, **FILLED, **COMMON),
    box_plan("closed", qtc=0.8, power=20.0, ratings={"amplifier_w": 200.0, "amplifier_load_ohm": 4.0, "hot_ratio": 1.4}),
    box_plan("baffle", **COMMON),
    box_plan("vented", volume=0.06, tuning=31.5, port=PORT, depth=0.4, port_q=70.0, **FILLED, **RATED_PORT),
    box_plan("vented", volume=0.06, port=SLOT, port_length=0.27, effective=0.33),
    box_plan("passive", volume=0.06, tuning=26.0, radiator_fs=20.0, **RADIATOR, **FILLED, **COMMON),
    box_plan(
        "passive",
        volume=0.06,
        added_mass=0.04,
        radiator_compliance=6e-4,
        **RADIATOR,
        ratings={"radiator_xmax_m": 0.011},
    ),
    box_plan(
        "bandpass",
        rear_volume=0.03,
        front_volume=0.022,
        tuning=52.0,
        rear_leak_q=12.0,
        rear_absorption_q=8.0,
        port_q=40.0,
        port=PORT,
        **FILLED,
        **COMMON,
    ),
]


@pytest.mark.parametrize("plan", PLANS, ids=lambda plan: plan.kind)
def test_a_written_plan_reads_back_as_the_same_box(plan, tmp_path):
    path = tmp_path / "box.toml"
    write_box(path, plan)
    again = read_box(path)
    assert (again.kind, again.name) == (plan.kind, plan.name)
    assert told(again) == told(plan)
    first, second = plan.build(HERON), again.build(HERON)
    for name in ("spl_db", "excursion_mm", "impedance_ohm"):
        np.testing.assert_allclose(getattr(second.curves, name), getattr(first.curves, name), rtol=1e-9)
    for ours, theirs in ((vars(second.ratings), vars(first.ratings)), (second.numbers(), first.numbers())):
        assert ours.keys() == theirs.keys()
        for name, value in theirs.items():
            assert ours[name] == (value if value is None else pytest.approx(value, rel=1e-6)), name


def test_every_key_is_told_by_one_of_the_plans_above():
    """So none is read and forgotten."""
    keys = {leaf.key for plan in PLANS_OF.values() for leaf in leaves_of_kind(plan)}
    used = {key for plan in PLANS for key, value in told(plan).items() if value is not None}
    assert keys - used == set()


def test_printed_values_with_units(tmp_path):
    path = tmp_path / "box.toml"
    path.write_text('kind = "vented"\nvolume = "2 ft^3"\ntuning = "31 Hz"\n[port]\ndiameter = "4 in"\n')
    plan = read_box(path)
    assert plan.volume == pytest.approx(2 * 0.3048**3)
    assert plan.opening.port.diameter == pytest.approx(0.1016)


def test_only_what_differs_from_the_defaults_is_written(tmp_path):
    path = tmp_path / "box.toml"
    everything = {"volume": 0.03, "leak_q": float("inf"), "filling": 1.0, "drivers": 1, "ratings": {"xmax_m": None}}
    write_box(path, box_plan("closed", **everything))
    assert path.read_text() == 'kind = "closed"\nvolume_l = 30.0\n'
    with pytest.raises(TsfitError, match="already there"):
        write_box(path, box_plan("closed", **everything))
    tube = Port(diameter=0.1, count=1, flare=0.0, ends="one flush", wall=0.003)
    write_box(tmp_path / "port.toml", box_plan("vented", volume=0.06, tuning=30.0, port=tube))
    assert "[port]\ndiameter_cm = 10.0\n" in (tmp_path / "port.toml").read_text()
    assert "wall" not in (tmp_path / "port.toml").read_text()


@pytest.mark.parametrize(
    ("text", "code", "says"),
    [
        ("volume_l = 30", "missing_key", "kind is missing; add one of closed, vented"),
        ('Kind = "closed"', "wrong_key", "did you mean 'kind'?"),
        ('kind = "round"', "wrong_value", "use one of closed, vented, passive, baffle, bandpass"),
        ("kind = 3", "wrong_value", "kind 3"),
        ('kind = "vented"\ntuning_hz = 30', "missing_key", "volume_l is missing"),
        ('kind = "vented"\nvolume_l = 30\ntunning_hz = 30', "wrong_key", "did you mean 'tuning_hz'?"),
        ('kind = "closed"\nvolume_l = 30\ntuning_hz = 30', "wrong_key", "tuning_hz is not a key"),
        ('kind = "vented"\nvolume_l = 30\n[port]\ndiamter_cm = 9', "wrong_key", "did you mean 'diameter_cm'?"),
        ('kind = "vented"\nvolume_l = 30\n[port]\nwidth_cm = 9', "usage", "a diameter, or a width and a height"),
        ('kind = "vented"\nvolume_l = 30\n[port]\ndiameter_cm = -9', "wrong_value", "port.diameter_cm"),
        ('kind = "closed"\nvolume_l = nan', "wrong_value", "volume_l"),
        ('kind = "closed"\nvolume_l = "30"', "wrong_value", "volume_l"),
        ('kind = "closed"\nvolume = "30 kg"', "wrong_value", "'kg' does not fit"),
        ('kind = "closed"\n[drivers]\ncount = 0', "wrong_value", "drivers.count"),
        ("kind =", "not_toml", "not a valid TOML box file"),
    ],
)
def test_refusals_are_one_sentence_with_place_and_remedy(text, code, says, tmp_path):
    path = tmp_path / "box.toml"
    path.write_text(text)
    with pytest.raises(TsfitError) as refused:
        read_box(path)
    assert refused.value.code == code
    assert refused.value.file == str(path)
    assert says in refused.value.message
    assert refused.value.message.startswith(f"{path}: ")


def test_every_kind_has_a_file_form():
    assert set(PLANS_OF) == set(get_args(Kind))
    assert all("kind" in file_form(kind).model_fields for kind in PLANS_OF)


def test_ratings_that_contradict_each_other_are_refused_with_the_file(tmp_path):
    path = tmp_path / "box.toml"
    path.write_text('kind = "closed"\nvolume_l = 30\n[amplifier]\npower_w = 100\n')
    with pytest.raises(TsfitError, match="both the watts and the ohms") as refused:
        read_box(path)
    assert refused.value.file == str(path)
