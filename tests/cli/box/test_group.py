import json
import math
import re
import tomllib
from pathlib import Path

import pytest

RADIATOR = ("--radiator-mass-g", "110", "--radiator-area-cm2", "480", "--radiator-fs-hz", "20")
ARRAYS = ["frequency_hz", "spl_db", "phase_deg", "excursion_mm", "impedance_ohm", "impedance_deg", "group_delay_ms"]


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
    lines = [line for line in out.splitlines() if not line.startswith("note: ")]
    assert max(map(len, lines)) <= 60
    assert "Heron 10" in out
    for frequency in ("20 ", "30 ", "200 "):
        assert any(line.strip().startswith(frequency) for line in lines)
    assert "note: At 23.7 V" in out
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


def test_a_box_found_by_its_qtc_is_saved_with_its_litres(tsfit, heron, tmp_path):
    """Another driver stands in the box that was built, not in one of its own with the same Qtc."""
    box, other = tmp_path / "box.toml", tmp_path / "other.toml"
    status, out, _ = tsfit("closed", heron, "--qtc", "0.707", "--displaced-l", "2", "--save-box", str(box), "--json")
    assert status == 0
    first = json.loads(out)
    written = tomllib.loads(box.read_text())
    assert "qtc" not in written
    assert written["note"].startswith("Qtc 0.707 with ")
    text = Path(heron).read_text()
    other.write_text(re.sub(r"(?m)^Qes = .*$", "Qes = 0.6", text))
    assert other.read_text() != text
    shown = {}
    for name, driver in (("same", heron), ("other", str(other))):
        status, out, _ = tsfit("show", str(box), driver, "--json")
        assert status == 0
        shown[name] = json.loads(out)["design"]
    assert shown["same"]["qtc"] == pytest.approx(0.707, rel=1e-5)
    assert shown["other"]["volume_l"] == shown["same"]["volume_l"] == pytest.approx(first["design"]["volume_l"], rel=1e-5)
    assert shown["other"]["qtc"] > 0.75
    # The drive may be told anew.
    levels = []
    for watts in ("25", "50"):
        status, out, _ = tsfit("show", str(box), heron, "--power-w", watts, "--json")
        assert status == 0
        levels.append(json.loads(out)["design"]["reference_db"])
    assert levels[1] - levels[0] == pytest.approx(10.0 * math.log10(2.0), abs=1e-9)


def test_the_level_in_the_answer_is_that_of_the_drive_it_names(tsfit, heron):
    """20 lg(20/2.83) dB apart; the circuit is linear (common practice, no source)."""

    def told(*drive):
        _, out, _ = tsfit("closed", heron, "--volume-l", "40", *drive)
        level, volts = re.search(r"mid-band ([0-9.]+) dB at ([0-9.]+) V", " ".join(out.split())).groups()
        return float(level), float(volts)

    (usual, usual_v), (loud, loud_v) = told(), told("--drive-v", "20")
    assert (usual_v, loud_v) == (2.83, 20.0)
    assert loud - usual == pytest.approx(20.0 * math.log10(20.0 / 2.83), abs=0.11)
