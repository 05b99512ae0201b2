"""``tsfit sweep`` on the simulated rig."""

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from helpers.simulated_rig import simulated_rig

from tsfit.bench.fit import fit_bench
from tsfit.cli import run, tsfit
from tsfit.formats.curve import read_curve, write_curve


@pytest.fixture
def rig(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return simulated_rig(tmp_path)


def _sweep(capsys, *options, figure=False):
    """Sweep for 3 s; without a figure, which takes as long as all the rest."""
    drawn = () if figure else ("--no-figure",)
    status = run(["sweep", "simulated.toml", "--seconds", "3", "--json", *drawn, *options])
    return status, json.loads(capsys.readouterr().out)


@pytest.mark.parametrize("kind", ["exponential sweep", "multisine", "odd multisine", "stepped sine"])
def test_every_excitation_leaves_recording_conditions_and_curve(rig, capsys, kind):
    seconds, figure = "20" if kind == "stepped sine" else "5", kind == "exponential sweep"
    status, found = _sweep(capsys, "--excitation", kind, "--high-hz", "4000", "--seconds", seconds, figure=figure)
    assert status == 0
    (one,) = found["sweeps"]
    assert one["recording"] == "free-air.wav"
    conditions = tomllib.loads(Path(one["conditions"]).read_text())
    assert conditions["complete"] is True
    assert conditions["excitation"]["kind"] == kind
    assert conditions["sweep"]["state"] == "free air"
    assert conditions["verdict"]["action"].startswith("Good")
    assert len(Path(one["curve"]).read_text().splitlines()) > 50
    assert [path.read_bytes()[:4] for path in Path().glob("*.png")] == [b"\x89PNG"] * figure


def test_the_state_goes_into_names_and_conditions(rig, capsys):
    options = ("--state", "added mass", "--mass-g", "30", "--pressure-hpa", "980", "--hours", "12", "--serial", "7")
    status, found = _sweep(capsys, *options, "--repeats", "2")
    assert status == 0
    assert [one["recording"] for one in found["sweeps"]] == ["added-mass-30g-1.wav", "added-mass-30g-2.wav"]
    conditions = tomllib.loads(Path(found["sweeps"][0]["conditions"]).read_text())
    assert conditions["sweep"]["mass_g"] == 30.0
    assert conditions["sweep"]["pressure_hpa"] == 980.0
    assert (conditions["hours_of_use"], conditions["serial"]) == (12.0, "7")


def test_repeats_are_compared_and_averaged(rig, capsys):
    status, found = _sweep(capsys, "--repeats", "2", "--high-hz", "4000", figure=True)
    assert status == 0
    average = found["average"]
    assert average["curve"] == "free-air.txt"
    assert average["notes"] == []
    assert max(map(abs, average["warming_k"])) < 0.5
    assert tomllib.loads(Path("free-air-2.toml").read_text())["repeats"]["repeats"] == 2
    assert Path("free-air.png").is_file()
    mean, *repeats = (read_curve(Path(name)) for name in ("free-air.txt", *(one["curve"] for one in found["sweeps"])))
    # A point at the edge of what noise lets be told may be in one repeat and not in the next.
    inside = [np.isin(np.round(one.frequency_hz, 6), np.round(mean.frequency_hz, 6)) for one in repeats]
    wanted = sum(one.impedance_ohm[some] for one, some in zip(repeats, inside, strict=True)) / 2
    assert abs(mean.impedance_ohm / wanted - 1.0).max() < 1e-4
    again = ["sweep", "simulated.toml", "--seconds", "2", "--repeats", "2", "-o", "x.wav", "--no-figure"]
    told = CliRunner().invoke(tsfit, again)
    assert "x.txt: average of 2 sweeps" in told.output


def test_it_repeats_until_what_was_wanted_is_reached(rig, capsys):
    options = ("--high-hz", "4000", "--repeats", "4", "--level-dbfs", "-60")
    status, found = _sweep(capsys, *options, "--until", "Fs 0.009 %")
    assert 1 < len(found["sweeps"]) <= 4
    until = found["until"]
    assert status == (until["reached"] > 0.9e-4)
    assert until["swept_s"] == 3.0 * len(found["sweeps"])
    # What one sweep of the series tells, and all together: the noise of the mean; what they share (the clock, and which
    # circuit was chosen, by chance at this noise) stays.
    one = fit_bench(Path("free-air-1.txt")).parameters["Fs"]
    assert until["reached"] ** 2 - until["limit"] ** 2 < (one.stdev / one.value) ** 2
    options = ["--seconds", "2", "--until", "Fs 0.001 %", "-o", "x.wav", "--no-figure"]
    assert run(["sweep", "simulated.toml", *options]) == 1
    out = " ".join(capsys.readouterr().out.split())
    assert "no sweep is long enough" in out
    assert "clock" in out
    assert not Path("x-2.wav").exists()
    for wrong in (["--until", "Xmax 1 %"], ["--until", "Fs 1 %", "--state", "infinite baffle"]):
        assert run(["sweep", "simulated.toml", *wrong]) == 2


def test_an_average_that_is_there_is_refused_before_the_sound(rig, capsys):
    Path("free-air.txt").write_text("mine")
    status, found = _sweep(capsys, "--repeats", "2")
    assert (status, found["error"]["code"]) == (2, "exists")
    assert Path("free-air.txt").read_text() == "mine"
    assert not list(Path().glob("*.wav"))


@pytest.mark.parametrize(
    ("kind", "high_hz", "code"),
    [("odd multisine", "9.9", "usage"), ("exponential sweep", "10", None), ("exponential sweep", "20", None)],
)
def test_a_range_too_narrow_for_anything_is_said_so(rig, capsys, kind, high_hz, code):
    status, found = _sweep(capsys, "--excitation", kind, "--high-hz", high_hz)
    assert status == (0 if code is None else 2)
    if code is None:
        # A second harmonic reaches up to 20 Hz in one point, not in a band of a third of an octave.
        assert found["sweeps"][0]["verdict"]["distortion"] == "not measurable"
    else:
        assert found["error"]["code"] == code


def test_nothing_is_overwritten(rig, capsys):
    assert _sweep(capsys)[0] == 0
    before = Path("free-air.wav").read_bytes()
    status, found = _sweep(capsys)
    assert status == 2
    assert found["error"]["code"] == "exists"
    assert Path("free-air.wav").read_bytes() == before


@pytest.mark.parametrize(
    ("options", "code"),
    [
        (["--level-dbfs", "-10"], "confirm"),
        (["--level-dbfs", "0", "--yes"], "level_limit"),
        (["--level-v", "1"], "usage"),
        (["--state", "added mass"], "usage"),
        (["--mass-g", "30"], "usage"),
        (["--guided"], "usage"),
        (["--state", "added mass", "--mass-g", "0.03"], "confirm"),
        (["--state", "closed box", "--volume-l", "20000"], "confirm"),
    ],
)
def test_refusals_leave_nothing_behind(rig, capsys, options, code):
    status, found = _sweep(capsys, *options)
    assert status == 2
    assert found["error"]["code"] == code
    assert not list(Path().glob("*.wav"))


def test_a_louder_level_asks_first(rig):
    told = CliRunner().invoke(tsfit, ["sweep", "simulated.toml", "--level-dbfs", "-10", "--seconds", "2"], input="n\n")
    assert "above the quiet -30" in told.output
    assert told.exit_code != 0
    assert not list(Path().glob("*.wav"))


def test_cautions_stand_before_the_sound(rig):
    told = CliRunner().invoke(tsfit, ["sweep", "simulated.toml", "--seconds", "2", "--no-figure"])
    assert told.exit_code == 0
    assert told.output.index("may not be ground") < told.output.index("free-air.wav")


def test_guided_leads_to_a_bench_file_that_fits(rig):
    answers = "mine\nDunlin\n21,0\n\n1,200\n30\n20\n"
    told = CliRunner().invoke(
        tsfit, ["sweep", "simulated.toml", "--guided", "--seconds", "4", "--no-figure"], input=answers
    )
    assert told.exit_code == 0, told.output
    # 1,200 may be a thousand or one: it asks again.
    assert "may" in told.output
    assert "thousand" in told.output
    assert "\nNow: tsfit fit" in told.output
    assert "bench.toml takes air of 20 °C" in told.output
    assert "No mass on the cone any more" in told.output
    found = fit_bench(Path("mine/bench.toml"), coil="simple", suspension="ideal").parameters
    # The figures of the driver file that the simulated rig plays (rigs/drivers/dunlin-10.toml).
    for name, value in {"Re": 5.6, "Fs": 29.0, "Qms": 4.6, "Qes": 0.41, "Mms": 0.042}.items():
        assert found[name].value == pytest.approx(value, rel=0.01), name


def test_guided_doubts_sizes_in_another_unit_and_asks_again(rig):
    """254 mm, 0.03 kg and 0.02 m³; then what was meant, and a mass that is as odd once more, which is kept."""
    answers = "mine\nDunlin\n254\n25.4\n\n0.03\n0.03\n0.02\n0\n"
    asked = ["sweep", "simulated.toml", "--guided", "--seconds", "2", "--no-figure"]
    told = CliRunner().invoke(tsfit, asked, input=answers)
    assert told.exit_code == 0, told.output
    for words in ("25.4 cm if 254 is mm", "30 g if 0.03 is kg", "20 l if 0.02 is m^3", "the same again keeps it"):
        assert words in told.output
    bench = tomllib.loads(Path("mine/bench.toml").read_text())
    assert bench["driver"]["effective_diameter_cm"] == 25.4
    assert [one.get("mass_g") for one in bench["sweep"]] == [None, 0.03]


def test_guided_takes_none_for_the_cone_as_for_mass_and_box(rig):
    asked = ["sweep", "simulated.toml", "--guided", "--seconds", "2", "--no-figure"]
    told = CliRunner().invoke(tsfit, asked, input="mine\nDunlin\n0\n\n0\n0\n")
    assert told.exit_code == 0, told.output
    assert "effective_diameter_cm" not in tomllib.loads(Path("mine/bench.toml").read_text())["driver"]


def test_a_mass_in_kilograms_is_asked_about_before_it_is_played(rig):
    asked = ["sweep", "simulated.toml", "--seconds", "2", "--no-figure", "--state", "added mass", "--mass-g", "0.03"]
    told = CliRunner().invoke(tsfit, asked, input="\n")
    assert "30 g if 0.03 is kg" in told.output
    assert told.exit_code != 0
    assert not list(Path().glob("*.wav"))
    told = CliRunner().invoke(tsfit, [*asked, "--yes"])
    assert told.exit_code == 0
    assert "30 g if 0.03 is kg" in told.output


def test_guided_takes_units_and_says_what_is_wanted(rig):
    """No name, a length in mm, a word, nothing, 0.03 kg, and a unit of something else before no box."""
    answers = "mine\n\nDunlin\n210 mm\n\nmuch\n\n0.03 kg\n3 kg\n0\n"
    asked = ["sweep", "simulated.toml", "--guided", "--seconds", "2", "--no-figure"]
    told = CliRunner().invoke(tsfit, asked, input=answers)
    assert told.exit_code == 0, told.output
    for words in ("a name is wanted", "'much' is none; a number is wanted, such as 20 or 20 g", "'kg' does not fit here"):
        assert words in told.output
    assert "valid float" not in told.output
    bench = tomllib.loads(Path("mine/bench.toml").read_text())
    assert bench["driver"]["effective_diameter_cm"] == pytest.approx(21.0)
    assert [one.get("mass_g") for one in bench["sweep"]] == [None, pytest.approx(30.0)]


def test_a_name_that_was_typed_is_named_when_what_lies_beside_it_is_there(rig, capsys):
    Path("mine.txt").write_text("kept")
    status, found = _sweep(capsys, "-o", "mine.wav")
    assert status == 2
    assert "mine.txt: already there and left as it is, and mine.wav would write it" in found["error"]["message"]


def test_guided_at_a_level_in_volts_keeps_the_volts_in_the_bench_file(rig):
    volts = Path("simulated.toml").read_text().replace("[playback]", "[playback]\nvolts_per_full_scale = 1.0")
    Path("simulated.toml").write_text(volts)
    asked = ["sweep", "simulated.toml", "--guided", "--seconds", "2", "--level-v", "0.02", "--no-figure"]
    told = CliRunner().invoke(tsfit, asked, input="mine\nDunlin\n21\n\n30\n0\n")
    assert told.exit_code == 0, told.output
    bench = tomllib.loads(Path("mine/bench.toml").read_text())
    assert [(one["level_v"], one.get("level_dbfs")) for one in bench["sweep"]] == [(0.02, None)] * 2


def test_guided_broken_off_goes_on_where_it_stopped(rig, monkeypatch):
    """In the second state, after its recording is whole; once more before anything of the third."""
    asked = ["sweep", "simulated.toml", "--guided", "--seconds", "2", "--no-figure"]
    curves = []

    def broken(curve, path):
        curves.append(path.name)
        if len(curves) == 2:
            raise KeyboardInterrupt
        return write_curve(curve, path)

    monkeypatch.setattr("tsfit.bench.sweep.write_curve", broken)
    told = CliRunner().invoke(tsfit, asked, input="mine\nDunlin\n21\n\n30\n", standalone_mode=False)
    assert "start it again with the same folder" in told.exception.how.lower()
    assert not Path("mine/bench.toml").exists()
    first = Path("mine/added-mass-30g.wav").read_bytes()
    # Another answer than a number of litres ends the second run.
    told = CliRunner().invoke(tsfit, asked, input="mine\n30\n")
    assert "Goes on in mine, where a run broke off: free air of Dunlin done." in told.output
    assert "It counts on Dunlin, a cone of 21 cm." in told.output
    assert "edit mine/bench.partial.toml" in " ".join(told.output.split())
    assert "Hold the driver free" not in told.output
    told = CliRunner().invoke(tsfit, asked, input="mine\n0\n")
    assert told.exit_code == 0, told.output
    bench = tomllib.loads(Path("mine/bench.toml").read_text())
    assert [one["recording"] for one in bench["sweep"]] == ["free-air.wav", "added-mass-30g-b.wav"]
    assert bench["driver"] == {"name": "Dunlin", "effective_diameter_cm": 21.0}
    assert Path("mine/added-mass-30g.wav").read_bytes() == first
    assert not Path("mine/bench.partial.toml").exists()


def test_a_sweep_broken_off_says_what_is_whole(rig, capsys, monkeypatch):
    def broken(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("tsfit.bench.sweep.write_curve", broken)
    assert run(["sweep", "simulated.toml", "--seconds", "2", "--no-figure"]) == 2
    err = capsys.readouterr().err
    assert "kept: free-air.wav, free-air.toml" in err
    assert "free-air.wav is whole, but without verdict and curve: name it in a bench file" in err


def test_what_cannot_be_is_said_before_cautions_and_of_the_option(rig, capsys):
    Path("free-air.txt").write_text("taken")
    assert run(["sweep", "simulated.toml", "--seconds", "2"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "free-air.txt: already there and left as it is" in err
    assert run(["sweep", "simulated.toml", "--level-dbfs", "10", "-o", "loud.wav"]) == 2
    assert "command line: level_dbfs: input should be less than or equal to 0 (given: 10.0)" in capsys.readouterr().err
    for size, state in ((["--mass-g", "30"], "added mass"), (["--volume-l", "20"], "closed box")):
        assert run(["sweep", "simulated.toml", *size]) == 2
        told = " ".join(capsys.readouterr().err.split())
        assert f'{size[0]} belongs to another state; add --state "{state}"' in told
