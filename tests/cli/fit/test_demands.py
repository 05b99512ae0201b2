"""What is held or bounded, in the bench file and on the command line: read, said, and of the effect that it must have."""

import json

import pytest
from helpers.made_bench import FORCED, MODELS, made_bench
from helpers.made_curves import truth

from tsfit.bench.fit import fit_bench
from tsfit.cli import run

TRUE = truth()
OTHERS = ("Fs", "Qms", "Qes", "Mms", "Bl", "Vas")


@pytest.fixture
def fitted(tmp_path, capsys):
    """``fitted(text, *options)``: JSON of the command's fit of a bench that ends with `text`, and its notes by code."""

    def told(text="", *options):
        capsys.readouterr()
        assert run(["fit", str(made_bench(tmp_path, text)), *FORCED, "--json", *options]) == 0
        data = json.loads(capsys.readouterr().out)
        return data["parameters"], {note["code"]: note["message"] for note in data["quality"]}

    return told


@pytest.fixture
def refused(tmp_path, capsys):
    def told(text="", *options):
        bench = made_bench(tmp_path, text)
        assert run(["fit", str(bench), *FORCED, "-o", str(tmp_path / "fit.json"), *options]) == 2
        assert not (tmp_path / "fit.json").exists()
        sentence = capsys.readouterr().err
        assert sentence.count("\n") == 1
        return sentence, str(bench)

    return told


@pytest.mark.parametrize(
    ("text", "options"),
    [
        ("[hold]\nRe = 5.4\n", ()),
        ('[hold]\nRe = "5400 mohm"\n', ()),
        ("", ("--hold", "Re=5.4")),
        ("", ("--hold", "Re=5.4 ohm")),
        # What is said on the spot goes before what the file says.
        ("[hold]\nRe = 6.5\n", ("--hold", "Re=5.4")),
        ("[bounds]\nRe = [6, 7]\n", ("--hold", "Re=5.4")),
    ],
)
def test_held_at_the_truth_all_else_comes_out_true(fitted, text, options):
    found, notes = fitted(text, *options)
    assert (found["Re"]["value"], found["Re"]["stdev"]) == (pytest.approx(5.4, rel=1e-12), 0.0)
    assert "Re at 5.4 Ω" in notes["held"]
    for name in OTHERS:
        assert abs(found[name]["value"] - TRUE[name]) < 4.0 * found[name]["stdev"], name


def test_trade_units_are_those_that_are_printed(fitted):
    """Grams, although the machine form has kilograms."""
    for text, options in (("[hold]\nMms = 60\n", ()), ("", ("--hold", "Mms=0.060 kg")), ("", ("--hold", "Mms=60"))):
        found, notes = fitted(text, *options)
        assert found["Mms"]["value"] == pytest.approx(0.060, rel=1e-12)
        assert "Mms at 60 g" in notes["held"]
        assert found["Bl"]["value"] == pytest.approx(TRUE["Bl"], rel=1e-3)


def test_what_is_held_costs_no_freedom(tmp_path):
    """Fs and Re held: two numbers fewer of the same sweeps; BIC counts the logarithm of the points for each."""
    free = fit_bench(made_bench(tmp_path), **MODELS)
    held = fit_bench(made_bench(tmp_path, '[hold]\nFs = "29 Hz"\nRe = "5.4 ohm"\n'), **MODELS)
    assert held.minimum.best.free == free.minimum.best.free - 2
    assert set(free.minimum.best.model.names) - set(held.minimum.best.model.names) == {"Re", "Fs"}


@pytest.mark.parametrize(
    ("text", "options"),
    [("[bounds]\nQms = [2, 12]\n", ()), ("", ("--bounds", "Qms=2,12")), ('[bounds]\nFs = ["20 Hz", "0.04 kHz"]\n', ())],
)
def test_bounds_that_hold_the_truth_change_nothing_and_are_silent(fitted, text, options):
    free, _ = fitted()
    found, notes = fitted(text, *options)
    assert not notes.keys() & {"held", "at_bound"}
    for name in OTHERS:
        assert found[name]["value"] == pytest.approx(free[name]["value"], rel=1e-6), name


@pytest.mark.parametrize(("text", "options"), [("[bounds]\nQms = [2, 4.8]\n", ()), ("", ("--bounds", "Qms=2,4.8"))])
def test_a_bound_that_is_hit_is_said(fitted, text, options):
    found, notes = fitted(text, *options)
    assert found["Qms"]["value"] == pytest.approx(4.8, rel=1e-6)
    assert "Qms ran into its bound of 4.8" in notes["at_bound"]


@pytest.mark.parametrize(
    ("text", "options", "words"),
    [
        ("[hold]\nRf = 5\n", (), ("{bench}: hold.Rf", "no parameter of a fit")),
        ("", ("--hold", "Rf=5"), ("command line: hold.Rf", "no parameter of a fit")),
        ("", ("--bounds", "K=1,2"), ("'K' cannot be held or bounded", "possible are Re, Fs")),
        ('[hold]\nRe = "5 Hz"\n', (), ("{bench}: hold.Re",)),
        ("[bounds]\nQms = [2]\n", (), ("{bench}", "bounds")),
        ("[bounds]\nQms = [12, 2]\n", (), ("the lower first",)),
        ("", ("--bounds", "Qms=2"), ("--bounds Qms", "Qms=20,40")),
        ("", ("--hold", "Re"), ("--hold",)),
        ("", ("--hold", "Re=5", "--hold", "Re=6"), ("--hold Re: given twice",)),
        ("", ("--hold", "Re=-5"), ("positive",)),
        ("", ("--hold", "Re=5", "--bounds", "Re=4,6"), ("both held and bounded",)),
    ],
)
def test_what_makes_no_sense_is_one_sentence(refused, text, options, words):
    sentence, bench = refused(text, *options)
    for word in words:
        assert word.format(bench=bench) in sentence
