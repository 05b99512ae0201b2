"""Options that several commands share, by what they do to level and limits."""

import json
import math

import pytest
from helpers.heron import DRIVER


def test_a_wiring_of_two_coils(tsfit, tmp_path):
    path = tmp_path / "dual.toml"
    path.write_text(DRIVER.replace("[driver]\n", '[driver]\nwiring = "series"\n'))
    levels = []
    for wiring in ("series", "parallel"):
        code, out, err = tsfit("baffle", str(path), "--wiring", wiring, "--json")
        assert code == 0, err
        levels.append(json.loads(out)["design"]["reference_db"])
    assert levels[1] - levels[0] == pytest.approx(20.0 * math.log10(2.0), abs=1e-6)


def test_a_wiring_for_a_driver_that_states_none(tsfit, heron):
    code, _, err = tsfit("baffle", heron, "--wiring", "parallel")
    assert code == 2
    assert "state that in its bench, sheet or driver file" in " ".join(err.split())


def test_an_amplifier_in_watts(tsfit, heron):
    ratings = ("--amplifier-w", "200", "--amplifier-load-ohm", "4", "--json")
    code, out, err = tsfit("baffle", heron, *ratings)
    assert code == 0, err
    assert "amplifier voltage" in json.loads(out)["limited_by"]
    code, _, err = tsfit("baffle", heron, "--amplifier-w", "200")
    assert code == 2
    assert "give both the watts and the ohms" in " ".join(err.split())


def test_the_air_of_the_box_is_told_by_options(tsfit, heron):
    """Vas = ρc²·Cms·Sd², which is γp: at 700 hPa it is 700/1013.25 of what it is at sea level (ideal gas)."""
    asked = ("closed", heron, "--volume-l", "40", "--temperature-c", "20", "--json")
    alpha = [json.loads(tsfit(*asked, *more)[1])["design"]["alpha"] for more in ((), ("--pressure-hpa", "700"))]
    assert alpha[1] / alpha[0] == pytest.approx(700.0 / 1013.25, rel=2e-3)
    code, _, err = tsfit(*asked[:-1], "--pressure-hpa", "7")
    assert code == 2
    assert "air pressure: 7 hPa cannot be" in err
