"""Remarks before the fit: planted faults are named with their remedy, healthy curves raise none."""

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from helpers.made_curves import COILS, FREQUENCY_HZ, SUSPENSIONS, make

from tsfit.base.errors import TsfitError
from tsfit.circuit.kramers_kronig import BROKEN_LAW, kramers_kronig
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.fitting.fit import fit
from tsfit.fitting.start import Resonance, find_resonance
from tsfit.fitting.validity import broken_law, law_note, refuse_unfit, roughness, validity_notes


def made(frequency_hz=FREQUENCY_HZ, seed=1, kind="free air", **options):
    curves, _, _ = make((kind,), np.random.default_rng(seed), frequency_hz=frequency_hz, errors=False, **options)
    return curves[0][0]


def notes(curve):
    peak = find_resonance(curve)
    miss = refuse_unfit(curve, peak)
    used = curve.frequency_hz < max(2000.0, 40.0 * peak.Fs)
    return {note.code: note.message for note in (*validity_notes(curve, peak, miss, 0), *law_note(curve, used, 0))}


@pytest.mark.against("remarks before the fit on healthy curves", "made curves, every coil and suspension", "silent")
@pytest.mark.parametrize("suspension", SUSPENSIONS)
@pytest.mark.parametrize("coil", COILS)
def test_healthy_curves_raise_nothing(coil, suspension):
    assert notes(made(coil=coil, suspension=suspension)) == {}


@pytest.mark.parametrize("seed", range(4))
def test_a_dull_resonance_in_loud_noise_raises_nothing(seed):
    """Noise that is loud elsewhere let a curve pass without any resonance as a whole, and its octave then broke the law."""
    f = np.geomspace(12.0, 3500.0, 330)
    curve = made(f, Fs=87.0, Qms=2.2, Qes=0.8, coil="ladder-2")
    rng, share = np.random.default_rng(seed), np.where(f < 50.0, 0.08, 0.027)
    z = curve.impedance_ohm * (
        1.0 + share * (rng.standard_normal(len(f)) + 1j * rng.standard_normal(len(f))) / math.sqrt(2.0)
    )
    noisy = replace(curve, impedance_ohm=z, variance_ohm2=(share * np.abs(z)) ** 2)
    assert broken_law(noisy, np.ones(len(f), dtype=bool)) is None


@pytest.mark.parametrize("kind", ["added mass", "closed box", "infinite baffle"])
@pytest.mark.parametrize("noise", [1e-4, 1e-2, 3e-2])
def test_healthy_states_raise_nothing(kind, noise):
    assert notes(made(kind=kind, relative_noise=noise)) == {}


@pytest.mark.parametrize("stated", [True, False])
def test_noise_is_no_breach(stated):
    curve = made(relative_noise=6e-2)
    curve = curve if stated else replace(curve, variance_ohm2=None)
    assert "kramers_kronig" not in notes(curve)


def test_too_few_points_around_the_resonance():
    told = notes(made(np.geomspace(8.0, 6000.0, 150), Qms=18.0))
    assert set(told) == {"few_points"}
    density = int(told["few_points"].split("with ")[1].split(" points")[0])
    octaves = np.log2(6000.0 / 8.0)
    assert notes(made(np.geomspace(8.0, 6000.0, round(density * octaves)), Qms=18.0)) == {}


def test_lower_side_cut_off():
    told = notes(made(np.geomspace(18.0, 6000.0, 400)))
    assert set(told) == {"low_end"}
    wanted = float(told["low_end"].split("from ")[1].split(" Hz")[0])
    assert notes(made(np.geomspace(wanted, 6000.0, 400))) == {}


@pytest.mark.parametrize("top", [100.0, 140.0])
def test_ends_before_the_coil_shows(top):
    told = notes(made(np.geomspace(8.0, top, 300)))
    assert "coil_range" in told
    wanted = float(told["coil_range"].split("up to ")[1].split(" Hz")[0])
    assert top < wanted <= 2000.0
    assert "coil_range" not in notes(made(np.geomspace(8.0, 1.1 * wanted, 300)))


def refusal(curve):
    with pytest.raises(TsfitError) as caught:
        fit([(curve, State())])
    return caught.value.code


def test_phase_that_cannot_be_fitted():
    curve = made()
    size, angle = np.abs(curve.impedance_ohm), np.angle(curve.impedance_ohm)

    def phased(phase):
        return replace(curve, impedance_ohm=size * np.exp(1j * phase))

    assert refusal(phased(-angle)) == "mirrored_phase"
    assert refusal(phased(angle * np.pi / 180.0)) == "phase_unit"
    assert refusal(phased(np.zeros_like(angle))) == "no_phase"
    assert refusal(phased(np.full_like(angle, 0.5))) == "no_phase"


