"""``tsfit box design``: what it prints, writes and refuses."""

import json
import math
from functools import partial
from pathlib import Path

import pytest
from helpers.heron import BARE
from helpers.heron import DRIVER as HERON
from helpers.made_fit import made_fit

from tsfit.base.files import to_json
from tsfit.cli import main
from tsfit.formats.fit import fit_to_dict

DRIVER = HERON + 'Pe = "150 W"\n'


@pytest.fixture
def heron(heron):
    """The driver with a rated power."""
    Path(heron).write_text(DRIVER)
    return heron


@pytest.fixture
def design(tsfit):
    return partial(tsfit, "design")


def test_closed_by_f3_gives_that_f3_and_names_the_larger_box(design, heron):
    code, out, _ = design("closed", heron, "--f3-hz", "58", "--json")
    data = json.loads(out)
    assert code == 0
    assert data["box"]["design"]["qtc"] > math.sqrt(0.5)
    assert data["sensitivity"]["spreads"]["building"]["qtc"]["planned"] == pytest.approx(data["box"]["design"]["qtc"])
    assert [other for other in data["others"] if "has the same f3" in other]
    table = design("closed", heron, "--f3-hz", "58")[1]
    assert "With " in table
    assert "Also: " in table
    assert "give a fit instead of a sheet" in table


def test_the_deepest_closed_box_in_a_large_volume_is_the_flattest(design, heron):
    """Without a coil, whose fall a deeper hump would meet."""
    Path(heron).write_text(BARE)
    data = json.loads(design("closed", heron, "--largest-volume-l", "500", "--json")[1])
    assert data["box"]["design"]["qtc"] == pytest.approx(math.sqrt(0.5), rel=1e-4)
    data = json.loads(design("closed", heron, "--largest-volume-l", "20", "--json")[1])
    assert data["box"]["design"]["volume_l"] == pytest.approx(20.0)


def test_a_fit_brings_the_spread_by_the_driver(design, tmp_path):
    path = tmp_path / "fit.json"
    path.write_text(to_json(fit_to_dict(made_fit(spread=0.02))))
    code, out, _ = design("closed", str(path), "--qtc", "0.707", "--full")
    assert code == 0
    for source in ("driver", "building", "both"):
        assert f"  {source} " in out
    _, out, _ = design("closed", str(path), "--qtc", "0.707")
    assert "With the driver's ± and a careful builder's errors" in out
    assert "own uncertainty is not known" not in out
    assert out.splitlines()[0].startswith("Wagtail 8, closed box: ")
    assert len(out.splitlines()) <= 20


def test_vented_within_limits_with_its_map_and_curves(design, heron, tmp_path):
    chart, plot, saved = tmp_path / "map.png", tmp_path / "box.svg", tmp_path / "box.json"
    asked = (
        "vented", heron, "--largest-volume-l", "80", "--smallest-volume-l", "30", "--port-speed-m-s", "15",
        "--longest-port-cm", "25", "--group-delay-ms", "24", "--ripple-db", "0.6", "--power-w", "50", "--leak-q", "10",
        "--map", str(chart), "--map-of", "f3", "--plot", str(plot), "-o", str(saved),
    )  # fmt: skip
    code, out, err = design(*asked)
    assert (code, err) == (0, "")
    assert chart.read_bytes().startswith(b"\x89PNG")
    assert plot.read_text().count("<svg") == 1
    data = json.loads(saved.read_text())
    box = data["box"]["design"]
    assert 30.0 <= box["volume_l"] <= 80.001
    assert box["port_length_cm"] <= 25.001
    assert box["port_speed_max_m_s"] <= 15.03
    assert box["ripple_db"] <= 0.61
    assert data["limits"]["delay"] == 0.024
    assert "a careful builder's errors" in out
    assert "ripple 0" in out
    code, _, err = design(*asked)
    assert code == 2
    assert "already there" in err


@pytest.mark.parametrize(
    ("aim", "says"), [(("--least-ripple",), "least ripple"), (("--most-output-hz", "35"), "most output at 35 Hz")]
)
def test_other_aims(design, heron, aim, says):
    code, out, _ = design("vented", heron, "--largest-volume-l", "70", *aim, "--json")
    assert code == 0
    assert says in json.loads(out)["asked"]


