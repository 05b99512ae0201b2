"""Boxes as plots: panels with units, direct labels, limits in their own look, bands."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from helpers.boxes import band_pass_box, closed_box, infinite_baffle, passive_box, vented_box
from helpers.made_fit import made_fit
from helpers.read_plot import png, texts

from tsfit.box.ports import Port
from tsfit.box.uncertainty import swept, with_bands
from tsfit.driver.record import Driver
from tsfit.plots.box import box_plot, step_plot

HERON = Driver("Heron 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346, Xmax=0.006)


def test_a_closed_box_has_four_panels_with_units_and_direct_labels():
    result = closed_box(HERON, qtc=0.707, power=50.0)
    figure = box_plot(result)
    assert [panel.get_ylabel() for panel in figure.axes] == [
        "level at 16.7 V, dB at 1 m", "loudest, dB at 1 m", "travel, mm peak", "group delay, ms", "impedance, Ω",
    ]  # fmt: skip
    assert figure.axes[-1].get_xlabel() == "frequency, Hz"
    assert texts(figure) == ["mid-band 106.9 dB", "f3 57 Hz", "travel", "Xmax 6 mm"]
    assert all(panel.get_legend() is None for panel in figure.axes)
    np.testing.assert_array_equal(figure.axes[0].lines[0].get_ydata(), result.curves.spl_db)
    np.testing.assert_array_equal(figure.axes[2].lines[0].get_ydata(), result.curves.excursion_mm)
    assert png(figure).startswith(b"\x89PNG")


def test_a_limit_far_above_the_curve_is_told_where_it_does_not_reach():
    figure = box_plot(closed_box(HERON, qtc=0.707, voltage=2.83))
    assert "Xmax, above: 6 mm" in [text.get_text() for text in figure.axes[2].texts]
    assert figure.axes[2].get_ylim()[1] < 6.0


def test_a_port_of_known_diameter_gets_a_panel():
    figure = box_plot(vented_box(HERON, volume=0.06, tuning=31.0, port_diameter=0.08))
    assert [panel.get_ylabel() for panel in figure.axes][3] == "port air, m/s peak"
    assert len(box_plot(vented_box(HERON, volume=0.06, tuning=31.0)).axes) == len(figure.axes) - 1


def test_a_kink_that_a_part_of_the_cone_makes_is_named_where_it_is():
    """The kink is a local extreme of the slope near the part's own resonance; one of a hundredth of that is not named."""
    kinked = replace(HERON, suspension_values={"Fp1": 640.0, "mp1": 0.05, "Qp1": 3.0})
    result = closed_box(kinked, qtc=0.707, voltage=2.83)
    (named,) = (one for one in box_plot(result).axes[0].texts if "cone rings" in one.get_text())
    assert "640 Hz" in named.get_text()
    assert named.xy[0] == pytest.approx(640.0)
    f, level = result.curves.frequency_hz, result.curves.spl_db
    plain = closed_box(HERON, qtc=0.707, voltage=2.83).curves.spl_db
    assert f[np.argmin(level - plain)] == pytest.approx(640.0, rel=0.15)
    assert 0.4 < np.max(plain - level) < 3.0
    quiet = replace(kinked, suspension_values={"Fp1": 640.0, "mp1": 0.0005, "Qp1": 3.0})
    assert not any("rings" in text for text in texts(box_plot(closed_box(quiet, qtc=0.707, voltage=2.83))))


def test_the_peak_of_impedance_is_drawn_sharper_than_the_points_are_dense():
    """Its height is Re·(1 + Qms/Qes) whatever the spring, in a box without losses; 6 points an octave miss it."""
    result = closed_box(HERON, qtc=0.707, frequency_hz=np.geomspace(5.0, 500.0, 40))
    (line,) = box_plot(result).axes[-1].lines
    top = HERON.Re * (1.0 + HERON.Qms / HERON.Qes)
    assert np.max(result.curves.impedance_ohm) < 0.8 * top
    assert np.max(line.get_ydata()) == pytest.approx(top, rel=0.05)


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
    figure = box_plot(result)
    panel = figure.axes[1]
    assert panel.get_ylabel() == "loudest, dB at 1 m"
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
    figure = box_plot(closed_box(replace(HERON, Xmax=None), qtc=0.707))
    assert "loudest, dB at 1 m" not in [panel.get_ylabel() for panel in figure.axes]


def test_bands_of_a_fit_are_shaded():
    fit = replace(made_fit(spread=0.02), correlation_names=("Re", "Fs"), correlation=np.eye(2))
    figure = box_plot(with_bands(closed_box(fit.driver, qtc=0.707), fit, draws=50))
    assert [len(panel.collections) for panel in figure.axes] == [1, 1, 0, 1]


def test_the_step_starts_at_zero_and_is_in_milliseconds():
    figure = step_plot(closed_box(HERON, qtc=0.707))
    told = " ".join(text.get_text() for text in figure.texts)
    assert "after a step of 2.83 V, 1 m, half space" in told
    assert "RMS" not in told
    (panel,) = figure.axes
    assert (panel.get_xlabel(), panel.get_ylabel()) == ("time, ms", "pressure, Pa")
    time, pressure = panel.lines[1].get_data()
    assert abs(time[np.argmax(pressure)]) < 1.0


@pytest.mark.parametrize("frequency", [[30.0], [30.0, 31.0], [20.0, 30.0, 40.0]])
def test_few_frequencies_can_be_drawn(frequency):
    assert png(box_plot(closed_box(HERON, qtc=0.707, frequency_hz=frequency)))


def test_a_name_with_dollars_and_a_very_long_name_are_shown_as_they_are():
    for name in ("$ Heron _{ $", "Heron " * 40):
        assert png(box_plot(closed_box(replace(HERON, name=name), qtc=0.707)))


@pytest.mark.parametrize(
    ("swept_hz", "told"),
    [
        ((18.0, 790.0), ["swept from 18 Hz", "swept to 790 Hz"]),
        ((5.5, 20000.0), []),
        ((30.0, 1900.0), ["swept from 30 Hz"]),
    ],
)
def test_what_was_not_swept_is_hatched_and_told(swept_hz, told):
    """By a line, a hatching and words, not by colour: the ends of the fit's own sweeps, where they are well inside."""
    result = with_bands(closed_box(HERON, qtc=0.707), made_fit(HERON))
    assert result.bands.swept_hz is None  # of a fit that names no sweep
    figure = box_plot(replace(result, bands=replace(result.bands, swept_hz=swept_hz)))
    assert [text for text in texts(figure) if text.startswith("swept")] == told
    for panel in figure.axes:
        hatched = [patch.get_extents().bounds for patch in panel.patches if patch.get_hatch()]
        assert len(hatched) == len(told)


def test_the_swept_range_is_that_of_all_sweeps_as_used():
    def state(low, high, *, used=True):
        hz = np.geomspace(low, high, 50)
        return SimpleNamespace(curve=SimpleNamespace(frequency_hz=hz), used=np.full(50, used))

    assert swept(SimpleNamespace(states=())) is None
    states = (state(20.0, 500.0), state(10.0, 300.0), state(1.0, 1e4, used=False))
    assert swept(SimpleNamespace(states=states)) == pytest.approx((10.0, 500.0))