def test_phase_that_does_not_go_with_the_magnitude():
    curve = made()
    late = curve.impedance_ohm * np.exp(-2j * np.pi * curve.frequency_hz * 1e-4)
    assert "phase_magnitude" in notes(replace(curve, impedance_ohm=late))


@pytest.mark.parametrize("at", [40.0, 150.0, 600.0])
def test_a_jump_breaks_the_relations_where_it_stands(at):
    curve = made()
    factor = np.where(np.abs(np.log2(curve.frequency_hz / at)) < 0.5, 1.25, 1.0)
    told = notes(replace(curve, impedance_ohm=factor * curve.impedance_ohm))
    low, high = told["kramers_kronig"].split("from ")[1].split(" Hz")[0].split(" to ")
    assert float(low) < at * 2**0.5 * 1.02
    assert float(high) > at / 2**0.5 / 1.02


@pytest.mark.parametrize("octaves", [0.35, 0.5, 1.0])
@pytest.mark.parametrize("at", [15.0, 29.0, 60.0, 150.0, 600.0])
def test_a_narrow_fault_is_named_with_its_octave(at, octaves):
    """A fault of 15 % over half an octave is 2.6 % of the whole range, as much as sound drivers may miss."""
    curve = made()
    factor = np.where(np.abs(np.log2(curve.frequency_hz / at)) < 0.5 * octaves, 1.15, 1.0)
    told = notes(replace(curve, impedance_ohm=factor * curve.impedance_ohm))
    low, high = told["kramers_kronig"].split("from ")[1].split(" Hz")[0].split(" to ")
    assert float(low) < at < float(high)
    assert float(high) / float(low) == pytest.approx(2.0, rel=0.02)


def test_a_rough_octave_is_no_breach():
    """Rumble in one octave, stated or not, stays noise."""
    curve = made(relative_noise=1e-3)
    rng = np.random.default_rng(3)
    rumble = 0.08 * np.where(np.abs(np.log2(curve.frequency_hz / 12.0)) < 0.5, 1.0, 0.0)
    noise = rumble * (rng.standard_normal(400) + 1j * rng.standard_normal(400)) / 2**0.5
    variance = curve.variance_ohm2 + (rumble * np.abs(curve.impedance_ohm)) ** 2
    for stated in (variance, None):
        rough = replace(curve, impedance_ohm=curve.impedance_ohm * (1.0 + noise), variance_ohm2=stated)
        assert "kramers_kronig" not in notes(rough)


def test_the_fit_tells_of_a_narrow_fault():
    curve = made()
    factor = np.where(np.abs(np.log2(curve.frequency_hz / 150.0)) < 0.3, 1.18, 1.0)
    broken = replace(curve, impedance_ohm=factor * curve.impedance_ohm)
    told = {note.code: note.message for note in fit([(broken, State())], coil="ladder-2", suspension="ideal").quality}
    assert "in the octave from" in told["kramers_kronig"]


@pytest.mark.parametrize(("factor", "refused"), [(1.18, False), (1.4, True)])
def test_the_fit_tells_of_a_breach(factor, refused):
    curve = made()
    jump = np.where(curve.frequency_hz > 300.0, factor, 1.0)
    broken = replace(curve, impedance_ohm=jump * curve.impedance_ohm)
    if refused:
        with pytest.raises(TsfitError, match="breaks the Kramers-Kronig") as caught:
            fit([(broken, State())], coil="ladder-2", suspension="ideal")
        assert caught.value.code == "no_fit"
    else:
        assert "kramers_kronig" in {note.code for note in fit([(broken, State())], coil="ladder-2").quality}


def test_said_once():
    curve = made(np.geomspace(18.0, 6000.0, 400))
    result = fit([(curve, State())], coil="ladder-2", suspension="ideal")
    (note,) = [note for note in result.quality if note.code == "low_end"]
    assert (note.severity, note.sweep) == ("warn", 0)
    again = ImpedanceCurve(curve.frequency_hz, curve.impedance_ohm, curve.variance_ohm2, notes=(note,))
    assert notes(again) == {}


FLAT = np.full(400, 6.0 + 0.0j)


def told_of(f, peak, z=FLAT):
    return {note.code: note.message for note in validity_notes(ImpedanceCurve(f, z[: len(f)], source="x.txt"), peak, 0.0)}