def test_families(design, heron):
    data = json.loads(design("vented", heron, "--family", "SC4", "--leak-q", "12", "--json")[1])
    assert data["alignment"]["family"] == "SC4"
    assert data["box"]["design"]["f3_hz"] == pytest.approx(data["alignment"]["f3_hz"], rel=0.05)
    assert any(other.startswith("QB3 alignment: ") for other in data["others"])


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("closed",), "give exactly one"),
        (("closed", "--qtc", "0.7", "--volume-l", "9"), "give exactly one"),
        (("closed", "--volume-l", "-3"), "give a positive number"),
        (("closed", "--f3-hz", "30"), "the nearest, in 42.5 l, has 56.82 Hz"),
        (("vented", "--family", "C4", "--leak-q", "7"), "there is no C4 box"),
        (("vented", "--family", "QB3", "--least-ripple"), "exclude each other"),
        (("vented", "--ripple-db", "-1"), "ripple db: -1 cannot be"),
        (("vented", "--group-delay-ms", "0.1"), "limit 0.1: --group-delay-ms); relax it, or"),
        (("vented", "--smallest-volume-l", "50", "--largest-volume-l", "20"), "above the largest"),
        (("vented", "--map", "map.bmp"), ".png, .svg or .pdf"),
        (("vented", "--leak-q", "0"), "leak Q"),
        (("vented", "--most-output-hz", "-5"), "between 0.1 Hz and 100 kHz"),
        (("vented", "--largest-volume-l", "nan"), "not a number"),
    ],
)
def test_refusals_are_one_sentence(design, heron, arguments, says):
    code, out, err = design(arguments[0], heron, *arguments[1:])
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    assert says in err


def test_most_output_needs_a_rating(design, heron, tmp_path):
    bare = tmp_path / "bare.toml"
    bare.write_text(DRIVER.replace('Xmax = "6 mm"\n', "").replace('Pe = "150 W"\n', ""))
    code, _, err = design("vented", str(bare), "--most-output-hz", "35")
    assert code == 2
    assert "nothing limits the output" in err


BOTH = ("--drivers", "2", "--in-series", "2", "--source-ohm", "0.4", "--filling", "1.15", "--displaced-l", "4")


def test_closed_with_several_drivers_behind_a_resistance_has_the_f3_asked_for(design, tmp_path):
    """The textbook's box has no inductance; the circuit of such a driver must then agree with it."""
    path = tmp_path / "dull.toml"
    path.write_text(DRIVER.replace('Le = "1.2 mH"\n', ""))
    data = json.loads(design("closed", str(path), *BOTH, "--f3-hz", "62", "--json")[1])
    box = data["box"]["design"]
    assert box["f3_hz"] == pytest.approx(62.0, rel=1e-4)
    assert data["sensitivity"]["spreads"]["building"]["f3_hz"]["planned"] == pytest.approx(62.0, rel=5e-4)
    assert data["sensitivity"]["spreads"]["building"]["qtc"]["planned"] == pytest.approx(box["qtc"])
    assert (data["box"]["drivers"], data["box"]["source_ohm"]) == (2, 0.4)
    assert box["gross_volume_l"] == pytest.approx(box["acting_volume_l"] / 1.15 + 4.0)


@pytest.mark.parametrize(
    "aim",
    [
        ("closed", "--qtc", "0.8"),
        ("vented", "--family", "QB3", "--leak-q", "10", "--ports", "2", "--port-diameter-cm", "9", "--flare-cm", "1.5"),
        ("vented", "--largest-volume-l", "120", "--port-width-cm", "30", "--port-height-cm", "4", "--port-on-wall"),
        ("vented", "--largest-volume-l", "120", "--port-speed-m-s", "16", "--power-w", "60", "--ports", "3",
         "--flare-cm", "1", "--port-ends", "both free", "--box-depth-cm", "45", "--ripple-db", "1"),
    ],
)  # fmt: skip
def test_the_box_that_is_saved_is_the_one_that_was_shown(design, heron, tmp_path, capsys, aim):
    saved = tmp_path / "box.toml"
    kind, *how = aim
    code, out, err = design(kind, heron, *BOTH, *how, "--save-box", str(saved), "--rated-power-w", "80", "--json")
    assert (code, err) == (0, "")
    with pytest.raises(SystemExit):
        main(["box", "show", str(saved), heron, "--json"])
    shown, designed = json.loads(capsys.readouterr().out), json.loads(out)["box"]
    for name, value in designed["design"].items():
        assert shown["design"][name] == (None if value is None else pytest.approx(value, rel=1e-9)), name
    assert shown["ratings"] == pytest.approx(designed["ratings"])


