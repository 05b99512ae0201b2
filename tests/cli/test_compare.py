"""``tsfit compare``: equal conditions from its options, tables, ratings, refusals."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from helpers.made_fit import made_fit
from helpers.made_heat_result import heat_result
from helpers.made_travel_result import made_travel_result

from tsfit.base.files import to_json
from tsfit.box.compare.ways import TITLES
from tsfit.box.frequencies import PREFERRED_HZ
from tsfit.cli import run
from tsfit.driver.record import Driver, NamedDriver
from tsfit.formats.fit import fit_to_dict

OLD = Driver("Dunlin 12", 5.4, 25.0, 5.0, 0.42, Mms=0.11, Sd=0.052, Xmax=0.022, Pe=300.0)
STRONGER = replace(OLD, name="Dunlin 12 S", Qes=0.30)


@pytest.fixture
def files(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "fit.json").write_text(to_json(fit_to_dict(made_fit())))
    for name, driver in {"old.toml": OLD, "new.toml": STRONGER}.items():
        figures = {
            "Re": f"{driver.Re} ohm",
            "Fs": f"{driver.Fs} Hz",
            "Qms": f"{driver.Qms}",
            "Qes": f"{driver.Qes}",
            "Mms": f"{1e3 * driver.Mms} g",
            "Sd": f"{1e4 * driver.Sd} cm^2",
            "Xmax": "9 mm",
            "Pe": "300 W",
        }
        lines = [f'{key} = "{value}"' for key, value in figures.items()]
        (tmp_path / name).write_text("\n".join(["[driver]", f'name = "{driver.name}"', "[published]", *lines, ""]))
    return tmp_path


def test_command(files, capsys, monkeypatch):
    assert run(["compare", "old.toml", "new.toml", "--cost", "120", "--plot", "x.png", "-o", "x.json"]) == 0
    out = capsys.readouterr().out
    assert " ".join(out.split()).startswith(
        "Dunlin 12 S against Dunlin 12, each at its loudest, with travel and power as printed: "
    )
    for word in ("closed, Qtc 0.707", "infinite baffle", "At equal power"):
        assert word in out
    assert "stopped by" not in out
    assert run(["compare", "old.toml", "new.toml", "--cost", "120", "--full"]) == 0
    full = capsys.readouterr().out
    assert "stopped by" in full
    assert "120" in full
    monkeypatch.setenv("COLUMNS", "100")
    assert run(["compare", "old.toml", "new.toml", "--qtc", "0.707"]) == 0
    assert len(capsys.readouterr().out.splitlines()) <= 25
    assert (files / "x-1.png").is_file()
    data = json.loads((files / "x.json").read_text())
    assert [one["name"] for one in data["compared"]] == ["Dunlin 12", "Dunlin 12 S"]
    assert data["cases"][0]["differences"]["limits"][0]["low_db"] is None


def test_whose_limit_is_whose_is_said_where_they_differ(files, capsys):
    same = ["compare", "old.toml", "new.toml", "--volume-l", "60", "--way", "limits", "--rated-power-w", "100"]
    assert run([*same, "--xmax-mm", "1", "--xmax-mm", "30"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "travel / power" in out
    assert "; where limits differ, Dunlin 12 / Dunlin 12 S" in out
    assert run([*same, "--xmax-mm", "30"]) == 0
    assert "where limits differ" not in " ".join(capsys.readouterr().out.split())


def test_a_fit_takes_its_ratings_from_a_sheet(files, capsys):
    assert run(["compare", "fit.json", "old.toml", "--volume-l", "20", "--json"]) == 0
    assert "limits" not in json.loads(capsys.readouterr().out)["cases"][0]["level_db"]
    assert run(["compare", "fit.json", "old.toml", "--sheet", "new.toml", "--volume-l", "20", "--json"]) == 0
    assert "limits" in json.loads(capsys.readouterr().out)["cases"][0]["level_db"]


def test_sheets_in_the_order_of_other_drivers_are_refused(files, capsys):
    assert run(["compare", "old.toml", "new.toml", "--sheet", "new.toml", "--sheet", "old.toml"]) == 2
    told = " ".join(capsys.readouterr().err.split())
    assert (
        "new.toml is the sheet of Dunlin 12 S, and would rate Dunlin 12; give the sheets in the order of the drivers"
        in told
    )
    assert run(["compare", "old.toml", "new.toml", "--sheet", "old.toml", "--sheet", "new.toml", "--volume-l", "20"]) == 0


def test_ratings_on_the_command_line(files, capsys):
    ratings = ["--xmax-mm", "5", "--xmax-mm", "10", "--rated-power-w", "1000", "--rated-power-w", "2000"]
    ways = ["--way", "rated power", "--way", "travel limit"]
    assert run(["compare", "fit.json", "old.toml", "--volume-l", "40", "--amplifier-v", "90", *ratings, *ways]) == 0
    out = " ".join(capsys.readouterr().out.split())
    for word in ("each at its rated power", "each at its Xmax", "At travel limit, ", "amplifier voltage stops"):
        assert word in out
    assert TITLES["equal power"] not in out
    assert run(["compare", "fit.json", "old.toml", "--volume-l", "40", "--way", "travel limit"]) == 0
    assert "Not told, each at its Xmax: --sheet or --xmax-mm" in " ".join(capsys.readouterr().out.split())


def test_sections_are_printed(files, capsys):
    assert run(["compare", "old.toml", "new.toml", "--volume-l", "60", "--flat-to-hz", "25"]) == 0
    out = capsys.readouterr().out
    for name in ("Dunlin 12", "Dunlin 12 S"):
        assert f"Equaliser of {name}: pole shift from " in out


def test_vented_and_marked_limits(files, capsys):
    arguments = ["old.toml", "new.toml", "--volume-l", "90", "--tuning-hz", "24", "--tuning-hz", "27"]
    assert run(["compare", *arguments, "--port-diameter-cm", "10", "--plot", "v.svg", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert [case["designs"][0]["fb_hz"] for case in data["cases"]] == [24.0, 27.0]
    for number in (1, 2):
        drawing = (files / f"v-{number}.svg").read_text()
        assert all(f"<!-- {limit} -->" in drawing for limit in ("travel", "power", "port speed"))


def test_one_driver_twice_with_other_ratings(files, capsys):
    twice = ["old.toml", "old.toml", "--volume-l", "60", "--xmax-mm", "9", "--xmax-mm", "18"]
    assert run(["compare", *twice, "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert [one["name"] for one in data["compared"]] == ["Dunlin 12 (old, 1)", "Dunlin 12 (old, 2)"]
    assert data["cases"][0]["differences"]["travel limit"][0]["db"][0] == pytest.approx(20.0 * math.log10(2.0))


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["old.toml", "new.toml", "--tuning-hz", "25"], "--volume-l"),
        (["old.toml", "new.toml", "--volume-l", "60", "--port-diameter-cm", "10"], "--tuning-hz"),
        (["old.toml", "new.toml", "--xmax-mm", "1", "--xmax-mm", "1", "--xmax-mm", "1"], "more --xmax-mm than drivers"),
        (["old.toml", "new.toml", "--xmax-mm", "-1"], "cannot be a rating"),
        (["old.toml", "new.toml", "new.toml", "--rated-power-w", "9", "--rated-power-w", "9"], "told for 2 of 3 drivers"),
        (["old.toml", "new.toml", "--f3-hz", "60", "--drivers", "2"], "leave --drivers out"),
        (["old.toml", "new.toml", "--high-pass-hz", "-1"], "high-pass"),
        (["old.toml", "new.toml", "--room-m", "0"], "longest side of the room"),
        (["old.toml"], "two drivers or more"),
        (["old.toml", "none.toml"], "none.toml"),
        (["old.toml", "new.toml", "--cost", "1", "--cost", "2", "--cost", "3"], "more --cost than drivers"),
        (["old.toml", "new.toml", "--qtc", "0.2"], "Qtc 0.2 cannot be had"),
        (["old.toml", "new.toml", "--volume-l", "60", "--flat-to-hz", "4"], "dB of boost"),
    ],
)
def test_refusals(files, capsys, arguments, word):
    assert run(["compare", *arguments]) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert word in err


def test_drivers_with_two_coils_are_wired_before_they_are_compared(tmp_path, capsys):
    paths = []
    for name, qes in (("Siskin 10", 0.42), ("Siskin 10 B", 0.35)):
        driver = replace(OLD, name=name, Qes=qes, wiring="series")
        paths.append(tmp_path / f"{name}.json")
        paths[-1].write_text(to_json(fit_to_dict(made_fit(driver))))
    levels = {}
    for wiring in ("series", "parallel"):
        assert run(["compare", *map(str, paths), "--baffle", "--wiring", wiring, "--json"]) == 0
        levels[wiring] = np.array(json.loads(capsys.readouterr().out)["cases"][0]["level_db"]["equal voltage"])
    np.testing.assert_allclose(levels["parallel"] - levels["series"], 20.0 * math.log10(2.0), atol=1e-6)


def test_words_name_preferred_frequencies_and_none_where_the_lead_is_the_same_everywhere(files, capsys):
    assert run(["compare", "old.toml", "new.toml", "--volume-l", "60", "--xmax-mm", "6", "--xmax-mm", "9", "--json"]) == 0
    case = json.loads(capsys.readouterr().out)["cases"][0]
    for each in case["differences"].values():
        for lead in each[0]["leads"]:
            assert lead["at_hz"] in PREFERRED_HZ or lead["to_hz"] < 1.26 * lead["from_hz"]
    power = next(sentence for sentence in case["words"] if sentence.startswith("At equal power"))
    assert " 200 Hz" in power
    small = [lead for lead in case["differences"]["equal power"][0]["leads"] if abs(lead["most_db"]) < 0.5]
    assert small
    assert "both are as loud" in power


def test_measured_limits_and_their_ways(files, capsys):
    for name, driver in (("old", OLD), ("new", STRONGER)):
        named = NamedDriver(driver.name)
        (files / f"{name}-travel.json").write_text(to_json(replace(made_travel_result(), driver=named)))
        (files / f"{name}-heat.json").write_text(to_json(replace(heat_result(), driver=named)))
    files = [
        "--travel",
        "new-travel.json",
        "--travel",
        "old-travel.json",
        "--heat",
        "old-heat.json",
        "--heat",
        "new-heat.json",
    ]
    asked = ["compare", "old.toml", "new.toml", "--baffle", "--rated-power-w", "200", *files]
    assert run([*asked, "--way", "10 % distortion"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "Dunlin 12 S: Travel measured: 11.8 mm" in out
    assert "level in dB at 1 m, each at the travel of 10 % distortion" in out
    assert run(["compare", "old.toml", "new.toml", "--travel", "fit.json"]) == 2
    assert run(["compare", "old.toml", "fit.json", *files[:2]]) == 2
    assert "about Dunlin 12 S, serial" not in (err := capsys.readouterr().err)
    assert "is about Dunlin 12 S" in err


def levels(capsys, *arguments):
    assert run(["compare", "old.toml", "new.toml", "--volume-l", "60", *arguments, "--json"]) == 0
    (case,) = json.loads(capsys.readouterr().out)["cases"]
    return np.array(case["frequency_hz"]), {way: np.array(level) for way, level in case["level_db"].items()}, case


def test_a_rating_told_once_holds_for_every_driver_and_is_said_to(files, capsys):
    assert run(["compare", "old.toml", "new.toml", "--volume-l", "60", "--rated-power-w", "50"]) == 0
    said = capsys.readouterr()
    assert "--rated-power-w 50 is told once and holds for every driver." in said.out + said.err
    _, once, _ = levels(capsys, "--rated-power-w", "50")
    _, each, _ = levels(capsys, "--rated-power-w", "50", "--rated-power-w", "50")
    np.testing.assert_array_equal(once["rated power"], each["rated power"])


def test_peak_power_rating_ohm_and_more_drivers_in_a_box(files, capsys):
    """Twice the watts are 3.01 dB. Into 8 for 5.4 ohm 1.71 dB. A pair is in a baffle."""
    _, plain, _ = levels(capsys, "--rated-power-w", "100", "--peak-power-w", "200")
    np.testing.assert_allclose(plain["peak power"] - plain["rated power"], 10.0 * math.log10(2.0), atol=1e-9)
    _, rated, _ = levels(capsys, "--rated-power-w", "100", "--rating-ohm", "8")
    np.testing.assert_allclose(rated["rated power"] - plain["rated power"], 10.0 * math.log10(8.0 / 5.4), atol=1e-9)
    assert run(["compare", "old.toml", "old.toml", "--baffle", "--drivers", "1", "--drivers", "2", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["cases"][0]["level_db"]
    # A pair in parallel in a baffle: half of the ohms at the same volts, 6.02 dB; at the same watts, 3.01 dB.
    for way, gain in (("equal voltage", 20.0), ("equal power", 10.0), ("travel limit", 20.0)):
        np.testing.assert_allclose(found[way][1], np.array(found[way][0]) + gain * math.log10(2.0), atol=1e-6)


def test_a_common_high_pass_and_a_room(files, capsys):
    """A Butterworth high-pass of order n: 10 lg(1 + (fc/f)^2n) lost at every frequency, but not at the travel limit."""
    frequency, plain, _ = levels(capsys)
    _, filtered, case = levels(capsys, "--high-pass-hz", "40", "--high-pass-order", "3")
    lost = 10.0 * np.log10(1.0 + (40.0 / frequency) ** 6)
    assert case["case"].endswith("high-pass 40 Hz of order 3")
    for way in ("equal voltage", "equal power", "rated power"):
        np.testing.assert_allclose(plain[way] - filtered[way], np.tile(lost, (2, 1)), atol=1e-9)
    np.testing.assert_array_equal(plain["travel limit"], filtered["travel limit"])
    limits = np.minimum(filtered["rated power"], filtered["travel limit"])
    np.testing.assert_allclose(filtered["limits"], limits, atol=1e-9)
    assert {"power", "travel"} == {each for names in case["limited_by"] for each in names}
    # 5 m: the lowest mode at 343.2/10 = 34.3 Hz; an octave below it 12 dB, where the cap is.
    _, roomy, _ = levels(capsys, "--room-m", "5")
    gain = np.clip(40.0 * np.log10(34.32 / frequency), 0.0, 12.0)
    for way, level in plain.items():
        np.testing.assert_allclose(roomy[way] - level, np.tile(gain, (2, 1)), atol=0.05)  # c within 0.2 %


def test_where_travel_stops_a_driver_before_its_rated_power_is_said(files, capsys):
    frequency, found, case = levels(capsys, "--rated-power-w", "300", "--rated-power-w", "200")
    over = found["rated power"][1] > found["travel limit"][1]
    said = next(each for each in case["words"] if each.startswith("Travel, before rated power, stops Dunlin 12 "))
    hz = float(said.split("Dunlin 12 S below ")[1].split(" Hz")[0])
    assert hz == pytest.approx(frequency[over].max(), abs=0.6)
    assert any(each.startswith("At rated power, ") for each in case["words"])
    assert run(["compare", "old.toml", "new.toml", "--volume-l", "60", "--way", "rated power"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "At equal power, and so at rated power, " in out
    assert "Travel, before rated power, stops Dunlin 12 " in out
    _, _, case = levels(capsys, "--rated-power-w", "0.1", "--rated-power-w", "0.2")
    assert not any(each.startswith("Travel, ") for each in case["words"])


def test_each_driver_may_be_wired_in_its_own_way(tmp_path, capsys):
    path = tmp_path / "two.json"
    path.write_text(to_json(fit_to_dict(made_fit(replace(OLD, wiring="series")))))
    asked = ["compare", str(path), str(path), "--baffle", "--wiring", "series", "--wiring", "parallel", "--json"]
    assert run(asked) == 0
    voltage = json.loads(capsys.readouterr().out)["cases"][0]["level_db"]["equal voltage"]
    np.testing.assert_allclose(np.subtract(voltage[1], voltage[0]), 20.0 * math.log10(2.0), atol=1e-6)


@pytest.mark.parametrize("copies", [1, 2, 30])
def test_copies_of_one_fit_count_once_and_it_is_said(files, capsys, copies):
    for number in range(copies):
        (files / f"copy-{number}.json").write_bytes((files / "fit.json").read_bytes())
    named = [f"copy-{number}.json" for number in range(copies)]
    assert run(["compare", "fit.json", "old.toml", "--volume-l", "60", "--json"]) == 0
    alone = json.loads(capsys.readouterr().out)
    assert run(["compare", "fit.json", *named, "old.toml", "--volume-l", "60", "--json"]) == 0
    out, err = capsys.readouterr()
    assert json.loads(out) == alone
    assert f"{copies} of the drivers {'is a copy' if copies == 1 else 'are copies'} of another" in " ".join(err.split())
    assert run(["compare", "fit.json", *named, "--volume-l", "60"]) == 2
    assert "copies of one driver" in " ".join(capsys.readouterr().err.split())


def test_one_driver_once_and_twice_is_a_comparison(files, capsys):
    assert run(["compare", "fit.json", "fit.json", "--volume-l", "60", "--drivers", "1", "--drivers", "2", "--json"]) == 0
    out, err = capsys.readouterr()
    assert len(json.loads(out)["compared"]) == 2
    assert "cop" not in err