@pytest.mark.parametrize(("inside", "words"), [(0, "0 points lie"), (1, "1 point lies"), (3, "3 points lie"), (4, "")])
def test_points_within_the_half_power_width_are_counted(inside, words):
    """For Qms 5 it runs from fs (√(1 + 1/100) − 1/10) to fs (√(1 + 1/100) + 1/10): 36.2 to 44.2 Hz about 40 Hz."""
    near = np.linspace(36.5, 43.9, inside)
    f = np.sort(np.concatenate([np.geomspace(8.0, 36.1, 40), near, np.geomspace(44.3, 6000.0, 60)]))
    message = told_of(f, Resonance(6.0, 40.0, 5.0, 0.5)).get("few_points", "")
    assert bool(message) == (inside < 4)
    if message:
        assert f"Only {words} within the half-power width of the resonance, 36.2 to 44.2 Hz" in message
        # Twice the least, 8, within those 0.288 octaves.
        assert f"again with {math.ceil(8 / math.log2(44.2 / 36.2))} points per octave around 40 Hz" in message


@pytest.mark.parametrize(("lowest", "told"), [(22.0, False), (22.1, True)])
def test_a_sweep_begins_well_below_the_resonance(lowest, told):
    message = told_of(np.geomspace(lowest, 6000.0, 400), Resonance(6.0, 40.0, 5.0, 0.5)).get("low_end", "")
    assert bool(message) == told
    if told:
        assert message.startswith(
            "The sweep begins at 22.1 Hz and the resonance stands near 40 Hz, so its lower side is cut"
        )
        assert message.endswith("measure again from 10 Hz.")
        higher = told_of(np.geomspace(30.0, 6000.0, 400), Resonance(6.0, 43.0, 5.0, 0.5))["low_end"]
        assert higher.endswith("measure again from 11 Hz.")


@pytest.mark.parametrize(
    ("top", "fs", "share", "wanted"),
    [
        (300.0, 40.0, 0.1, "900"),  # to 0.3 of Re, three times as far
        (300.0, 40.0, 0.04, "2000"),  # never beyond what is fitted
        (300.0, 40.0, 0.31, None),
        (300.0, 40.0, 0.29, "310"),
        (1800.5, 40.0, 0.1, None),
        (1799.5, 40.0, 0.1, "2000"),
        (2000.0, 100.0, 0.1, "4000"),
        (300.0, 40.0, -0.1, "2000"),
    ],
)
def test_the_coil_must_show_at_the_top_or_the_range_be_whole(top, fs, share, wanted):
    """Reactance made of that share of Re and the motional branch far above resonance, −Re fs/(Qes f)."""
    f = np.geomspace(8.0, top, 400)
    z = 6.0 + 1j * (share * 6.0 - 6.0 / 0.5 * fs / f)
    message = told_of(f, Resonance(6.0, fs, 5.0, 0.5), z).get("coil_range")
    assert (message is None) == (wanted is None)
    if message is not None:
        assert (
            f"The sweep ends at {top:.4g} Hz, where the coil's reactance is but {100 * max(share, 0.0):.0f} % of Re"
            in message
        )
        assert message.endswith(f"measure again up to {wanted} Hz.")


@pytest.mark.parametrize(
    ("low", "high", "refused"),
    [(8.0, 6000.0, False), (31.9, 6000.0, False), (32.1, 6000.0, True), (8.0, 120.1, False), (8.0, 119.9, True)],
)
def test_a_range_that_does_not_hold_the_resonance_is_refused(low, high, refused):
    """From 0.8 of it to 3 times it at least."""
    curve = made(np.geomspace(low, high, 400), Fs=40.0)
    peak = Resonance(5.4, 40.0, 5.0, 0.42)
    if not refused:
        refuse_unfit(curve, peak)
        return
    with pytest.raises(TsfitError, match=f"the sweep covers {low:.3g} to {high:.4g} Hz with") as caught:
        refuse_unfit(curve, peak)
    assert (caught.value.code, caught.value.file) == ("short_range", curve.source)


@pytest.mark.parametrize(("near", "refused"), [(7, True), (8, False)])
def test_points_around_the_resonance_are_counted(near, refused):
    """Within a factor of 1.5 of it."""
    f = np.concatenate([np.geomspace(8.0, 26.0, 30), np.linspace(27.0, 59.0, near), np.geomspace(61.0, 6000.0, 60)])
    curve = made(f, Fs=40.0)
    if not refused:
        refuse_unfit(curve, Resonance(5.4, 40.0, 5.0, 0.42))
        return
    with pytest.raises(TsfitError, match="with 7 points around the resonance near 40 Hz"):
        refuse_unfit(curve, Resonance(5.4, 40.0, 5.0, 0.42))


