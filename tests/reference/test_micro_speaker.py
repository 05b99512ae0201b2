"""A real rig from end to end: two recordings that somebody else made of a micro-speaker, white noise on a divider.

Source: public repository DrStef/Electroacoustics, commit 870129f; the figures below are the source's and the maker's as
quoted in the provenance note beside the recordings. Nothing of it is copied here; without the shared data these tests skip.
"""

import json

import pytest
from helpers.micro_speaker import fitted

from tsfit.cli import run


@pytest.fixture(scope="module")
def bench(made_once):
    folder = made_once("micro-speaker", fitted)
    return folder, json.loads((folder / "fit.json").read_text())


def _value(fit, name):
    return fit["parameters"][name]["value"]


@pytest.mark.against(
    "a real rig, recordings to parameters", "figures of the source, in the provenance note", "Fs 1.5 %, Re 0.05 Ω"
)
def test_resonance_and_low_frequency_impedance(bench):
    _, fit = bench
    # A quick look at the recordings, quoted in the provenance note: peak near 993 Hz in free air, 6.9 ohm far below it. The
    # coil's inductance shifts the peak of |Z| a little under Fs.
    assert _value(fit, "Fs") == pytest.approx(993.0, rel=0.015)
    assert _value(fit, "Re") == pytest.approx(6.9, abs=0.05)


def test_the_ohmmeter_is_heard_and_its_quarrel_explained(bench):
    _, fit = bench
    note = next(note for note in fit["quality"] if note["code"] == "dc_resistance")
    # 7.42 ohm at the terminals against about 6.9 from the ratio: 7 % apart (provenance note).
    assert note["severity"] == "warn"
    for cause in ("channel gains", "reference resistor", "leads", 'trim = "dc resistance"'):
        assert cause in note["message"]


@pytest.mark.against(
    "a real driver against its printed table", "the maker's table, in the provenance note", "stated intervals"
)
def test_the_makers_table(bench, capsys):
    folder, fit = bench
    assert run(["check", str(folder / "fit.json"), str(folder / "sheet.toml"), "--json"]) == 1
    check = json.loads(capsys.readouterr().out)
    verdicts = {item["name"]: item["verdict"] for item in check["figures"]}
    # This sample: motor and compliance as printed; more damping (the source remarks that its Qms came out low), and with
    # the lighter cone a lower Qts. Re, 4.6 % low on channels that nobody calibrated, cannot be told from 5 %.
    assert {verdicts[name] for name in ("Bl", "Cms", "Fs", "Vas")} == {"inside"}
    assert verdicts["Re"] == "undecided"
    assert verdicts["Qts"] == "outside"
    assert check["verdict"] == "outside"
    assert _value(fit, "Qms") < 5.48
    # The printed figures contradict each other: 1/(1/5.48 + 1/5.82) = 2.822, not 2.80.
    assert "Qts" in {name for item in check["contradictions"] for name in item["figures"]}


@pytest.mark.against(
    "resonance in a real box of 4 cm³, planned from the fit", "measured in that box, in the provenance note", "1.5 %"
)
def test_the_closed_box_comes_back(bench, capsys):
    folder, fit = bench
    assert run(["box", "closed", str(folder / "fit.json"), "--volume-l", "0.004", "--json"]) == 0
    design = json.loads(capsys.readouterr().out)["design"]
    # Quoted in the provenance note: the resonance on the 4 cm³ box stands near 1133 Hz.
    assert design["fc_hz"] == pytest.approx(1133.0, rel=0.015)
    assert design["qtc"] == pytest.approx(_value(fit, "Qts") * design["fc_hz"] / _value(fit, "Fs"), rel=1e-3)


def test_trim_by_the_ohmmeter(bench, tmp_path):
    _, plain = bench
    trimmed = fitted(
        tmp_path, 'trim = "dc resistance"', "--coil", plain["model"]["coil"], "--suspension", plain["model"]["suspension"]
    )
    assert _value(trimmed, "Re") == pytest.approx(7.42, abs=0.01)
    assert "trimmed" in {note["code"] for note in trimmed["quality"]}
    # A common factor on Z moves Re and Bl² alike and leaves resonance, Qs and Vas nearly alone.
    for name in ("Fs", "Qms", "Qes", "Vas"):
        assert _value(trimmed, name) == pytest.approx(_value(plain, name), rel=0.02), name
    assert _value(trimmed, "Bl") / _value(plain, "Bl") == pytest.approx((7.42 / _value(plain, "Re")) ** 0.5, rel=0.01)


def test_the_losses_of_the_box_are_counted_to_the_box(bench):
    """Qms itself is held against a likelihood of all raw lines in test_small_driver.py."""
    _, fit = bench
    (box,) = fit["boxes"]
    assert box["sweep"] == 1
    assert box["least_q"] > 10.0


def test_what_rings_on_the_cone_is_told_beside_the_peak(bench):
    """A rigid cone's likelihood has the resonance at 1004.6 Hz and a Qms 0.5 % higher (test_small_driver.py)."""
    _, fit = bench
    (note,) = [note for note in fit["quality"] if note["code"] == "parts_at_peak"]
    assert "0.2 % below Fs" in note["message"]
    assert "0.5 % above Qms" in note["message"] or "0.6 % above Qms" in note["message"]
