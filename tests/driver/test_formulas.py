"""The driver's formulas by hand, there and back, and a whole driver from any complete set of figures."""

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from tsfit.base.errors import TsfitError
from tsfit.driver.air import REFERENCE_AIR, Air
from tsfit.driver.formulas import (
    COPPER_PER_K,
    RELATIONS,
    closed_box_ratio,
    closed_box_volume,
    complete,
    compliance,
    efficiency,
    electrical_q,
    equivalent_volume,
    force_factor,
    mechanical_resistance,
    other_q,
    resonance,
    sensitivity_1w,
    sensitivity_2v83,
    total_q,
)
from tsfit.driver.record import Driver, driver_from_parameters

SIX = {"Re": 5.6, "Fs": 31.0, "Qms": 4.6, "Qes": 0.42, "Mms": 0.052, "Sd": 0.0346}
ELEVEN = ("Re", "Fs", "Qms", "Qes", "Qts", "Vas", "Mms", "Cms", "Rms", "Bl", "Sd")
HERON = Driver("Heron 10", **SIX)


def test_physical_values_by_hand():
    """Small, JAES 20(5), 1972. By hand for ωs = 200 rad/s, Mms = 50 g, Re = 5 Ω, Rms = 2 N·s/m, Bl = 10 T·m.

    1/Cms = 200²·0.05 = 2000 N/m; Qms = 200·0.05/2 = 5; Qes = 200·0.05·5/10² = 0.5; Qts = 2.5/5.5 = 0.4545.
    """
    fs = 200.0 / (2.0 * math.pi)
    assert compliance(fs, 0.05) == pytest.approx(0.5e-3, rel=1e-12)
    assert resonance(0.05, 0.5e-3) == pytest.approx(fs, rel=1e-12)
    assert mechanical_resistance(fs, 0.05, 5.0) == pytest.approx(2.0, rel=1e-12)
    assert electrical_q(fs, 0.05, 5.0, 10.0) == pytest.approx(0.5, rel=1e-12)
    assert force_factor(fs, 0.05, 5.0, 0.5) == pytest.approx(10.0, rel=1e-12)
    assert total_q(5.0, 0.5) == pytest.approx(2.5 / 5.5, rel=1e-12)
    assert other_q(2.5 / 5.5, 5.0) == pytest.approx(0.5, rel=1e-12)
    assert other_q(2.5 / 5.5, 0.5) == pytest.approx(5.0, rel=1e-12)


def test_equivalent_volume_by_hand():
    """ρc² = 1.40·101325 Pa = 141.9 kPa within 0.3 %: 0.05² m⁴·0.5 mm/N·141.9 kPa = 177 l."""
    assert equivalent_volume(0.5e-3, 0.05) == pytest.approx(0.1773, rel=3e-3)
    high = Air(pressure_hpa=800.0)
    assert equivalent_volume(0.5e-3, 0.05, high) == pytest.approx(0.1773 * 800.0 / 1013.25, rel=3e-3)


def test_efficiency_by_hand():
    """Small 1972, from memory: η0 = 9.6e-7 s³/m³·fs³·Vas/Qes with c = 345 m/s; here fs = 30 Hz, Vas = 0.2 m³, Qes = 0.4."""
    by_hand = 9.6e-7 * 30.0**3 * 0.2 / 0.4
    assert efficiency(30.0, 0.2, 0.4) == pytest.approx(by_hand * (345.0 / REFERENCE_AIR.sound_speed) ** 3, rel=2e-3)


def test_level_by_hand():
    """112.2 dB + 10 lg η0 at 1 W (Small 1972, from memory); √8 V into Re gives 8/Re watts."""
    assert sensitivity_1w(1.0) == pytest.approx(112.2, abs=0.1)
    assert sensitivity_1w(0.01) == pytest.approx(sensitivity_1w(1.0) - 20.0, abs=1e-9)
    assert sensitivity_2v83(0.01, 8.0) == pytest.approx(sensitivity_1w(0.01), abs=1e-12)
    assert sensitivity_2v83(0.01, 4.0) - sensitivity_1w(0.01) == pytest.approx(3.0103, abs=1e-4)


def test_efficiency_is_power_out_over_power_in_on_the_circuit_s_own_terms():
    """η0 = ρ Bl² Sd²/(2π c Re Mms²), the same thing in physical values (Small 1972)."""
    air = HERON.air
    other = air.density * HERON.Bl**2 * HERON.Sd**2 / (2.0 * math.pi * air.sound_speed * HERON.Re * HERON.Mms**2)
    assert HERON.eta0 == pytest.approx(other, rel=1e-12)


