import json
import math
from pathlib import Path

import pytest

from tsfit.cli import main

DRIVER = """
[driver]
name = "Heron 10"
[parameters]
Re = "5.6 ohm"
Fs = "31 Hz"
Qms = "4.6"
Qes = "0.42"
Mms = "52 g"
Sd = "346 cm^2"
Le = "1.2 mH"
Xmax = "6 mm"
"""
RADIATOR = ("--radiator-mass-g", "110", "--radiator-area-cm2", "480", "--radiator-fs-hz", "20")
ARRAYS = ["frequency_hz", "spl_db", "phase_deg", "excursion_mm", "impedance_ohm", "impedance_deg", "group_delay_ms"]


@pytest.fixture
def heron(tmp_path):
    path = tmp_path / "heron.toml"
    path.write_text(DRIVER)
    return str(path)


@pytest.fixture
def tsfit(capsys):
    def run(*arguments):
        with pytest.raises(SystemExit) as left:
            main(["box", *arguments])
        out, err = capsys.readouterr()
        return left.value.code, out, err

    return run


def test_closed_box_by_qtc_in_the_machine_form(tsfit, heron):
    code, out, err = tsfit("closed", heron, "--qtc", "0.707", "--json")
    data = json.loads(out)
    assert (code, err) == (0, "")
    assert {len(data[name]) for name in ARRAYS} == {416}
    assert all(math.isfinite(value) for name in ARRAYS for value in data[name])
    assert data["port_speed_m_s"] is None
    assert data["design"]["qtc"] == pytest.approx(0.707)
    assert data["design"]["volume_l"] == pytest.approx(36.3, abs=0.1)
    assert data["drive_v"] == 2.83


def test_vented_box_with_every_option(tsfit, heron, tmp_path):
    grid = tmp_path / "grid.txt"
    grid.write_text("20\n31\n100\n")
    code, out, _ = tsfit(
        "vented", heron, "--volume-l", "60", "--tuning-hz", "31", "--port-diameter-cm", "8", "--leak-q", "7",
        "--absorption-q", "50", "--port-q", "60", "--power-w", "50", "--air-load", "baffle",
        "--frequencies", str(grid), "--json",
    )  # fmt: skip
    data = json.loads(out)
    assert code == 0
    assert data["frequency_hz"] == [20.0, 31.0, 100.0]
    assert len(data["port_speed_m_s"]) == 3
    assert data["losses"] == {"leak_q": 7.0, "absorption_q": 50.0, "port_q": 60.0}
    assert data["drive_v"] == pytest.approx(math.sqrt(50.0 * 5.6))
    assert data["design"]["fb_hz"] == 31.0
    assert data["design"]["port_length_cm"] == pytest.approx(20.3, abs=0.1)


@pytest.mark.parametrize(
    "arguments",
    [("closed", "--volume-l", "35"), ("vented", "--volume-l", "60", "--tuning-hz", "31", "--port-diameter-cm", "8")],
)
def test_the_tables_fit_sixty_columns(tsfit, heron, monkeypatch, arguments):
    monkeypatch.setenv("COLUMNS", "60")
    code, out, _ = tsfit(arguments[0], heron, *arguments[1:], "--power-w", "100")
    assert code == 0
    lines = [line for line in out.splitlines() if not line.startswith("Note: ")]
    assert max(map(len, lines)) <= 60
    assert "Heron 10" in out
    for frequency in ("20 ", "31.5 ", "200 "):
        assert any(line.strip().startswith(frequency) for line in lines)
    assert "Note: At 23.7 V" in out
    assert "…" not in out


