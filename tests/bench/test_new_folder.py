"""A folder to start with: every file in it is good as it stands, and with what is commented out."""

import math
import re

import pytest

from tsfit.bench.file import BenchTable, untouched
from tsfit.bench.new_folder import RIGS, next_steps, start_folder
from tsfit.box.file import read_box
from tsfit.capture.rig import read_rig
from tsfit.formats.toml import read_toml


@pytest.mark.parametrize("rig", RIGS)
def test_every_file_is_good(tmp_path, rig):
    folder = tmp_path / "new" / "folder"
    files = start_folder(folder, rig)
    assert all(path.is_dir() == (path.name == "drivers") for path in files)
    assert set(folder.iterdir()) == set(files)
    assert read_rig(folder / "rig.toml").name
    read_toml(folder / "bench.toml", BenchTable, "bench")
    assert "rig.svg" in (folder / "rig.toml").read_text()
    assert read_box(folder / "box.toml").kind == "closed"
    assert "[published]" in (folder / "sheet.toml").read_text()


def test_what_is_commented_out_is_good_too(tmp_path):
    start_folder(tmp_path, "simulated")
    text = (tmp_path / "bench.toml").read_text()
    text = re.sub(r"^# (?=[a-z_]+ = |\[\[)", "", text, flags=re.MULTILINE)
    (tmp_path / "bench.toml").write_text(text.replace("coils = 2 ", "coils = 1 "))
    table = read_toml(tmp_path / "bench.toml", BenchTable, "bench")
    assert [sweep.state for sweep in table.sweep] == ["free air", "added mass", "closed box"]


def test_what_is_commented_out_in_the_box_is_good_too(tmp_path):
    start_folder(tmp_path, "simulated")
    text = re.sub(r"^# (?=[a-z_]+ = |\[)", "", (tmp_path / "box.toml").read_text(), flags=re.MULTILINE)
    (tmp_path / "box.toml").write_text(text.replace('kind = "closed"', 'kind = "vented"'))
    assert read_box(tmp_path / "box.toml").tuning == 28.0


@pytest.mark.parametrize(
    ("rig", "name", "sd_cm2"), [("simulated", "Dunlin 10", 345.0), ("simulated-power", "Godwit 15", 870.0)]
)
def test_a_simulated_folder_has_the_diameter_of_its_driver(tmp_path, rig, name, sd_cm2):
    """Areas as the files in rigs/drivers state them."""
    start_folder(tmp_path, rig)
    driver = read_toml(tmp_path / "bench.toml", BenchTable, "bench").driver
    assert driver.name == name
    assert math.pi * driver.effective_diameter_cm**2 / 4.0 == pytest.approx(sd_cm2, rel=1e-3)


def test_the_folder_of_a_real_rig_has_what_is_warned_of(tmp_path):
    start_folder(tmp_path, "power-shunt")
    assert untouched(tmp_path / "bench.toml", read_toml(tmp_path / "bench.toml", BenchTable, "bench").driver)


@pytest.mark.parametrize(("rig", "simulated"), [("simulated-power", True), ("power-shunt", False)])
def test_the_power_run_that_is_only_reckoned_is_as_long_as_continuous_power_takes(rig, simulated):
    """20 minutes, as 'tsfit heat' asks for; a real one is the 30 of tsfit sweep."""
    steps = next_steps(rig)
    assert ("--minutes 20" in steps) == simulated
    assert ("Here it is reckoned" in steps) == simulated
    # Without the sheet the box knows no power at all where the run told none.
    assert "--sheet sheet.toml" in steps[steps.index("tsfit box closed") : steps.index("tsfit report")]
    assert max(map(len, steps.splitlines())) <= 61