@pytest.mark.parametrize(("change", "refused"), [(0.29, False), (0.31, True)])
def test_a_phase_that_stands_still_was_not_measured_where_the_magnitude_changes(change, refused):
    """By three tenths of a neper, a third."""
    z = 6.0 * np.exp(change * np.exp(-(np.log2(FREQUENCY_HZ / 40.0) ** 2))) + 0.0j
    curve = ImpedanceCurve(FREQUENCY_HZ, z, source="still.txt")
    if not refused:
        refuse_unfit(curve, Resonance(6.0, 40.0, 5.0, 0.5))
        return
    with pytest.raises(
        TsfitError, match=r"^still\.txt: the phase stays within 0 degrees while the magnitude changes"
    ) as caught:
        refuse_unfit(curve, Resonance(6.0, 40.0, 5.0, 0.5))
    assert (caught.value.code, caught.value.file) == ("no_phase", "still.txt")


@pytest.mark.parametrize(("miss", "told"), [(15.0, None), (15.6, "16"), (179.6, "180"), (250.0, "180")])
def test_a_phase_is_off_from_15_degrees_on(miss, told):
    f = np.geomspace(8.0, 6000.0, 400)
    notes = validity_notes(ImpedanceCurve(f, FLAT), Resonance(6.0, 40.0, 5.0, 0.5), miss)
    assert [note.code for note in notes] == ["phase_magnitude"] * (told is not None)
    if told:
        assert f"demands by {told} degrees RMS" in notes[0].message


def test_by_how_much_the_relations_are_broken_is_told():
    """As the test of them has it: RMS over the whole range, and over the points of the octave that misses most."""
    curve = made(relative_noise=1e-4)
    f, factor = curve.frequency_hz, np.where(np.abs(np.log2(FREQUENCY_HZ / 150.0)) < 0.5, 1.5, 1.0)
    broken = replace(curve, impedance_ohm=factor * curve.impedance_ohm)
    found = kramers_kronig(f, broken.impedance_ohm, noise=BROKEN_LAW / 3.0)
    told = re.fullmatch(
        r"it breaks the Kramers-Kronig relations by ([\d.]+) % RMS in the octave from (\d+) to (\d+) Hz "
        r"\(([\d.]+) % RMS over the whole range\)",
        broken_law(broken, np.ones(400, bool)),
    )
    octave, low, high, whole = (float(said) for said in told.groups())
    assert whole == float(f"{100.0 * found.rms:.1f}")
    square = np.abs(found.residual) ** 2
    inside = (f >= low) & (f <= high)
    assert octave == pytest.approx(100.0 * found.rms * math.sqrt(np.mean(square[inside]) / np.mean(square)), abs=0.06)


def test_a_breach_that_is_nowhere_worst_is_told_of_the_whole():
    """A phase that is 0.1 rad ahead throughout, which no octave shows by 5 %."""
    curve = made(relative_noise=1e-4)
    ahead = replace(curve, impedance_ohm=curve.impedance_ohm * np.exp(0.1j))
    told = broken_law(ahead, np.ones(400, bool))
    assert re.fullmatch(r"it breaks the Kramers-Kronig relations by [34]\.\d % RMS over the whole range", told)


@pytest.mark.parametrize("stated", [True, False])
def test_what_the_noise_of_an_octave_may_be_is_no_breach(stated):
    curve = made(relative_noise=1e-4)
    near = np.abs(np.log2(curve.frequency_hz / 150.0))
    size = np.abs(curve.impedance_ohm)
    variance = np.where(near < 1.5, 0.03 * size, 1e-3 * size) ** 2 if stated else None
    fault = replace(curve, impedance_ohm=np.where(near < 0.25, 1.15, 1.0) * curve.impedance_ohm, variance_ohm2=variance)
    assert (broken_law(fault, np.ones(400, bool)) is None) == stated


def test_how_far_the_phase_is_off_is_told():
    curve = made()
    turned = replace(curve, impedance_ohm=curve.impedance_ohm * np.exp(0.5j))
    message = notes(turned)["phase_magnitude"]
    assert float(re.search(r"by (\d+) degrees RMS", message)[1]) == pytest.approx(math.degrees(0.5), abs=4.0)


@pytest.mark.parametrize("share", [0.5, 0.9])
def test_noise_from_point_to_point(share):
    """A smooth bend is none of it, nor do two points show it; |x + iy| of complex normal noise has Rayleigh's quantiles."""
    rng = np.random.default_rng(8)
    noise = 0.01 * (rng.standard_normal(4000) + 1j * rng.standard_normal(4000)) / math.sqrt(2.0)
    assert roughness(noise[:2], share) == 0.0
    assert roughness(noise + np.sin(np.linspace(0.0, 9.0, 4000)), share) == pytest.approx(0.01, rel=0.05)


def test_noise_is_no_want_of_points():
    """Where each point near the resonance is unsure, more of them would tell as little."""
    noisy = made(np.geomspace(8.0, 6000.0, 150), Qms=18.0, relative_noise=0.3)
    assert "few_points" not in notes(noisy)