def test_wiring_flared_ports_are_as_wide_as_the_speed_needs_and_fit_the_depth(design, heron):
    asked = ("--largest-volume-l", "120", "--port-speed-m-s", "16", "--power-w", "30", "--ports", "2", "--flare-cm", "1")
    box = json.loads(design("vented", heron, *asked, "--box-depth-cm", "50", "--json")[1])["box"]["design"]
    assert box["port_speed_max_m_s"] == pytest.approx(16.0, rel=2e-3)
    assert box["port_area_cm2"] == pytest.approx(2 * math.pi / 4 * box["port_diameter_cm"] ** 2)
    assert 2.0 < box["port_length_cm"] <= 50.0 - box["port_diameter_cm"] + 1e-6


def test_two_coils_wired_the_other_way_change_the_box(design, tmp_path):
    path = tmp_path / "two.toml"
    path.write_text(DRIVER.replace('name = "Heron 10"', 'name = "Heron 10"\nwiring = "parallel"'))
    both = json.loads(design("closed", str(path), "--volume-l", "40", "--json")[1])["box"]["design"]
    one = json.loads(design("closed", str(path), "--volume-l", "40", "--wiring", "one coil", "--json")[1])
    assert one["box"]["design"]["qtc"] > 1.3 * both["qtc"]
    assert one["sensitivity"]["spreads"]["building"]["qtc"]["planned"] == pytest.approx(one["box"]["design"]["qtc"])


def test_a_designed_box_has_its_step_its_room_and_frequencies_of_ones_own(design, heron, tmp_path):
    grid = tmp_path / "grid.txt"
    grid.write_text("20\n31\n100\n")
    step = tmp_path / "step.png"
    more = ("--frequencies", str(grid), "--plot-step", str(step), "--room-m", "5")
    data = json.loads(design("closed", heron, "--qtc", "0.8", *more, "--json")[1])["box"]
    assert data["frequency_hz"] == [20.0, 31.0, 100.0]
    assert data["room"]["longest_side_m"] == 5.0
    assert step.exists()


def test_a_band_pass_box_is_found_written_and_shown_again(design, tsfit, heron, tmp_path):
    path = tmp_path / "box.toml"
    code, out, err = design("bandpass", heron, "--largest-volume-l", "60", "--level-db", "100", "--save-box", str(path))
    assert code == 0, err
    assert "a careful builder's errors" in out
    assert "upper f3" in out
    again = tsfit("show", str(path), heron)[1]
    assert next(line for line in out.splitlines() if ", band-pass box" in line) in again
    code, _, err = design("bandpass", heron, "--largest-volume-l", "60", "--level-db", "100", "--drive-v", "9")
    assert code == 2
    assert "keep one of them" in " ".join(err.split())


def test_a_box_for_passive_radiators_is_found_and_their_travel_told(design, tsfit, heron, tmp_path):
    path = tmp_path / "box.toml"
    own = ("--radiator-mass-g", "80", "--radiator-area-cm2", "350", "--radiator-fs-hz", "20", "--largest-volume-l", "60")
    code, out, err = design("passive", heron, *own, "--radiator-xmax-mm", "3", "--save-box", str(path), "--json")
    assert code == 0, err
    data = json.loads(out)
    assert data["asked"] == "passive-radiator box by lowest f3"
    assert data["box"]["design"]["radiator_added_mass_g"] <= 160.0
    assert "travels" in " ".join(one["message"] for one in data["box"]["notes"])
    assert json.loads(tsfit("show", str(path), heron, "--json")[1])["design"]["fb_hz"] == pytest.approx(
        data["box"]["design"]["fb_hz"]
    )
    assert "a careful builder's errors" in design("passive", heron, *own)[1]
