import io
from dataclasses import replace

import numpy as np
import pytest
from helpers.made_fit import made_fit

from tsfit.base.errors import TsfitError
from tsfit.box.bands import with_bands
from tsfit.box.build import band_pass_box, closed_box, infinite_baffle, passive_box, vented_box
from tsfit.box.ports import Port
from tsfit.circuit.load import added_mass, free_air
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.fit_result import FitResult, FittedState
from tsfit.driver.record import Driver
from tsfit.plots.box import box_figure, step_figure
from tsfit.plots.fit import fit_figure
from tsfit.plots.style import frequency_text, preferred_numbers, spread

HERON = Driver("Heron 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346, Xmax=0.006)


def png(figure):
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=60)
    return stream.getvalue()


def texts(figure):
    return [text.get_text() for panel in figure.axes for text in panel.texts]


def fitted(states, frequency, seed=1):
    rng = np.random.default_rng(seed)
    out = []
    for state, load in states:
        z = impedance(frequency, HERON.values(), Circuit(), load)
        sigma = 0.003 * np.abs(z)
        noise = rng.normal(size=(2, frequency.size))
        curve = ImpedanceCurve(frequency, z + sigma * (noise[0] + 1j * noise[1]))
        out.append(FittedState(curve, state, frequency < 0.7 * frequency[-1], z, sigma))
    return FitResult(HERON, {}, (), np.zeros((0, 0)), states=tuple(out))


FREE = (State(), free_air())
MASS = (State("added mass", mass=0.04), added_mass(0.04))


def test_a_closed_box_has_four_panels_with_units_and_direct_labels():
    result = closed_box(HERON, qtc=0.707, power=50.0)
    figure = box_figure(result)
    assert [panel.get_ylabel() for panel in figure.axes] == [
        "level, dB", "most, dB", "travel, mm peak", "group delay, ms", "impedance, Ω",
    ]  # fmt: skip
    assert figure.axes[-1].get_xlabel() == "frequency, Hz"
    assert texts(figure) == ["mid-band 106.9 dB", "f3 57 Hz", "travel", "Xmax 6 mm"]
    assert all(panel.get_legend() is None for panel in figure.axes)
    np.testing.assert_array_equal(figure.axes[0].lines[0].get_ydata(), result.curves.spl_db)
    np.testing.assert_array_equal(figure.axes[2].lines[0].get_ydata(), result.curves.excursion_mm)
    assert png(figure).startswith(b"\x89PNG")


def test_a_port_of_known_diameter_gets_a_panel():
    figure = box_figure(vented_box(HERON, volume=0.06, tuning=31.0, port_diameter=0.08))
    assert [panel.get_ylabel() for panel in figure.axes][3] == "port, m/s peak"
    assert len(box_figure(vented_box(HERON, volume=0.06, tuning=31.0)).axes) == len(figure.axes) - 1


RATED = {"power_w": 120.0, "peak_power_w": 300.0, "amplifier_v": 60.0}
KINDS = {
    "closed": lambda **more: closed_box(HERON, qtc=0.707, **more),
    "vented": lambda **more: vented_box(HERON, volume=0.06, tuning=31.0, port_diameter=0.08, **more),
    "baffle": lambda **more: infinite_baffle(HERON, **more),
    "passive": lambda **more: passive_box(
        HERON, volume=0.06, radiator_mass=0.11, radiator_area=0.048, radiator_fs=20.0, tuning=27.0, **more
    ),
    "bandpass": lambda **more: band_pass_box(
        HERON, rear_volume=0.03, front_volume=0.03, tuning=55.0, port=Port(diameter=0.1), **more
    ),
}


@pytest.mark.parametrize("kind", KINDS)
def test_the_maximum_names_each_limit_once_and_draws_it_in_its_own_style(kind):
    result = KINDS[kind](ratings=RATED)
    figure = box_figure(result)
    panel = figure.axes[1]
    assert panel.get_ylabel() == "most, dB"
    seen = result.maximum.spl_db > panel.get_ylim()[0]
    assert sorted(text.get_text() for text in panel.texts if text.get_text() != "short-term") == sorted(
        set(result.maximum.limited_by[seen])
    )
    assert ("short-term" in texts(figure)) == (not np.allclose(result.peak.spl_db, result.maximum.spl_db))
    drawn = [line for line in panel.lines if line.get_linewidth() == 2.0]
    assert len(drawn) == 1 + np.count_nonzero(np.diff(result.maximum.binding))
    styles = {(line.get_color(), str(line._unscaled_dash_pattern)) for line in drawn}
    assert len(styles) == len(set(result.maximum.limited_by))
    assert png(figure)


