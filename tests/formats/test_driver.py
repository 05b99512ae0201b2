from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from helpers.made_fit import made_driver, made_fit

from tsfit.base.errors import TsfitError
from tsfit.base.files import to_json
from tsfit.box.kinds import ClosedPlan
from tsfit.circuit.coil import COIL_MODELS, laplace
from tsfit.formats.driver import read_driver, read_driver_or_fit
from tsfit.formats.fit import fit_to_dict

HEAD = '[driver]\nname = "Wagtail 8"\n'


def write(folder: Path, text: str, name: str = "driver.toml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_a_fit_is_a_driver(tmp_path):
    assert read_driver(write(tmp_path, to_json(fit_to_dict(made_fit())), "fit.json")) == made_driver()


# Each set worked by hand from one driver: Re 5.0 ohm, Fs 40 Hz, Mms 25 g, Qms 4, Qes 0.5, Sd 200 cm²; ω = 251.327 rad/s.
# Cms = 1/(ω² Mms) = 0.633257 mm/N; Rms = ω Mms/4 = 1.570796 N·s/m; Bl = √(ω Mms Re/0.5) = 7.926655 T·m; Qts = 4/9.
@pytest.mark.parametrize(
    "figures",
    [
        'Re = "5.0 ohm"\nFs = "40 Hz"\nQms = "4.0"\nQes = "0.50"\nMms = "25 g"\nSd = "200 cm^2"',
        'Re = "5.0 ohm"\nFs = "40 Hz"\nQms = 4.0\nQes = 0.5\nCms = "0.633257 mm/N"\nSd = "200 cm2"',
        'Re = "5.0 ohm"\nMms = "25 g"\nCms = "0.633257 mm/N"\nRms = "1.570796 N*s/m"\nBl = "7.926655 T*m"\nSd = "200 cm2"',
        'Re = "5.0 ohm"\nFs = "40 Hz"\nQts = "0.444444"\nQms = "4.0"\nMms = "25 g"\nSd = "200 cm^2"',
        'Re = "5.0 ohm"\nFs = "40 Hz"\nQms = "4.0"\nQes = "0.50"\nBl = "7.926655 N/A"\ndiameter = "15.957691 cm"',
    ],
)
@pytest.mark.parametrize("section", ["parameters", "published"])
def test_any_complete_set_gives_the_same_driver(tmp_path, figures, section):
    driver = read_driver(write(tmp_path, f"{HEAD}[{section}]\n{figures}\n"))
    found = [driver.Re, driver.Fs, driver.Qms, driver.Qes, driver.Mms, driver.Sd, driver.Cms, driver.Bl]
    assert found == pytest.approx([5.0, 40.0, 4.0, 0.5, 0.025, 0.02, 0.633257e-3, 7.926655], rel=2e-6)


@pytest.mark.parametrize(
    ("head", "section"),
    [(f'{HEAD}wiring = "series"\n', "parameters"), (f'{HEAD}[conditions]\nwiring = "series"\n', "published")],
)
def test_the_wiring_of_two_coils_comes_along(tmp_path, head, section):
    text = 'Re = "5 ohm"\nFs = "40 Hz"\nQms = 4.0\nQes = 0.5\nMms = "25 g"\nSd = "200 cm2"'
    assert read_driver(write(tmp_path, f"{head}[{section}]\n{text}\n")).wiring == "series"


COILED = f'{HEAD}[parameters]\nRe = "5 ohm"\nFs = "40 Hz"\nQms = 4.0\nQes = 0.5\nMms = "25 g"\nSd = "200 cm2"\n'


@pytest.mark.parametrize(
    ("terms", "coil", "ohm"),
    [
        # At 1 kHz, by hand: j6283.2 Le, and j6283.2 L2 beside R2 as (R2 X2² + j X2 R2²)/(R2² + X2²).
        ('Le = "0.3 mH"\nL2 = "0,6 mH"\nR2 = "4 ohm"', "ladder-2", 1.8816 + 1j * (1.88496 + 1.99646)),
        # 1/(1/j6.2832 + 1/(0.05 (j6283.2)^0.5) + 1/20) with (j6283.2)^0.5 = 56.05 (1 + j), and j6.2832 of Leb by a tenth.
        ('Leb = "0.1 mH"\nLe = "1 mH"\nKss = "0.05 sH"\nRss = "20 ohm"', "semi-inductance", 1.37495 + 2.66034j),
        ('Leb = "0.1 mH"\nLe = "1 mH"\nKss = "0.05 ohm*s^0.5"\nRss = "20 ohm"', "semi-inductance", 1.37495 + 2.66034j),
        ('K = "0.02 ohm*s^n"\nn = 0.6', "power-law", 0.02 * 6283.1853**0.6 * np.exp(0.3j * np.pi)),
    ],
)
def test_a_driver_file_tells_the_terms_of_its_coil(tmp_path, terms, coil, ohm):
    driver = read_driver(write(tmp_path, COILED + terms))
    assert driver.coil == coil
    found, _ = COIL_MODELS[coil].evaluate(laplace([1e3]), driver.coil_values)
    assert complex(found[0]) == pytest.approx(ohm, abs=1e-3)
    # What a coil takes, by the box: at 1 kHz the cone hardly moves.
    box = ClosedPlan(volume=0.05).build(driver)
    assert abs(complex(box.enclosure.impedance(np.array([1e3]))[0]) - 5.0 - ohm) < 0.5


@pytest.mark.parametrize(
    ("terms", "words"),
    [
        ('L2 = "0.6 mH"\nR2 = "4 ohm"', "L2, R2 make no model of a coil; for the one called ladder-2 add Le."),
        ('Le = "0.6 mH"\nn = 0.6', "Le, n make no model of a coil; for the one called simple leave out n."),
        ('Le = "0.6 mH"\nL2 = "4 ohm"', "L2: unit 'ohm' does not fit here; write a unit of H"),
    ],
)
def test_half_a_coil_is_refused(tmp_path, terms, words):
    with pytest.raises(TsfitError, match=words):
        read_driver(write(tmp_path, COILED + terms))


def test_a_fit_keeps_the_wiring_and_the_coupling_of_its_coils(tmp_path):
    driver = replace(made_driver(), wiring="parallel", coupling=0.91)
    assert read_driver(write(tmp_path, to_json(fit_to_dict(made_fit(driver))), "fit.json")) == driver


def test_further_figures_come_along(tmp_path):
    text = 'Re = "5 ohm"\nFs = "40 Hz"\nQms = 4.0\nQes = 0.5\nMms = "25 g"\nSd = "200 cm2"\nLe = "0.5 mH"\nXmax = "6 mm"'
    driver = read_driver(write(tmp_path, f"{HEAD}[parameters]\n{text}\n"))
    assert (driver.name, driver.coil_values["Le"], driver.Xmax) == ("Wagtail 8", 0.5e-3, 6e-3)


@pytest.mark.parametrize(
    ("text", "code", "words"),
    [
        (
            f'{HEAD}[parameters]\nFs = "40 Hz"\nQms = 4.0\nQes = 0.5\nVas = "60 l"\nSd = "200 cm^2"\n',
            "incomplete_driver",
            "Re cannot be had",
        ),
        (
            f'{HEAD}[parameters]\nRe = "5 ohm"\nFs = "40 Hz"\nQms = 4.0\nQes = 0.5\n',
            "incomplete_driver",
            "Mms, Sd cannot be had",
        ),
        (f'{HEAD}[parameters]\nRe = "5 ohm"\nQts = 0.5\nQes = 0.5\nFs = "40 Hz"\n', "wrong_value", "Qts must be smaller"),
        (f"{HEAD}[parameters]\n", "missing_key", "is empty"),
        (HEAD, "missing_key", "neither [parameters] nor [published]"),
        ('[parameters]\nRe = "5 ohm"\n', "missing_key", "driver is missing"),
        (f'{HEAD}[parameters]\nrE = "5 ohm"\n', "wrong_key", "did you mean 'Re'?"),
        (
            f'{HEAD}[parameters]\nRe = "5 ohm"\n[published]\nRe = "5 ohm"\n',
            "wrong_key",
            "published is not a key of a driver",
        ),
        ('name = "a rig"\ntopology = "divider"\n', "missing_key", "is no fit, datasheet or driver file but a rig file"),
        ("not toml", "not_toml", "not a valid TOML driver file"),
    ],
)
def test_what_a_driver_file_lacks_is_said_in_one_sentence(tmp_path, text, code, words):
    path = write(tmp_path, text)
    with pytest.raises(TsfitError) as caught:
        read_driver(path)
    assert caught.value.code == code, caught.value.message
    assert words in caught.value.message
    assert str(path) in caught.value.message
    assert "\n" not in caught.value.message


WHOLE = {"Re": "5.6 ohm", "Fs": "30 Hz", "Qms": "5", "Qes": "0.4", "Mms": "60 g", "Sd": "350 cm2"}
"""Vas = rho c^2 Sd^2 / ((2 pi Fs)^2 Mms) = 1.2041 * 343.2^2 * 0.035^2 / ((2 pi 30)^2 * 0.06) = 81.5 l, by hand."""


@pytest.mark.parametrize("section", ["parameters", "published"])
@pytest.mark.parametrize(
    ("further", "what"),
    [
        ({"Vas": "81.5 l"}, None),
        ({"Vas": "80 l", "Qts": "0.37"}, None),
        ({"Mms": "60.0 g", "Cms": "0.5 mm/N"}, None),  # a last digit: 0.45 to 0.55 mm/N
        ({"Cms": "0.4 mm/N"}, None),  # 0.45 mm/N at most, from 0.469
        ({"Cms": "0.40 mm/N"}, "Cms is 0.4 mm/N, but Fs, Mms make it 0.4691 mm/N;"),
        ({"Vas": "120 l"}, "Vas is 120 l, but "),
        ({"Vas": "2.88 l"}, "Vas is 2.88 l, but "),
        ({"Qts": "0.25"}, "Qts is 0.25, but Qms, Qes make it 0.3704;"),
        ({"Cms": "1.0 mm/N"}, "Cms is 1 mm/N, but Fs, Mms make it 0.4691 mm/N;"),
    ],
)
def test_a_driver_file_or_sheet_that_contradicts_itself_is_refused(tmp_path, section, further, what):
    path = tmp_path / "driver.toml"
    told = "\n".join(f'{name} = "{value}"' for name, value in {**WHOLE, **further}.items())
    path.write_text(f'[driver]\nname = "Plover 12"\n[{section}]\n{told}\n')
    if what is None:
        assert read_driver(path).Vas == pytest.approx(0.0815, rel=0.01)
        return
    with pytest.raises(TsfitError, match=what) as refused:
        read_driver(path)
    assert refused.value.code == "contradiction"
    assert "correct the one that is wrong" in refused.value.message


SHORT = 'Re = "5.6 ohm"\nFs = "30 Hz"\nQts = "0.40"\nVas = "80 l"\nXmax = "6 mm"\nPe = "100 W"\n'


def test_a_sheet_of_four_parameters_makes_a_box_and_says_what_is_assumed(tmp_path):
    """fc = Fs √(1 + Vas/Vb) and Qtc = Qts √(1 + Vas/Vb) (Small 1972) ask for no more: 80 l of 80 l make √2 of both."""
    path = write(tmp_path, f"{HEAD}[published]\n{SHORT}")
    driver, fit = read_driver_or_fit(path, assuming=True)
    assert fit is None
    box = ClosedPlan(volume=0.08).build(driver)
    assert (box.chamber.fc, box.chamber.qtc) == pytest.approx((30.0 * 2**0.5, 0.4 * 2**0.5), rel=1e-6)
    assert (driver.Xmax, driver.Pe) == (None, 100.0)
    assert [said.split(" is not printed")[0] for said in driver.assumed] == ["Qms", "Sd"]
    assert set(driver.assumed) <= {note.message for note in box.notes}
    # Level and response are those of any area: with another one, and the same Vas, the curve stays.
    other = read_driver(write(tmp_path, f'{HEAD}[published]\n{SHORT}Sd = "150 cm^2"\nQms = "5.0"\n', "other.toml"))
    assert (other.Xmax, other.assumed) == (0.006, ())
    again = ClosedPlan(volume=0.08).build(other)
    levels = [each.enclosure.respond(np.array([20.0, 50.0, 200.0])).spl_db for each in (box, again)]
    assert levels[0] == pytest.approx(levels[1], abs=1e-9)


def test_what_cannot_be_assumed_is_still_asked_for(tmp_path):
    for lacking in ("Re", "Fs", "Qts", "Vas"):
        text = "\n".join(line for line in SHORT.splitlines() if not line.startswith(lacking))
        with pytest.raises(TsfitError) as refused:
            read_driver(write(tmp_path, f"{HEAD}[published]\n{text}\n"), assuming=True)
        assert refused.value.code == "incomplete_driver"
    with pytest.raises(TsfitError, match="cannot be had"):
        read_driver(write(tmp_path, f"{HEAD}[published]\n{SHORT}"))
    with pytest.raises(TsfitError, match="cannot be had"):
        read_driver(write(tmp_path, f"{HEAD}[parameters]\n{SHORT}"), assuming=True)
