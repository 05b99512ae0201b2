"""What the fit says of real drivers beside what others say: ``pytest tests/reference/test_results_on_real_drivers.py -s``.

The curves come without published figures, so they are read off by hand as Small did (JAES 20, 1972): Fs in the geometric
middle of the two frequencies where |Z| = √(Rmin Rmax), Qms = Fs √r / (f2 − f1) with r = Rmax / Rmin, Qes = Qms / (r − 1).
That takes the coil for a resistor. Where it falls outside our interval, it is read off the fitted curve as well: when it
gives the same there, the coil and not the fit accounts for the difference.
"""

import contextlib
import io
import json

import numpy as np
import pytest
from helpers.micro_speaker import fitted
from helpers.paths import SHARED

from tsfit.circuit.kramers_kronig import kramers_kronig, octave_edges, octave_means
from tsfit.cli import run

SINGLE = ("closed-box-woofer-a", "closed-box-woofer-b", "tweeter-f", "tweeter-g", "tweeter-h")
FREE = ("cone-driver-e-free", "field-coil-12-inch-i", "field-coil-12-inch-j", "woofer-f-free", "woofer-g-free")
LEAK = "a leak of the box that resonates below the sweep, and waves in it at 690 and 1250 Hz"
HARMONIC = "the second harmonic of the instrument's sweep, which falls on twice Fs"
SMEARED = "a sharp peak smeared by the instrument, its sides too high and its top too low"
ABOVE = {
    "closed-box-woofer-a": (20, 45, LEAK),
    "closed-box-woofer-b": (60, 300, HARMONIC),
    "cone-driver-e-free": (80, 300, HARMONIC),
    "field-coil-12-inch-i": (30, 80, f"{SMEARED}; and the cone at 540 and 1500 Hz"),
    "field-coil-12-inch-j": (30, 80, SMEARED),
    "woofer-f-free": (30, 80, f"{SMEARED}; and {HARMONIC}"),
}
"""Where the worst octave of those missed by more than 1 % may lie, Hz, and what was found there. The harmonic: in the four
curves of one instrument whose Fs are 57 to 122 Hz 38 to 55 % of the unevenness from 1.25 to 3 Fs goes with e^jωT, T 59 to
64 ms, which only comes before its cause, as the harmonics of a sweep do (Farina, AES 108th Convention, 2000, from memory).
Smeared: a running mean of one resonance over ± 2.4 to 4.4 Hz takes the misfit around it from 4.2 to 1.8, 2.4 to 1.7 %."""

pytestmark = pytest.mark.skipif(not SHARED.is_dir(), reason="shared data with curves and recordings are absent")


@pytest.fixture(scope="module")
def fitted_curve(fit_of_others):
    return lambda name: fit_of_others(f"{'curves' if name in SINGLE else 'more-curves'}/{name}")


def by_hand(f, size, top):
    """Fs, Qms and Qes of Small's three points around the row `top`."""
    beyond = (f > f[top]) & (f < 12.0 * f[top])
    least = float(np.min(size[beyond]))
    ratio = size[top] / least
    level = np.sqrt(least * size[top])
    below = np.flatnonzero(size < level)
    left, right = below[below < top], below[below > top]
    edges = []
    for inner, outer in ((left[-1] + 1, left[-1]), (right[0] - 1, right[0])):
        order = sorted((inner, outer), key=lambda k: size[k])
        edges.append(float(np.exp(np.interp(np.log(level), np.log(size[order]), np.log(f[order])))))
    low, high = edges
    fs = np.sqrt(low * high)
    qms = fs * np.sqrt(ratio) / (high - low)
    return {"Fs": fs, "Qms": qms, "Qes": qms / (ratio - 1.0)}


def reading(f, size, near_hz):
    """`by_hand` at the highest row within a tenth of an octave around the peak."""
    around = np.flatnonzero(np.abs(np.log2(f / near_hz)) < 0.1)
    return by_hand(f, size, around[0] + int(np.argmax(size[around])))


def verdict(ours, measured, drawn, misfit):
    """Inside our interval; or the same off both curves, so that the coil accounts for it; or so but for the misfit."""
    low, high = ours.interval95
    moved = ours.value * measured / drawn
    if low <= measured <= high:
        return "inside"
    if low <= moved <= high:
        return "the coil: the same off the fitted curve"
    if low * (1.0 - misfit) <= moved <= high * (1.0 + misfit):
        return f"the coil, and a misfit of {100.0 * misfit:.1f} %"
    return "NOT EXPLAINED"


def curve_rows(name, result):
    f, size, _ = np.loadtxt(SHARED / "curves" / f"{name}.txt", unpack=True)
    f, first = np.unique(f, return_index=True)
    size = size[first]
    (state,) = result.states
    grid, fitted_ohm, used = state.curve.frequency_hz, np.abs(state.fitted_ohm), state.used
    top_hz = f[np.argmax(np.where(f < (3000.0 if name.startswith("tweeter") else 200.0), size, 0.0))]
    miss = (state.fitted_ohm - state.curve.impedance_ohm)[used] / np.abs(state.curve.impedance_ohm[used])
    misfit = float(np.sqrt(np.mean(np.abs(miss) ** 2)))
    measured, drawn = reading(f, size, top_hz), reading(grid, fitted_ohm, top_hz)
    for figure in ("Fs", "Qms", "Qes"):
        ours = result.parameters[figure]
        yield name, figure, ours, measured[figure], verdict(ours, measured[figure], drawn[figure], misfit)


