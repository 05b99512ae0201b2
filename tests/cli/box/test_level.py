"""What a level takes: printed, and as a machine form."""

import json
from dataclasses import replace

from helpers.made_curves_over_travel import driver_of, travel_of
from helpers.made_fit import made_fit

from tsfit.base.files import to_json
from tsfit.formats.fit import fit_to_dict


def test_a_level_tells_watts_boxes_amplifier_and_high_pass(tsfit, heron, tmp_path):
    plan = tmp_path / "plan.toml"
    plan.write_text(
        'kind = "vented"\nvolume_l = 60\ntuning_hz = 31\n[port]\ndiameter_cm = 8\n[drivers]\nrated_power_w = 200\n'
    )
    asked = ("level", str(plan), heron, "--target-db", "112", "--distance-m", "3")
    code, out, _ = tsfit(*asked)
    assert code == 0
    assert "first limit" in out
    assert "such boxes close together" in out
    data = json.loads(tsfit(*asked, "--json")[1])
    assert data["needs"]["boxes"] > 1
    assert {"order", "corner_hz", "loss_db"} == set(data["high_passes"][0])
    assert data["amplifier"]["rated_load_ohm"] == 4.0
    code, _, err = tsfit("level", str(plan), heron, "--target-db", "500")
    assert code == 2
    assert "between 0 and 200 dB" in err


def test_measured_travel_tells_the_distortion_at_that_level(tsfit, tmp_path):
    told = travel_of()
    driver = replace(driver_of(told), serial="A-1")
    (tmp_path / "fit.json").write_text(to_json(fit_to_dict(made_fit(driver))))
    (tmp_path / "travel.json").write_text(to_json(told))
    (tmp_path / "box.toml").write_text('kind = "closed"\nvolume_l = 60\n')
    travel, plot = str(tmp_path / "travel.json"), tmp_path / "distortion.svg"
    asked = ("level", str(tmp_path / "box.toml"), str(tmp_path / "fit.json"), "--target-db", "92", "--from-hz", "30")
    code, out, _ = tsfit(*asked, "--travel", travel, "--plot", str(plot))
    assert code == 0
    assert "Distortion is largest at 30 Hz: second harmonic" in out
    assert "2nd %" in out
    assert plot.stat().st_size > 1000
    found = json.loads(tsfit(*asked, "--travel", travel, "--json")[1])["distortion"]
    assert found["third_percent"][0] > found["third_percent"][-1]
    code, _, err = tsfit(*asked, "--plot", str(tmp_path / "other.svg"))
    assert (code, "which --travel tells" in err) == (2, True)