@pytest.mark.parametrize(
    ("arguments", "limits"),
    [
        (("closed", "--volume-l", "35"), {"power", "travel"}),
        (("baffle",), {"power", "travel"}),
        (
            ("passive", "--volume-l", "60", *RADIATOR, "--added-mass-g", "150", "--radiator-xmax-mm", "9"),
            {"power", "travel", "radiator travel"},
        ),
        (("vented", "--volume-l", "60", "--tuning-hz", "31", "--port-diameter-cm", "6"), {"power", "travel", "port speed"}),
        (
            (
                "bandpass",
                "--rear-volume-l",
                "30",
                "--front-volume-l",
                "25",
                "--port-diameter-cm",
                "8",
                "--port-length-cm",
                "20",
            ),
            {"power", "travel", "port speed"},
        ),
    ],
)
def test_the_maximum_output_names_what_binds(tsfit, heron, arguments, limits):
    code, out, _ = tsfit(arguments[0], heron, *arguments[1:], "--rated-power-w", "150", "--peak-power-w", "300", "--json")
    data = json.loads(out)
    assert code == 0
    assert data["enclosure"] == arguments[0]
    assert {len(data[name]) for name in ("max_spl_db", "limited_by", "max_peak_spl_db", "peak_limited_by")} == {416}
    assert set(data["limited_by"]) == limits
    assert data["ratings"]["power_w"] == 150.0
    assert data["ratings"]["xmax_m"] == 0.006
    code, out, _ = tsfit(arguments[0], heron, *arguments[1:], "--rated-power-w", "150")
    assert "stopped by" in out


def test_without_ratings_the_maximum_is_left_open(tsfit, heron, tmp_path):
    unrated = tmp_path / "unrated.toml"
    unrated.write_text(DRIVER.replace('Xmax = "6 mm"\n', ""))
    code, out, _ = tsfit("closed", str(unrated), "--volume-l", "35", "--json")
    assert code == 0
    assert json.loads(out)["max_spl_db"] is None
    assert json.loads(out)["limited_by"] is None
    assert "give --rated-power-w and --xmax-mm" in " ".join(tsfit("closed", str(unrated), "--volume-l", "35")[1].split())
    assert "No rating of power is known" in tsfit("closed", heron, "--volume-l", "35")[1]


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


def test_a_saved_box_shows_the_same(tsfit, heron, tmp_path):
    plan = tmp_path / "plan.toml"
    asked = ("vented", heron, "--volume-l", "60", "--tuning-hz", "31", "--port-width-cm", "30", "--port-height-cm", "4",
             "--port-on-wall", "--drivers", "2", "--rated-power-w", "90", "--save-box", str(plan), "--json")  # fmt: skip
    code, out, _ = tsfit(*asked)
    assert code == 0
    assert tsfit("show", str(plan), heron, "--json")[1] == out
    code, out, _ = tsfit(*asked)
    assert code == 2
    assert "already there" in out