def test_without_ratings_there_is_no_panel_of_the_maximum():
    figure = box_figure(closed_box(replace(HERON, Xmax=None), qtc=0.707))
    assert "most, dB" not in [panel.get_ylabel() for panel in figure.axes]


def test_bands_of_a_fit_are_shaded():
    fit = replace(made_fit(spread=0.02), correlation_names=("Re", "Fs"), correlation=np.eye(2))
    figure = box_figure(with_bands(closed_box(fit.driver, qtc=0.707), fit, draws=50))
    assert [len(panel.collections) for panel in figure.axes] == [1, 1, 0, 1]


def test_the_step_starts_at_zero_and_is_in_milliseconds():
    (panel,) = step_figure(closed_box(HERON, qtc=0.707)).axes
    assert (panel.get_xlabel(), panel.get_ylabel()) == ("time, ms", "pressure, Pa")
    time, pressure = panel.lines[1].get_data()
    assert abs(time[np.argmax(pressure)]) < 1.0


@pytest.mark.parametrize("frequency", [[30.0], [30.0, 31.0], [20.0, 30.0, 40.0]])
def test_few_frequencies_can_be_drawn(frequency):
    assert png(box_figure(closed_box(HERON, qtc=0.707, frequency_hz=frequency)))


def test_a_name_with_dollars_and_a_very_long_name_are_shown_as_they_are():
    for name in ("$ Heron _{ $", "Heron " * 40):
        assert png(box_figure(closed_box(replace(HERON, name=name), qtc=0.707)))


def test_a_fit_shows_every_state_and_its_residuals_in_percent():
    fit = fitted([FREE, MASS], np.geomspace(10.0, 20e3, 200))
    figure = fit_figure(fit)
    assert [panel.get_ylabel() for panel in figure.axes] == ["impedance, Ω", "phase, °", "error, %", "error, %"]
    assert texts(figure)[:2] == ["free air", "added mass 40 g"]
    state = fit.states[1]
    magnitude, *_ = figure.axes[3].lines[1:]
    expected = 100.0 * np.log(np.abs(state.curve.impedance_ohm / state.fitted_ohm))[state.used]
    np.testing.assert_allclose(magnitude.get_ydata(), expected, atol=0.02)
    assert np.max(np.abs(expected)) > 0.5
    assert png(figure)


def test_repeats_of_a_state_share_one_label():
    figure = fit_figure(fitted([FREE, FREE, MASS, MASS], np.geomspace(20.0, 200.0, 40)))
    assert [text.get_text() for text in figure.axes[0].texts] == ["free air", "added mass 40 g"]
    assert len(figure.axes) == 6


def test_lines_differ_in_dash_so_that_a_photocopy_keeps_them_apart():
    figure = fit_figure(fitted([FREE, MASS], np.geomspace(20.0, 200.0, 40)))
    lines = [line for line in figure.axes[0].lines if line.get_linestyle() != "None"]
    assert len(lines) == len({(line.get_linestyle(), line.get_dash_capstyle()) for line in lines}) == 2


def test_a_fit_read_back_without_curves_is_refused():
    with pytest.raises(TsfitError, match="no measured curve") as refused:
        fit_figure(FitResult(HERON, {}, (), np.zeros((0, 0))))
    assert refused.value.code == "no_curves"


@pytest.mark.parametrize(
    ("low", "high", "ticks"),
    [
        (5.0, 2000.0, [5, 10, 20, 50, 100, 200, 500, 1000, 2000]),
        (20.0, 40.0, [20, 25, 31.5, 40]),
        (30.0, 34.0, [30, 31, 32, 33, 34]),
    ],
)
def test_ticks_stand_at_preferred_numbers(low, high, ticks):
    assert preferred_numbers(low, high) == pytest.approx(ticks)


def test_frequencies_are_written_short():
    assert [frequency_text(f) for f in (20.0, 31.5, 1000.0, 20e3)] == ["20", "31.5", "1k", "20k"]


def test_labels_keep_their_distance_and_their_order():
    placed = spread([0.30, 0.31, 0.02, 0.99], 0.2)
    assert np.all(np.diff(np.sort(placed)) > 0.199)
    assert list(np.argsort(placed)) == [2, 0, 1, 3]
    assert min(placed) >= 0.099
    assert max(placed) <= 0.901
    assert spread([0.5], 0.2) == [0.5]
