import numpy as np
import pytest

from tsfit.base.errors import TsfitError
from tsfit.circuit.load import closed_box
from tsfit.circuit.response import Circuit, Response, Source
from tsfit.circuit.wiring import ohm_factor, together
from tsfit.driver.record import Driver

COILS = {
    "simple": {"Le": 6e-4},
    "ladder-2": {"Le": 3e-4, "L2": 9e-4, "R2": 6.0},
    "power-law": {"K": 0.03, "n": 0.7},
    "four-exponent": {"Kr": 0.004, "Xr": 0.9, "Kx": 0.02, "Xx": 0.7},
    "semi-inductance": {"Leb": 1e-4, "Le": 9e-4, "Kss": 0.2, "Rss": 60.0},
}
F = np.geomspace(5.0, 1000.0, 40)


def heron(coil="simple", suspension="ideal", **suspension_values):
    return Driver(
        "Heron 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346, Xmax=0.006, Pe=100.0, Ppeak=300.0,
        coil=coil, coil_values=COILS[coil], suspension=suspension, suspension_values=suspension_values,
    )  # fmt: skip


def answer(driver, volume, volt):
    return Response(F, driver.values(), Circuit(driver.coil, driver.suspension), closed_box(volume), Source(voltage=volt))


@pytest.mark.parametrize("coil", COILS)
@pytest.mark.parametrize(
    ("suspension", "values"), [("ideal", {}), ("log-creep", {"creep": 0.1}), ("structural", {"Lambda": 40.0})]
)
@pytest.mark.parametrize(("count", "in_series"), [(2, 1), (2, 2), (4, 2), (6, 3)])
def test_each_of_n_drivers_in_n_volumes_behaves_as_one_in_one_volume(coil, suspension, values, count, in_series):
    """By symmetry a wall between equal drivers changes nothing. Each sees the voltage over the drivers in its string."""
    one = heron(coil, suspension, **values)
    all_of_them = answer(together(one, count, in_series), count * 0.03, 2.83)
    alone = answer(one, 0.03, 2.83 / in_series)
    np.testing.assert_allclose(all_of_them.impedance, ohm_factor(count, in_series) * alone.impedance, rtol=1e-12)
    np.testing.assert_allclose(all_of_them.travel, alone.travel, rtol=1e-12)
    np.testing.assert_allclose(all_of_them.pressure, count * alone.pressure, rtol=1e-12)


def test_face_to_face_halves_vas_and_keeps_fs_and_q():
    one = heron()
    pair = together(one, 2, 1, "face to face")
    assert pair.Vas == pytest.approx(one.Vas / 2.0)
    assert (pair.Fs, pair.Qts, pair.Sd) == (one.Fs, one.Qts, one.Sd)
    assert pair.Re == one.Re / 2.0
    # Both motors push one cone area: at equal voltage the level is that of one driver, for twice the power.
    np.testing.assert_allclose(answer(pair, 0.02, 2.83).pressure, answer(one, 0.04, 2.83).pressure, rtol=1e-12)


def test_two_pairs_face_to_face_are_two_of_one_pair():
    pair = together(heron(), 2, 1, "face to face")
    assert together(heron(), 4, 1, "face to face") == together(pair, 2, 1)


def test_push_push_is_two_drivers_to_the_air():
    assert together(heron(), 2, 1, "push-push") == together(heron(), 2, 1)


def test_one_driver_alone_is_itself():
    assert together(heron()) == heron()


def test_power_adds_and_travel_does_not():
    four = together(heron(), 4, 2)
    assert (four.Pe, four.Ppeak, four.Xmax) == (400.0, 1200.0, 0.006)
    assert four.Re == 5.6


def test_unknown_figures_stay_unknown():
    bare = Driver("Heron 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42)
    assert together(bare, 2).Mms is None


@pytest.mark.parametrize(
    ("count", "in_series", "arrangement"),
    [(3, 2, "side by side"), (0, 1, "side by side"), (2, 0, "side by side"), (3, 1, "face to face")],
)
def test_what_cannot_be_wired(count, in_series, arrangement):
    with pytest.raises(TsfitError) as refused:
        together(heron(), count, in_series, arrangement)
    assert refused.value.code == "wrong_value"
