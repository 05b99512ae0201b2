"""What a level takes: printed, and as a machine form."""

import json


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