def test_closed_box_by_hand():
    """Vb = Vas/((Qtc/Qts)² − 1) (Small, JAES 20(10), 1972): Qtc/Qts = 2 gives Vas/3, and fc twice fs."""
    assert closed_box_volume(0.09, 0.35, 0.7) == pytest.approx(0.03, rel=1e-12)
    assert closed_box_ratio(0.09, 0.03) == pytest.approx(2.0, rel=1e-12)


@pytest.mark.against("resistance of copper", "IEC 60028, from memory: 0.00393 /K at 20 °C", "1e-6")
def test_copper():
    """IEC 60028, from memory: 0.00393 /K at 20 °C, so 5 Ω at 20 °C are 6.572 Ω at 100 °C."""
    hot = 5.0 * (1.0 + 80.0 * COPPER_PER_K)
    assert hot == pytest.approx(6.572, rel=1e-6)


def test_every_relation_agrees_with_every_other():
    full = complete(SIX | {"diameter": math.sqrt(4.0 * SIX["Sd"] / math.pi)})
    for relation in RELATIONS:
        again = relation.formula(*(full[name] for name in relation.needs))
        assert again == pytest.approx(full[relation.gives], rel=1e-12), relation


def complete_sets():
    """Six of the eleven figures each; those whose logarithms move independently with the six degrees of freedom."""
    base = np.log([complete(SIX)[name] for name in ELEVEN])
    slopes = []
    for name, value in SIX.items():
        moved = complete({**SIX, name: value * math.exp(1e-6)})
        slopes.append((np.log([moved[figure] for figure in ELEVEN]) - base) / 1e-6)
    jacobian = np.array(slopes).T
    chosen = [list(rows) for rows in itertools.combinations(range(11), 6)]
    return [[ELEVEN[i] for i in rows] for rows in chosen if np.linalg.svd(jacobian[rows])[1][-1] > 1e-3]


def test_a_whole_driver_from_every_complete_set():
    full, sets = complete(SIX), complete_sets()
    assert len(sets) == 188
    for names in sets:
        again = driver_from_parameters("Heron 10", {name: full[name] for name in names}, where="heron.toml")
        for name in ELEVEN:
            assert getattr(again, name) == pytest.approx(full[name], rel=1e-9), names


def test_given_figures_are_kept_though_they_contradict():
    assert complete(SIX | {"Qts": 0.5})["Qts"] == 0.5


def test_five_figures_are_not_a_driver():
    full = complete(SIX)
    for names in complete_sets()[::10]:
        for missing in names:
            with pytest.raises(TsfitError) as refused:
                driver_from_parameters("Heron 10", {n: full[n] for n in names if n != missing}, where="heron.toml")
            assert refused.value.code == "incomplete_driver"
            assert "heron.toml" in refused.value.message


def test_arrays_complete_like_numbers():
    many = complete({name: value * np.array([1.0, 1.1]) for name, value in SIX.items()})
    one = complete({name: 1.1 * value for name, value in SIX.items()})
    for name in ELEVEN:
        assert many[name][1] == pytest.approx(one[name], rel=1e-12)


@pytest.mark.parametrize("q", ["Qms", "Qes"])
def test_a_total_q_above_its_parts_is_refused(q):
    figures = {k: v for k, v in SIX.items() if k not in ("Qms", "Qes")} | {q: 0.4, "Qts": 0.4}
    with pytest.raises(TsfitError, match="Qts must be smaller") as refused:
        driver_from_parameters("Heron 10", figures, where="heron.toml")
    assert refused.value.code == "wrong_value"


def test_the_circuit_gets_what_belongs_to_the_same_driver():
    driver = replace(HERON, coil="ladder-2", coil_values={"Le": 4e-4, "L2": 9e-4, "R2": 6.0})
    values = driver.values()
    assert {"Le", "L2", "R2", "Re", "Bl", "Mms", "Cms", "Rms", "Sd"} == set(values)
    assert resonance(values["Mms"], values["Cms"]) == pytest.approx(31.0, rel=1e-12)
    assert electrical_q(31.0, values["Mms"], values["Re"], values["Bl"]) == pytest.approx(0.42, rel=1e-12)


@pytest.mark.parametrize(("name", "asked"), [("Mms", "Bl"), ("Mms", "Vas"), ("Sd", "Vas"), ("Sd", "eta0")])
def test_what_a_free_air_sweep_cannot_tell_is_refused_with_the_remedy(name, asked):
    with pytest.raises(TsfitError, match=f"{name} is not known") as refused:
        getattr(replace(HERON, **{name: None}), asked)
    assert refused.value.code == "incomplete_driver"
    assert replace(HERON, **{name: None}).Qts == pytest.approx(4.6 * 0.42 / 5.02)
