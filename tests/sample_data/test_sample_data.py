"""The demonstration's files: made again the same, readable, true to their truth, and as proud as they claim to be."""

import importlib.util
import itertools
import json
import tomllib

import numpy as np
import pytest
import soundfile
from helpers.paths import SAMPLES

from tsfit.circuit.coil import COIL_MODELS
from tsfit.driver.air import REFERENCE_AIR, Air
from tsfit.driver.formulas import RELATIONS, sensitivity_1w, sensitivity_2v83
from tsfit.driver.parameters import PARAMETERS
from tsfit.driver.units import parse_printed

FOLDER = SAMPLES
TRUTH = json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))
RECORDINGS = sorted((FOLDER / "recordings").iterdir())
BENCHES = sorted(FOLDER.glob("*-bench.toml"))
SHEETS = {"Saltwit 12": "saltwit-12-sheet.toml", "Saltwit 12 B": "saltwit-12b-sheet.toml"}


def read(name):
    return tomllib.loads((FOLDER / name).read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def script(bench_simulator):
    spec = importlib.util.spec_from_file_location("make_sample_data", FOLDER / "make_sample_data.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("stem", ["saltwit-12b-box", "shunt-saltwit-12-mass-30g", "calibration-short"])
def test_recordings_come_out_the_same_again(script, stem):
    kept, rate = soundfile.read(FOLDER / "recordings" / f"{stem}.flac", dtype="int16")
    made = script.record(stem)
    assert rate == script.SAMPLE_RATE
    assert made.shape == kept.shape
    assert np.abs(made.astype(int) - kept).max() <= 1


def test_truth_file_is_what_the_script_says(script):
    assert json.loads(json.dumps(script.truth())) == TRUTH


def test_clipping_level_is_refused(script):
    with pytest.raises(ValueError, match="clips"):
        script.to_pcm(np.array([[0.2, 1.0]]))


@pytest.mark.parametrize("path", RECORDINGS, ids=lambda path: path.stem)
def test_recording_is_loud_enough_unclipped_and_quiet_before(path):
    samples, rate = soundfile.read(path)
    assert samples.shape[1] == 2
    assert rate == 48000
    assert 0.3 < np.abs(samples[:, 0]).max() < 0.95
    silence = samples[: round(0.7 * rate)].std(axis=0)
    assert np.all(silence > 2e-5)
    assert 60 < 20 * np.log10(samples[:, 0].std() / silence[0]) < 80


def test_files_name_each_other_completely_and_stay_small(script):
    named = {sweep["recording"] for path in BENCHES for sweep in read(path.name)["sweep"]}
    assert named == set(TRUTH["recordings"])
    calibration = read("rig-divider.toml")["calibration"]
    named |= {calibration["open"], calibration["short"], *(known["recording"] for known in calibration["known"])}
    assert named == {f"recordings/{path.name}" for path in RECORDINGS}
    assert {read(path.name)["rig"] for path in BENCHES} == set(TRUTH["rigs"])
    assert sum(path.stat().st_size for path in (*FOLDER.iterdir(), *RECORDINGS) if path.is_file()) < 12e6


@pytest.mark.parametrize("name", TRUTH["drivers"])
@pytest.mark.parametrize(("key", "air"), [("parameters", REFERENCE_AIR), ("parameters_in_bench_air", None)])
def test_truth_keeps_the_relations_of_the_trade(name, key, air):
    figures = TRUTH["drivers"][name][key]
    for relation in RELATIONS:
        if relation.gives in figures and all(need in figures for need in relation.needs):
            if air is None and {"Vas", "eta0"} & {relation.gives, *relation.needs}:
                continue
            implied = relation.formula(*(figures[need] for need in relation.needs))
            assert implied == pytest.approx(figures[relation.gives], rel=1e-9), relation
    if air is None:
        bench_air = Air(**TRUTH["bench_air"])
        assert figures["Vas"] == pytest.approx(bench_air.stiffness * figures["Sd"] ** 2 * figures["Cms"])


@pytest.mark.parametrize("path", BENCHES, ids=lambda path: path.stem)
def test_bench_statements_lie_within_their_uncertainty(path):
    bench = read(path.name)
    rig, true_rig = read(bench["rig"]), TRUTH["rigs"][bench["rig"]]
    assert abs(rig["reference_ohm"] - true_rig["reference"]) <= rig["reference_uncertainty_ohm"]
    true = TRUTH["drivers"][bench["driver"]["name"]]["parameters"]
    diameter = 200 * np.sqrt(true["Sd"] / np.pi)
    assert 0 < abs(bench["driver"]["effective_diameter_cm"] / diameter - 1) < 0.005
    for sweep in bench["sweep"]:
        truth = TRUTH["recordings"][sweep["recording"]]
        assert truth["driver"] == bench["driver"]["name"]
        assert abs(bench["driver"]["dc_resistance_ohm"] - truth["Re"]) < bench["driver"]["dc_resistance_uncertainty_ohm"]
        assert truth["air"] == {
            key: sweep[stated]
            for key, stated in [("temperature_c", "air_temperature_c")]
            + [(key, key) for key in ("pressure_hpa", "humidity_percent")]
        }
        assert abs(sweep.get("mass_g", 0.0) - 1e3 * truth["mass"]) <= sweep.get("mass_uncertainty_g", 0.0)
        assert ("volume_l" in sweep) == (truth["volume"] is not None) == (sweep["state"] == "closed box")
        if truth["volume"] is not None:
            assert abs(sweep["volume_l"] - 1e3 * truth["volume"]) <= sweep["volume_uncertainty_l"]


@pytest.mark.parametrize("name", TRUTH["drivers"])
def test_the_coil_at_1_khz_is_that_of_its_rungs(name):
    equations, s = TRUTH["drivers"][name]["equations"], np.array([2j * np.pi * 1000.0])
    rungs = {f"{letter}{k}": rung[i] for k, rung in enumerate(equations["rungs"], 2) for i, letter in enumerate("LR")}
    coil = COIL_MODELS[f"ladder-{1 + len(equations['rungs'])}"].evaluate(s, {"Le": equations["Le"], **rungs})[0]
    assert TRUTH["drivers"][name]["parameters"]["Le_1kHz"] == pytest.approx(coil.imag[0] / s.imag[0], rel=1e-9)


@pytest.mark.parametrize("name", TRUTH["drivers"])
def test_the_suspension_at_resonance_is_that_of_its_equations(bench_simulator, name):
    """Pushed at resonance, a cone without a motor answers as friction alone; that is Rms."""
    equations, figures = TRUTH["drivers"][name]["equations"], TRUTH["drivers"][name]["parameters"]
    driver = bench_simulator.BenchDriver(**equations | {"rungs": (), "part": None, "Bl": 0.0})
    a = bench_simulator.state_space(driver, bench_simulator.BenchState(), bench_simulator.BenchRig())[0]
    pushed = np.zeros(len(a))
    pushed[1] = 1.0 / equations["Mms"]
    velocity = np.linalg.solve(2j * np.pi * figures["Fs"] * np.eye(len(a)) - a, pushed)[1]
    assert 1.0 / velocity == pytest.approx(figures["Rms"], rel=1e-9)


def printed_figures(sheet):
    return {name: parse_printed(text, PARAMETERS[name].unit, name) for name, text in read(sheet)["published"].items()}


@pytest.mark.parametrize("sheet", SHEETS.values())
def test_sheets_agree_with_themselves_within_their_printed_digits(sheet):
    known = {name: (p.value - p.half_digit, p.value + p.half_digit) for name, p in printed_figures(sheet).items()}
    relations = [relation for relation in RELATIONS if all(need in known for need in relation.needs)]
    for relation in [*relations, *(r for r in RELATIONS if "eta0" in r.needs)]:
        corners = [relation.formula(*corner) for corner in itertools.product(*(known[need] for need in relation.needs))]
        low, high = known.setdefault(relation.gives, (min(corners), max(corners)))
        assert min(corners) <= high, relation
        assert max(corners) >= low, relation


@pytest.mark.parametrize(("name", "too_proud"), [("Saltwit 12", set()), ("Saltwit 12 B", {"Bl", "Qts"})])
def test_only_the_successors_sheet_promises_too_much(name, too_proud):
    true = dict(TRUTH["drivers"][name]["parameters"])
    true["sensitivity_1W"] = sensitivity_1w(true["eta0"])
    true["sensitivity_2V83"] = sensitivity_2v83(true["eta0"], true["Re"])
    true["Le"] = true["Le_1kHz"]
    published = printed_figures(SHEETS[name])
    outside = set()
    for figure, text in read(SHEETS[name])["tolerance"].items():
        number, unit = text.split()
        deviation = true[figure] - published[figure].value
        relative = deviation if unit == "dB" else 100 * deviation / published[figure].value
        if abs(relative) > float(number):
            outside.add(figure)
            assert abs(relative) > 1.2 * float(number)
        else:
            assert abs(relative) < 0.9 * float(number)
    assert outside == too_proud