@pytest.mark.against(
    "fits of curves that others measured", "Small's three points by hand, JAES 20, 1972", "95 % interval, or told why"
)
@pytest.mark.parametrize("name", SINGLE)
def test_curves_by_others(name, fitted_curve):
    print()
    for curve, figure, ours, hand, told in curve_rows(name, fitted_curve(name)):
        low, high = ours.interval95
        print(f"{curve:20s} {figure:4s} {ours.value:8.4g} [{low:.4g}, {high:.4g}]  by hand {hand:.4g}  {told}")
        assert told != "NOT EXPLAINED", (curve, figure)


def relative(result):
    """Frequencies used (n,), and what the fit misses there over |Z|."""
    (state,) = result.states
    z, used = state.curve.impedance_ohm, state.used
    return state.curve.frequency_hz[used], (state.fitted_ohm - z)[used] / z[used], z[used]


def rms(values):
    return float(np.sqrt(np.mean(np.abs(values) ** 2)))


@pytest.mark.against(
    "what the circuit misses of curves that others measured", "the linear Kramers-Kronig test", "1 %, or told why"
)
@pytest.mark.parametrize("name", [*SINGLE, *FREE])
def test_misfit_of_curves_by_others(name, fitted_curve):
    """Beyond 1 %: no steady linear thing comes much closer, or it takes resonances of other parts; and where is known."""
    result = fitted_curve(name)
    f, miss, z = relative(result)
    law = kramers_kronig(f, z)
    scatter = rms(np.diff(miss, 2)) / np.sqrt(6.0)
    low, high = octave_edges(f)
    worst = int(np.argmax(octave_means(f, np.abs(miss) ** 2)))
    told = "within 1 %"
    if rms(miss) > 0.01:
        first, last, why = ABOVE[name]
        told = f"{low[worst]:.0f} to {high[worst]:.0f} Hz: {why}"
        assert first <= np.sqrt(low[worst] * high[worst]) <= last
        # A circuit of few terms, against a sum of six resonances and a dozen relaxations.
        assert rms(miss) < 3.0 * law.rms or name == "closed-box-woofer-a"
        # The page says it too.
        said = {note.code for note in result.quality}
        assert said & {"circuit_lacks", "sweep_harmonic"}
        assert ("smeared_peak" in said, "sweep_harmonic" in said) == (SMEARED in why, HARMONIC in why)
    print(
        f"\n{name:22s} misfit {100.0 * rms(miss):.2f} % | scatter of neighbours {100.0 * scatter:.2f} % | no linear steady "
        f"circuit below {100.0 * law.rms:.2f} % | {told}"
    )
    assert rms(miss) > scatter


def test_median_misfit(fitted_curve):
    """A sum of six resonances and a dozen relaxations comes no closer to half of these curves than 0.6 %.

    Ours has three resonances at most. With ten, or with twice the relaxations, the sum comes to 0.55 and 0.52 %; with
    fourteen and twice the relaxations, a term for every third point, to 0.47 %.
    """
    curves = [relative(fitted_curve(name)) for name in (*SINGLE, *FREE)]
    both = [(rms(miss), kramers_kronig(f, z).rms) for f, miss, z in curves]
    ours, closest = (float(np.median(each)) for each in zip(*both, strict=True))
    print(f"\nmedian misfit {100.0 * ours:.2f} %, of the Kramers-Kronig test {100.0 * closest:.2f} %")
    assert closest > 0.006
    assert ours < 0.0125


def judged(folder):
    """Judge the maker's table by the fit of the recordings, without its prints: the items by name."""
    with contextlib.redirect_stdout(io.StringIO()) as out:
        run(["check", str(folder / "fit.json"), str(folder / "sheet.toml"), "--json"])
    return {item["name"]: item for item in json.loads(out.getvalue())["figures"]}


@pytest.mark.against(
    "a real driver against its printed table", "the maker's table, in the provenance note", "told why or inside"
)
def test_micro_speaker_against_its_maker(made_once):
    items = judged(made_once("micro-speaker", fitted))
    ours, printed = ({name: item[which] for name, item in items.items()} for which in ("measured", "published"))
    ratio = {name: ours[name] / printed[name] for name in ours}
    why = {
        "Re": "too low on channels that nobody calibrated: an ohmmeter read 7.42 ohm",
        "Mms": "lighter, or the box of 4 cm³ is larger than told: its volume is much of our interval",
        "Qes": "mass and Re carry over, and the printed one is 6 % off its own Fs, Mms, Re and Bl",
        "Qts": "as Qes, with the losses",
        "sensitivity_1W": "mass and Re carry over",
    }
    print()
    for name, item in items.items():
        half = item["expanded_uncertainty"]
        told = "inside" if item["verdict"] == "inside" else f"{item['verdict']}: {why[name]}"
        print(f"{name:15s} {ours[name]:9.4g} ± {half:.2g} (k = 2)  printed {printed[name]:.4g}  {told}")
    # What carries over, reckoned from the printed figures and the ratios of the four that they depend on.
    own = 2.0 * np.pi * printed["Fs"] * printed["Mms"] * printed["Re"] / printed["Bl"] ** 2
    assert printed["Qes"] / own == pytest.approx(1.057, abs=0.005)
    assert ours["Qes"] == pytest.approx(own * ratio["Fs"] * ratio["Mms"] * ratio["Re"] / ratio["Bl"] ** 2, rel=0.01)
    louder = 10.0 * np.log10(ratio["Bl"] ** 2 / (ratio["Re"] * ratio["Mms"] ** 2))
    assert ours["sensitivity_1W"] - printed["sensitivity_1W"] == pytest.approx(louder, abs=0.1)
    assert ours["Qms"] < printed["Qms"]
    assert {name for name, item in items.items() if item["verdict"] != "inside"} == set(why)
