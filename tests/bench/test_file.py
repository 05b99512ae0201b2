"""A bench file: in SI by hand, uncertainties assumed where none are stated, and written so that it is read again."""

import math
import tomllib
from pathlib import Path

import pytest
from helpers.paths import ROOT

from tsfit.base.errors import TsfitError
from tsfit.bench.file import (
    ASSUMED_RELATIVE,
    BenchDriverTable,
    BenchTable,
    SweepTable,
    area_of,
    assumed_in,
    state_of,
    untouched,
    write_bench,
)
from tsfit.bench.fit import fit_bench
from tsfit.bench.new_folder import template
from tsfit.capture.rig import read_rig
from tsfit.formats.toml import read_toml

FREE = SweepTable(recording="free.wav", state="free air")
MASS = SweepTable(recording="mass.wav", state="added mass", mass_g=30.0, mass_uncertainty_g=0.1)


def test_a_sweep_in_si():
    state = state_of(MASS)
    assert (state.mass, state.mass_uncertainty) == pytest.approx((0.030, 1e-4))
    box = state_of(SweepTable(recording="box.wav", state="closed box", volume_l=40.0))
    assert (box.volume, box.volume_uncertainty) == pytest.approx((0.040, 0.040 * ASSUMED_RELATIVE["volume"]))


@pytest.mark.parametrize(
    ("table", "area", "stdev"),
    [
        ({"sd_cm2": 350.0, "sd_uncertainty_cm2": 3.5}, 0.035, 3.5e-4),
        # d = 20 cm to 0.1 cm: πd²/4, and twice the relative uncertainty of the diameter.
        (
            {"effective_diameter_cm": 20.0, "effective_diameter_uncertainty_cm": 0.1},
            math.pi * 0.01,
            math.pi * 0.01 * 2 * 0.005,
        ),
    ],
)
def test_an_area_by_hand(table, area, stdev):
    known, notes = area_of(BenchDriverTable(name="x", **table))
    assert (known.value, known.uncertainty) == pytest.approx((area, stdev))
    assert notes == ()


def test_what_is_assumed_is_said():
    known, (note,) = area_of(BenchDriverTable(name="x", sd_cm2=350.0))
    assert known.uncertainty == pytest.approx(0.035 * ASSUMED_RELATIVE["area"])
    assert note.code == "assumed_uncertainty"
    assert area_of(BenchDriverTable(name="x")) == (None, ())
    (note,) = assumed_in(SweepTable(recording="box.wav", state="closed box", volume_l=40.0), 3)
    assert (note.code, note.severity, note.sweep) == ("assumed_uncertainty", "note", 3)
    assert assumed_in(MASS, 0) == ()


def test_what_is_written_is_read(tmp_path):
    (tmp_path / "benches").mkdir()
    path = tmp_path / "benches" / "bench.toml"
    driver = BenchDriverTable(name="Knot 12", sd_cm2=350.0)
    write_bench(path, tmp_path / "rig.toml", driver, [FREE, MASS])
    read = read_toml(path, BenchTable, "bench")
    assert read.rig == "../rig.toml"
    assert (read.driver, read.sweep) == (driver, [FREE, MASS])
    assert tomllib.loads(path.read_text())["driver"] == {"name": "Knot 12", "sd_cm2": 350.0}
    with pytest.raises(TsfitError) as refused:
        write_bench(path, tmp_path / "rig.toml", driver, [FREE])
    assert refused.value.code == "exists"


DRIVEN = """rig = "rig.toml"
[driver]
name = "x"
from = "fit.json"
coil_alpha_per_k = 0.0039
outward = "positive"
[[sweep]]
recording = "level-3.flac"
state = "full travel"
settle_s = 4.0
period_s = 4.0
total_v_full_scale = 20.0
reference_v_full_scale = 0.5
[[sweep]]
recording = "power.flac"
state = "power run"
ambient_temperature_c = 22.0
[[sweep]]
curve = "held.txt"
state = "free air"
offset_mm = -6.0
"""


def test_states_that_are_driven_hard_are_read_and_not_fitted(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text(DRIVEN)
    table = read_toml(path, BenchTable, "bench")
    assert [sweep.driven for sweep in table.sweep] == [True, True, False]
    assert not any(sweep.at_rest for sweep in table.sweep)
    assert table.driver.described_in == "fit.json"
    with pytest.raises(TsfitError, match="holds no small-signal sweep at rest") as error:
        fit_bench(path)
    assert error.value.code == "nothing_to_fit"


@pytest.mark.parametrize(
    ("was", "is_now", "said"),
    [
        ('recording = "power.flac"', 'curve = "power.txt"', "needs a recording of both channels"),
        ("ambient_temperature_c", "settle_s", "settle_s belongs to state 'full travel'"),
        ('state = "full travel"', 'state = "free air"', "settle_s belongs to state 'full travel', not to 'free air'"),
        ("from =", "form =", "did you mean 'from'"),
        ("settle_s = 4.0", "offset_mm = 4.0", "offset_mm belongs to a sweep in free air or a closed box"),
        ("settle_s = 4.0", "offset_uncertainty_mm = 0.1", "has no offset_mm beside it"),
    ],
)
def test_keys_of_driven_states_stand_where_they_belong(tmp_path, was, is_now, said):
    path = tmp_path / "bench.toml"
    path.write_text(DRIVEN.replace(was, is_now))
    with pytest.raises(TsfitError, match=said):
        read_toml(path, BenchTable, "bench")


@pytest.mark.parametrize(
    ("topology", "right", "wrong"), [("shunt", "reference", "driver"), ("divider", "driver", "reference")]
)
def test_volts_of_a_channel_that_the_rig_does_not_have_are_refused(topology, right, wrong):
    rig = read_rig(ROOT / "rigs" / f"amplifier-{topology}.toml")

    def sweep(name):
        return SweepTable(recording="a.wav", state="power run", **{f"{name}_v_full_scale": 4.0})

    assert sweep(right).second_v_full_scale(rig) == 4.0
    assert SweepTable(recording="a.wav", state="power run").second_v_full_scale(rig) is None
    with pytest.raises(TsfitError, match=f"is a {topology}; state {right}_v_full_scale") as error:
        sweep(wrong).second_v_full_scale(rig)
    assert error.value.code == "wrong_key"


def test_name_and_diameter_that_a_new_folder_came_with_are_told():
    """Vas goes with the fourth power of the diameter: one left as it came is a wrong number that looks sure."""
    read = tomllib.loads(template("bench.toml"))["driver"]
    came = BenchDriverTable(**{key: read[key] for key in ("name", "effective_diameter_cm")})
    [note] = untouched(Path("bench.toml"), came)
    assert (note.severity, note.code) == ("warn", "template")
    assert "write those of your driver" in note.message
    for change in ({"name": "Dunlin"}, {"effective_diameter_cm": 20.0}):
        assert untouched(Path("bench.toml"), came.model_copy(update=change)) == ()
