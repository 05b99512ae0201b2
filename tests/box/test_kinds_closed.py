import math
from dataclasses import replace

import numpy as np
import pytest
from helpers.boxes import closed_box

from tsfit.base.errors import TsfitError
from tsfit.driver.air import Air
from tsfit.driver.record import Driver
from tsfit.driver.sizes import UNLIKE_ANY

HERON = Driver("Heron 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346)
LADDER = replace(HERON, coil="ladder-2", coil_values={"Le": 0.4e-3, "L2": 0.9e-3, "R2": 6.0})


def textbook_f3(fc, qtc):
    """Half-power frequency of a second-order high-pass (Small, JAES 20(10), 1972; from memory)."""
    half = 0.5 * (1.0 / qtc**2 - 2.0)
    return fc * math.sqrt(half + math.sqrt(half**2 + 1.0))


@pytest.mark.parametrize("qtc", [0.5, 0.577, 0.707, 1.0, 1.5])
def test_lossless_box_is_the_textbook_high_pass(qtc):
    design = closed_box(HERON, qtc=qtc).numbers()
    fc = HERON.Fs * qtc / HERON.Qts
    assert design["qtc"] == pytest.approx(qtc, rel=1e-12)
    assert design["fc_hz"] == pytest.approx(fc, rel=1e-12)
    assert design["f3_hz"] == pytest.approx(textbook_f3(fc, qtc), rel=1e-9)
    assert design["fc_circuit_hz"] == pytest.approx(fc, rel=1e-9)
    assert design["qtc_circuit"] == pytest.approx(qtc, rel=1e-9)
    peak = qtc**2 / math.sqrt(qtc**2 - 0.25) if qtc > math.sqrt(0.5) else 1.0
    assert design["ripple_db"] == pytest.approx(20.0 * math.log10(peak), abs=1e-3)


def test_design_by_qtc_and_by_volume_agree():
    by_qtc = closed_box(LADDER, qtc=0.8, leak_q=12.0)
    by_volume = closed_box(LADDER, volume=1e-3 * by_qtc.numbers()["volume_l"], leak_q=12.0)
    assert by_volume.numbers()["qtc"] == pytest.approx(0.8, rel=1e-12)
    assert by_volume.numbers() == pytest.approx(by_qtc.numbers())
    np.testing.assert_allclose(by_volume.curves.spl_db, by_qtc.curves.spl_db, rtol=1e-12)


def test_response_phase_and_group_delay_follow_the_second_order_transfer_function():
    result = closed_box(HERON, qtc=0.9)
    w, w0, q = 2.0 * np.pi * result.curves.frequency_hz, 2.0 * np.pi * result.numbers()["fc_hz"], 0.9
    transfer = -(w**2) / (w0**2 - w**2 + 1j * w * w0 / q)
    np.testing.assert_allclose(
        result.curves.spl_db - result.numbers()["reference_db"], 20.0 * np.log10(np.abs(transfer)), atol=1e-9
    )
    turn = np.exp(1j * np.radians(result.curves.phase_deg))
    np.testing.assert_allclose(turn, transfer / np.abs(transfer), atol=1e-9)
    delay = (w0 / q) * (w0**2 + w**2) / ((w0**2 - w**2) ** 2 + (w * w0 / q) ** 2)
    np.testing.assert_allclose(result.curves.group_delay_ms, 1e3 * delay, rtol=1e-8)


def test_travel_at_the_lowest_frequencies_is_force_times_compliance():
    volume = 0.03
    result = closed_box(HERON, volume=volume, frequency_hz=[0.1, 1000.0])
    stiffness = 1.0 / HERON.Cms + HERON.air.stiffness * HERON.Sd**2 / volume
    by_hand = math.sqrt(2.0) * 2.83 * HERON.Bl / HERON.Re / stiffness
    assert result.curves.excursion_mm[0] == pytest.approx(1e3 * by_hand, rel=1e-4)


def test_impedance_peak_is_re_plus_bl_squared_over_rms():
    fc = closed_box(HERON, volume=0.03).numbers()["fc_hz"]
    curves = closed_box(HERON, volume=0.03).at([fc])
    assert curves.impedance_ohm[0] == pytest.approx(HERON.Re * (1.0 + HERON.Qms / HERON.Qes), rel=1e-9)
    assert curves.impedance_deg[0] == pytest.approx(0.0, abs=1e-6)


def test_mid_band_level_is_the_printed_sensitivity():
    """112.2 dB + 10 lg η0 at 1 W, 2 sr half space (Small 1972, from memory), moved to 2.83 V."""
    expected = 112.2 + 10.0 * math.log10(HERON.eta0) + 10.0 * math.log10(2.83**2 / HERON.Re)
    result = closed_box(HERON, qtc=0.707)
    assert result.numbers()["reference_db"] == pytest.approx(expected, abs=0.1)
    assert result.curves.spl_db[-1] == pytest.approx(result.numbers()["reference_db"], abs=0.01)


def test_power_drives_with_the_root_of_p_re():
    quiet, loud = closed_box(LADDER, qtc=0.7), closed_box(LADDER, qtc=0.7, power=50.0)
    gain = math.sqrt(50.0 * 5.6) / 2.83
    np.testing.assert_allclose(loud.curves.spl_db - quiet.curves.spl_db, 20.0 * math.log10(gain))
    np.testing.assert_allclose(loud.curves.excursion_mm, gain * quiet.curves.excursion_mm)
    assert loud.numbers()["f3_hz"] == pytest.approx(quiet.numbers()["f3_hz"], rel=1e-9)


def test_absorption_damps_the_circuit_but_not_the_textbook_values():
    absorption_q = 8.0
    design = closed_box(HERON, volume=0.03, absorption_q=absorption_q).numbers()
    w = 2.0 * math.pi * design["fc_hz"]
    box_loss = HERON.Sd**2 * HERON.air.stiffness / (0.03 * w * absorption_q)
    damping = HERON.Rms + box_loss + HERON.Bl**2 / HERON.Re
    assert design["fc_circuit_hz"] == pytest.approx(design["fc_hz"], rel=1e-9)
    assert design["qtc_circuit"] == pytest.approx(w * HERON.Mms / damping, rel=1e-9)
    assert design["qtc_circuit"] < 0.97 * design["qtc"]


def test_with_leaks_the_circuit_resonates_where_its_impedance_is_real():
    result = closed_box(LADDER, volume=0.03, leak_q=5.0)
    plain = replace(result, enclosure=result.enclosure.without_coil)
    assert plain.at([result.numbers()["fc_circuit_hz"]]).impedance_deg[0] == pytest.approx(0.0, abs=1e-6)
    assert result.numbers()["qtc_circuit"] < result.numbers()["qtc"]


def test_air_load_of_a_baffle_lowers_resonance_and_level():
    radius = math.sqrt(HERON.Sd / math.pi)
    heavier = 1.0 + 8.0 / 3.0 * HERON.air.density * radius**3 / HERON.Mms
    plain, loaded = closed_box(HERON, volume=0.03).numbers(), closed_box(HERON, volume=0.03, air_load="baffle").numbers()
    assert loaded["fc_hz"] == plain["fc_hz"]
    assert loaded["fc_circuit_hz"] == pytest.approx(plain["fc_hz"] / math.sqrt(heavier), rel=1e-9)
    assert plain["reference_db"] - loaded["reference_db"] == pytest.approx(20.0 * math.log10(heavier), rel=1e-9)


def test_thin_air_softens_the_box():
    """Box stiffness ρc² follows the barometric pressure and nothing else, to well within 0.1 %."""
    at_sea = closed_box(HERON, volume=0.03).numbers()
    up_high = closed_box(HERON, volume=0.03, air=Air(pressure_hpa=800.0)).numbers()
    assert up_high["alpha"] / at_sea["alpha"] == pytest.approx(800.0 / 1013.25, rel=1e-3)


def test_no_f3_where_the_coil_holds_the_level_down():
    result = closed_box(replace(HERON, coil_values={"Le": 0.2}), volume=0.5)
    assert result.numbers()["f3_hz"] is None
    assert "no_cutoff" in [note.code for note in result.notes]


def test_travel_beyond_xmax_is_said_with_its_frequency():
    driver = replace(HERON, Xmax=0.006)
    loud = closed_box(driver, volume=0.1, power=100.0)
    note, unrated = loud.notes
    assert (note.code, unrated.code) == ("beyond_xmax", "unrated")
    limit = float(note.message.split("below ")[1].split(" Hz")[0])
    below, above = loud.at([0.97 * limit, 1.03 * limit]).excursion_mm
    assert below > 6.0 > above
    assert closed_box(replace(driver, Pe=200.0), volume=0.1, power=0.1).notes == ()


@pytest.mark.parametrize(
    ("wrong", "code", "says"),
    [
        ({}, "usage", "either a volume or a Qtc"),
        ({"volume": 0.03, "qtc": 0.7}, "usage", "one of the two"),
        ({"volume": 0.0}, "wrong_value", "volume: 0 l"),
        ({"volume": -0.03}, "wrong_value", "volume: -30 l"),
        ({"volume": math.nan}, "wrong_value", "volume: nan l"),
        ({"volume": math.inf}, "wrong_value", "volume: inf l"),
        ({"volume": 30e3}, "wrong_value", "between 0.0001 and 100000 l"),
        ({"qtc": HERON.Qts}, "unreachable_qtc", "Qts of 0.3849"),
        ({"qtc": 0.2}, "unreachable_qtc", "ask for more"),
        ({"qtc": -1.0}, "unreachable_qtc", "Qts of 0.3849"),
        ({"qtc": math.nan}, "wrong_value", "Qtc: nan"),
        ({"qtc": HERON.Qts * (1.0 + 1e-7)}, "wrong_value", "the volume for Qtc"),
        ({"volume": 0.03, "leak_q": 0.0}, "wrong_value", "leak Q: 0 cannot be; give 0.1 or more"),
        ({"volume": 0.03, "absorption_q": -5.0}, "wrong_value", "absorption Q: -5"),
        ({"volume": 0.03, "voltage": 0.0}, "wrong_value", "drive: 0 V"),
        ({"volume": 0.03, "power": -1.0}, "wrong_value", "power: -1 W"),
        ({"volume": 0.03, "voltage": 2.0, "power": 1.0}, "usage", "keep one"),
        ({"volume": 0.03, "air_load": "vacuum"}, "wrong_value", "'free air' or 'baffle'"),
        ({"volume": 0.03, "frequency_hz": [20.0, math.nan]}, "wrong_value", "between 0.1 Hz and 100 kHz"),
        ({"volume": 0.03, "frequency_hz": [40.0, 20.0]}, "wrong_value", "must increase"),
        ({"volume": 0.03, "frequency_hz": []}, "wrong_value", "no frequency"),
    ],
)
def test_refusals(wrong, code, says):
    with pytest.raises(TsfitError) as refused:
        closed_box(HERON, **wrong)
    assert refused.value.code == code
    assert says in refused.value.message


def test_a_driver_known_from_free_air_alone_is_refused():
    with pytest.raises(TsfitError, match="Mms is not known") as refused:
        closed_box(replace(HERON, Mms=None), volume=0.03)
    assert refused.value.code == "incomplete_driver"


@pytest.mark.parametrize(
    ("qtc", "qts", "odd"),
    [(5.0, 0.36, True), (1.8, 0.36, True), (1.5, 0.36, False), (1.2, 0.36, False), (0.5, 0.36, False), (0.37, 0.36, True),
     (0.35, 0.2, False)],
)  # fmt: skip
def test_a_qtc_that_nobody_asks_for_is_doubted(qtc, qts, odd):
    driver = replace(HERON, Qes=qts * HERON.Qms / (HERON.Qms - qts))
    told = [note.message for note in closed_box(driver, qtc=qtc).notes if note.code == UNLIKE_ANY]
    assert any(f"A Qtc of {qtc:g} is hardly meant (usual 0.5 to 1.2)" in each for each in told) == odd