def test_files_are_written_once(tsfit, heron, tmp_path):
    result, plot = tmp_path / "box.json", tmp_path / "box.png"
    asked = ("closed", heron, "--qtc", "0.8", "-o", str(result), "--plot", str(plot))
    assert tsfit(*asked)[0] == 0
    assert json.loads(result.read_text())["enclosure"] == "closed"
    assert plot.read_bytes().startswith(b"\x89PNG")
    code, _, err = tsfit(*asked)
    assert code == 2
    assert "already there" in err
    assert tsfit(*asked, "--replace")[0] == 0


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("clsed",), "'clsed' is not a command of tsfit box; did you mean 'closed'?"),
        (("zzz",), "use one of baffle, bandpass, closed, design,"),
        (("closed", "DRIVER"), "either a volume or a Qtc"),
        (("closed", "DRIVER", "--qtc", "0.2"), "Qts of 0.3849"),
        (("closed", "DRIVER", "--volume-l", "-1"), "volume: -1 l"),
        (("closed", "DRIVER", "--volume-l", "ten"), "--volume-l"),
        (("closed", "DRIVER", "--volume-l", "9", "--drive-v", "2", "--power-w", "1"), "keep one"),
        (("closed", "DRIVER", "--volume-l", "9", "--air-load", "none"), "--air-load"),
        (("closed", "DRIVER", "--volume-l", "9", "--frequencies", "absent.txt"), "absent.txt"),
        (("closed", "DRIVER", "--volume-l", "9", "--plot", "box.bmp"), ".png, .svg or .pdf"),
        (("closed", "absent.toml", "--volume-l", "9"), "absent.toml"),
        (("vented", "DRIVER", "--volume-l", "9"), "either a tuning or a port length"),
        (("vented", "DRIVER", "--volume-l", "9", "--port-length-cm", "9"), "give its diameter"),
        (("closed", "DRIVER", "--volume-l", "9", "--drivers", "3", "--in-series", "2"), "equal strings of 2"),
        (("closed", "DRIVER", "--volume-l", "9", "--xmax-mm", "-2"), "xmax: -0.002 cannot be a rating"),
        (("closed", "DRIVER", "--volume-l", "9", "--displaced-l", "9"), "leave nothing of 9 l"),
        (("closed", "DRIVER", "--volume-l", "9", "--filling", "2"), "between 1 and 1.4"),
        (("passive", "DRIVER", "--volume-l", "60", *RADIATOR, "--tuning-hz", "90"), "lighter radiator"),
        (("passive", "DRIVER", "--volume-l", "9", *RADIATOR[:4]), "its resonance or its compliance"),
        (("vented", "DRIVER", "--volume-l", "60", "--tuning-hz", "60", "--port-diameter-cm", "3"), "take more than"),
    ],
)
def test_refusals_are_one_sentence(tsfit, heron, arguments, says):
    code, out, err = tsfit(*(heron if argument == "DRIVER" else argument for argument in arguments))
    assert (code, out) == (2, "")
    assert says in err
    assert err.count("\n") == 1


def test_a_refusal_in_the_machine_form(tsfit, heron):
    code, out, _ = tsfit("closed", heron, "--qtc", "0.2", "--json")
    assert code == 2
    assert json.loads(out)["error"]["code"] == "unreachable_qtc"


@pytest.mark.parametrize(
    "arguments",
    [(), ("--help",), *((kind, "--help") for kind in ("closed", "vented", "passive", "baffle", "bandpass", "show"))],
)
def test_help_has_an_example(tsfit, arguments):
    code, out, _ = tsfit(*arguments)
    assert code == 0
    assert "Example:" in out
    assert "tsfit box " in out


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


def test_the_answer_stands_first_and_the_rest_is_there_on_request(tsfit, heron, monkeypatch):
    monkeypatch.setenv("COLUMNS", "120")
    arguments = ("closed", heron, "--volume-l", "40", "--rated-power-w", "150")
    _, out, _ = tsfit(*arguments)
    lines = out.splitlines()
    assert len(lines) <= 20
    assert lines[0].startswith("Heron 10, closed box: 40.0 l, f3 ")
    assert lines[1].startswith("Loudest at 1 m in half space, and what stops it: ")
    assert "(travel)" in lines[1]
    assert "delay ms" not in out
    _, full, _ = tsfit(*arguments, "--full")
    assert lines[0] in full
    assert all(word in full for word in ("delay ms", "fc, Qtc by the textbook", "limited by"))


def test_without_a_rating_nothing_is_said_of_how_loud(tsfit, tmp_path):
    heron_unrated = str(tmp_path / "unrated.toml")
    lines = [line for line in DRIVER.splitlines() if not line.startswith(("Xmax", "Pe", "Ppeak"))]
    Path(heron_unrated).write_text("\n".join(lines))
    arguments = ("vented", heron_unrated, "--volume-l", "60", "--tuning-hz", "30", "--port-diameter-cm", "8")
    _, out, _ = tsfit(*arguments)
    assert "How loud it plays is open" in out
    assert "port speed" not in out
    _, out, _ = tsfit(*arguments, "--json")
    assert json.loads(out)["max_spl_db"] is None
