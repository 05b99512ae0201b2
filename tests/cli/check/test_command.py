import json
import os
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from helpers.made_fit import made_driver, made_fit
from helpers.made_heat_result import heat_result
from helpers.made_travel_result import made_travel_result
from helpers.paths import SAMPLES

from tsfit.base.files import to_json
from tsfit.cli import main
from tsfit.driver.record import NamedDriver
from tsfit.formats.fit import fit_to_dict
from tsfit.formats.sheet import UNNAMED, empty_sheet

GOOD = """
[driver]
name = "Wagtail 8"
[published]
Re = "5.7 ohm"
Fs = "33 Hz"
Qms = "3.9"
Qes = "0.44"
Qts = "0.40"
Vas = "55 l"
"""
WRONG_MOTOR = GOOD + 'Bl = "12.4 T*m"\nXmax = "6 mm"\n'


@pytest.fixture
def fit(tmp_path: Path) -> Path:
    path = tmp_path / "fit.json"
    path.write_text(to_json(fit_to_dict(made_fit())), encoding="utf-8")
    return path


def sheet(folder: Path, text: str) -> Path:
    path = folder / "sheet.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture(autouse=True)
def wide(monkeypatch):
    monkeypatch.setenv("COLUMNS", "120")


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as leaving:
        main(["check", *map(str, arguments)])
    out, err = capsys.readouterr()
    assert isinstance(leaving.value.code, int)
    return leaving.value.code, out, err


def test_inside_leaves_with_0_and_says_so(capsys, tmp_path, fit):
    code, out, err = run(capsys, fit, sheet(tmp_path, GOOD))
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert lines[0] == "Wagtail 8 against its sheet: inside; all 6 judged parameters hold."
    assert lines[1].startswith("All small-signal figures tell of ")
    assert "Boxes planned from the sheet can be cut as planned. Closed box, Qtc 0.707" in " ".join(lines[1:4])
    assert len(lines) <= 25
    assert "Hum at 50 Hz" not in out


def test_in_full_each_box_is_shown_and_what_the_fit_remarks(capsys, tmp_path, fit):
    _, out, _ = run(capsys, fit, sheet(tmp_path, WRONG_MOTOR), "--full")
    assert "Hum at 50 Hz" in out
    assert "in the closed box, Qtc 0.707" in out
    assert "Xmax: not judged" in out


def test_outside_leaves_with_1_and_names_the_figure(capsys, tmp_path, fit):
    code, out, _ = run(capsys, fit, sheet(tmp_path, WRONG_MOTOR))
    assert code == 1
    assert (
        "Wagtail 8 against its sheet: outside; Bl -25.4 % (6 inside, Xmax not judged without --travel)."
        in out.splitlines()[0]
    )


def test_undecided_leaves_with_0_and_says_the_word(capsys, tmp_path, fit):
    text = GOOD + '[tolerance]\nFs = "2.7 %"\n'
    code, out, _ = run(capsys, fit, sheet(tmp_path, text))
    assert code == 0
    assert "undecided; the uncertainty is too large to tell for Fs +2.7 % (5 inside)." in out.splitlines()[0]


def test_strict_takes_undecided_for_outside(capsys, tmp_path, fit):
    path = sheet(tmp_path, GOOD + '[tolerance]\nFs = "2.7 %"\n')
    assert run(capsys, fit, path, "--strict")[0] == 1
    assert run(capsys, sheet(tmp_path, GOOD), "--strict")[0] == 0
    lone = sheet(tmp_path, '[driver]\nname = "x"\n[published]\nFs = "33 Hz"\n')
    assert (run(capsys, lone)[0], run(capsys, lone, "--strict")[0]) == (0, 1)


def test_tolerances_of_a_rule_file_hold(capsys, tmp_path, fit):
    rules = tmp_path / "rules.toml"
    rules.write_text('[tolerance]\nRe = "0.1 %"\n')
    code, out, _ = run(capsys, fit, sheet(tmp_path, GOOD), "--rules", rules)
    assert code == 1
    assert "outside; Re -1.4 % (5 inside)." in out.splitlines()[0]
    rules.write_text('[tolerance]\nFz = "1 %"\n')
    code, _, err = run(capsys, fit, sheet(tmp_path, GOOD), "--rules", rules)
    assert code == 2
    assert "tolerance.Fz is not a key of a rule file" in err


def test_both_drivers_meet_in_the_users_own_box(capsys, tmp_path, fit):
    box = tmp_path / "cabinet.toml"
    box.write_text('kind = "closed"\nvolume_l = 40.0\n')
    _, out, _ = run(capsys, fit, sheet(tmp_path, GOOD), "--box", box, "--json")
    assert json.loads(out)["consequence"]["boxes"][-1]["volume_l"] == pytest.approx(40.0)


def test_the_template_is_printed(capsys):
    code, out, _ = run(capsys, "--template")
    assert code == 0
    assert "[published]" in out


def test_the_machine_form(capsys, tmp_path, fit):
    code, out, _ = run(capsys, fit, sheet(tmp_path, WRONG_MOTOR), "--json")
    data = json.loads(out)
    assert (code, data["verdict"]) == (1, "outside")
    by_name = {item["name"]: item for item in data["figures"]}
    assert by_name["Bl"]["verdict"] == "outside"
    assert by_name["Bl"]["published"] == 12.4
    assert by_name["Vas"]["published"] == pytest.approx(0.055)
    assert data["consequence"]["boxes"][0]["volume_l"] > 0.0
    assert data["consequence"]["boxes"][0]["sentence"].endswith(".")
    assert data["consequence"]["conclusion"].endswith(".")
    assert data["pattern"].endswith(".")


def test_a_sheet_alone_is_held_against_itself(capsys, tmp_path):
    code, out, _ = run(capsys, sheet(tmp_path, GOOD))
    assert code == 0
    assert "agree with each other" in out
    code, out, _ = run(capsys, sheet(tmp_path, GOOD.replace("0.40", "0.46")))
    assert code == 1
    assert "contradicts itself" in out
    code, out, _ = run(capsys, sheet(tmp_path, GOOD.replace("0.40", "0.46")), "--json")
    data = json.loads(out)
    assert (code, data["verdict"], data["figures"], data["consequence"]) == (1, "outside", [], {})
    assert data["contradictions"][0]["figures"] == ["Qts", "Qms", "Qes"]
    code, out, _ = run(capsys, sheet(tmp_path, '[driver]\nname = "x"\n[published]\nFs = "33 Hz"\n'))
    assert code == 0
    assert "undecided" in out


def test_wrong_arguments_are_told_apart(capsys, tmp_path, fit):
    good = sheet(tmp_path, GOOD)
    for arguments, words in (
        ((good, fit), f"write 'tsfit check {fit} {good}'"),
        ((fit,), "name the datasheet to judge by it"),
        ((good, good, good), "not a fit"),
        ((), "a sheet, a fit and a sheet, or several fits"),
        ((fit, good, good), "not a fit"),
        ((fit, fit, good, "--box", good, "--box", good), "give --box once"),
        ((tmp_path / "none.toml",), "cannot be read"),
        ((fit, tmp_path / "none.toml"), "cannot be read"),
    ):
        code, out, err = run(capsys, *arguments)
        assert (code, out) == (2, "")
        assert words in err
        assert err.count("\n") == 1


def test_results_and_figure_are_written_and_never_over_something(capsys, tmp_path, fit):
    path, output, plot = sheet(tmp_path, GOOD), tmp_path / "check.json", tmp_path / "check.png"
    code, _, err = run(capsys, fit, path, "-o", output, "--plot", plot)
    assert (code, err) == (0, "")
    assert json.loads(output.read_text())["verdict"] == "inside"
    assert plot.read_bytes().startswith(b"\x89PNG")
    assert run(capsys, fit, path, "-o", output)[0] == 2
    assert run(capsys, fit, path, "-o", output, "--replace")[0] == 0
    for arguments in ((path, "--plot", tmp_path / "x.png"), (path, "--box", path)):
        assert run(capsys, *arguments)[0] == 2


def test_wiring_fits_are_samples_of_one_type(capsys, tmp_path, fit):
    others = []
    for k, factor in enumerate((1.0, 1.01, 0.97)):
        driver = replace(made_driver(Fs=33.9 * factor), serial=f"no {k}")
        others.append(tmp_path / f"{k}.json")
        others[-1].write_text(to_json(fit_to_dict(made_fit(driver))), encoding="utf-8")
    code, out, _ = run(capsys, *others)
    assert code == 0
    assert "3 samples" in out
    assert "no 0 and no 1" in out
    code, out, _ = run(capsys, *others, sheet(tmp_path, GOOD), "--json")
    data = json.loads(out)
    assert (code, data["verdict"]) == (0, "undecided")
    assert data["best_pairs"][0]["names"] == ["no 0", "no 1"]
    assert run(capsys, *others, sheet(tmp_path, GOOD), "--strict")[0] == 1
    assert run(capsys, *others, sheet(tmp_path, GOOD.replace('"33 Hz"', '"45 Hz"')))[0] == 1


def test_errors_have_a_machine_form(capsys, tmp_path, fit):
    path = sheet(tmp_path, GOOD.replace("Fs =", "Fz ="))
    code, out, err = run(capsys, fit, path, "--json")
    error = json.loads(out)["error"]
    assert (code, err) == (2, "")
    assert (error["code"], error["file"]) == ("wrong_key", str(path))


def test_nothing_to_judge_could_not_be_done(capsys, tmp_path, fit):
    code, out, err = run(capsys, fit, sheet(tmp_path, '[driver]\nname = "x"\n[published]\nXmax = "6 mm"\n'))
    assert (code, out) == (2, "")
    assert "prints nothing that the fit of Wagtail 8 measured" in err


@pytest.mark.parametrize("columns", [60, 72, 100, 200])
def test_the_table_fits_the_terminal(capsys, tmp_path, fit, monkeypatch, columns):
    monkeypatch.setenv("COLUMNS", str(columns))
    full = WRONG_MOTOR + 'Cms = "0.68 mm/N"\nRms = "1.85 N*s/m"\nMms = "32.2 g"\n'
    full += 'sensitivity_1W = "89.1 dB"\nsensitivity_2V83 = "90.6 dB"\n'
    _, out, _ = run(capsys, fit, sheet(tmp_path, full))
    lines = out.splitlines()
    start = next(i for i, line in enumerate(lines) if line.split()[:1] == ["parameter"])
    # Where it is narrow, the verdicts stand in a table of their own.
    table = lines[start : start + (28 if columns < 72 else 13)]
    assert max(len(line.rstrip()) for line in table) <= columns
    assert len([line for line in table if line.rstrip().endswith(("inside", "outside", "undecided"))]) == 11
    assert any("±1σ" in line for line in table)


def test_help_shows_an_example(capsys):
    code, out, _ = run(capsys, "--help")
    assert code == 0
    assert "tsfit check wagtail-fit.json wagtail-sheet.toml" in out


def test_control_characters_of_a_name_do_not_reach_the_terminal(capsys, tmp_path, fit):
    _, out, _ = run(capsys, fit, sheet(tmp_path, GOOD.replace('"Wagtail 8"', '"Wag\\u001b[31mtail"')))
    assert "\x1b[31m" not in out


def test_a_narrow_encoding_does_not_break_the_output(tmp_path, fit):
    environment = {**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0", "LC_ALL": "C"}
    done = subprocess.run(
        [sys.executable, "-m", "tsfit", "check", fit, sheet(tmp_path, GOOD)],
        capture_output=True,
        env=environment,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert b"Traceback" not in done.stderr


def test_copies_of_one_fit_count_once(tmp_path, capsys):
    """Two samples and eight copies of one are two samples; copies alone are none."""
    names = []
    for k in range(9):
        path = tmp_path / f"{k}.json"
        path.write_text(to_json(fit_to_dict(made_fit(made_driver(Fs=34.5) if k == 4 else None))))
        names.append(str(path))
    code, two, _ = run(capsys, names[0], names[4], "--json")
    assert code == 0
    code, nine, said = run(capsys, *names, "--json")
    assert code == 0
    assert nine == two
    assert "7 of the fits are copies of another" in said
    code, _, said = run(capsys, *names[:3])
    assert code == 2
    assert "copies of one" in said


@pytest.fixture
def measured(tmp_path):
    """What travel and heat wrote of the driver of the fit."""
    driver = NamedDriver("Wagtail 8")
    made = {"travel": replace(made_travel_result(), driver=driver), "heat": replace(heat_result(), driver=driver)}
    for name, one in made.items():
        (tmp_path / f"{name}.json").write_text(to_json(one))
    return ["--travel", tmp_path / "travel.json", "--heat", tmp_path / "heat.json"]


def test_travel_and_heat_judge_the_limits(capsys, tmp_path, fit, measured):
    told = GOOD + 'Xmax = "15 mm"\nPe = "170 W"\n[conditions]\nxmax_definition = "10 %"\nrated_coil_c = 200\n'
    path = sheet(tmp_path, told + 'power_definition = "real"\n')
    code, out, _ = run(capsys, fit, path, *measured)
    assert code == 1
    assert "outside; Xmax -21.3 % as 10 % distortion is reached at 11.8 mm (7 inside)." in " ".join(out.split())
    assert "Xmax, outside: printed 15 mm; 10 % distortion at 11.76 to 11.84 mm" in " ".join(out.split())
    assert "W of real power hold the coil at 200 °C" in out
    assert len(out.splitlines()) <= 25
    data = json.loads(run(capsys, fit, path, *measured, "--json")[1])
    rows = {row["name"]: row for row in data["figures"]}
    assert (rows["Xmax"]["verdict"], rows["Pe"]["verdict"]) == ("outside", "inside")
    assert rows["Xmax"].keys() == rows["Pe"].keys() == rows["Fs"].keys()


def test_travel_and_heat_are_of_one_driver(capsys, tmp_path, fit, measured):
    path = sheet(tmp_path, GOOD)
    assert "name its fit" in run(capsys, path, *measured)[2]
    code, _, err = run(capsys, fit, path, "--travel", measured[3])
    assert (code, "is no result of tsfit travel but a result of tsfit heat" in err) == (2, True)


def test_two_sheets_side_by_side(capsys, tmp_path):
    old, new = SAMPLES / "saltwit-12-sheet.toml", SAMPLES / "saltwit-12b-sheet.toml"
    code, out, _ = run(capsys, old, new)
    assert code == 0
    assert out.startswith("As printed, Saltwit 12 B gives ")
    assert "+2.8 dB by travel" in out  # 20 lg(9/6.5)
    _, out, _ = run(capsys, old, new, "--json")
    assert json.loads(out)["kind"] == "sheets"
    assert run(capsys, old, new, "--plot", tmp_path / "x.png")[0] == 2


def test_no_uncertainty_is_told_as_nothing(capsys, tmp_path):
    path = tmp_path / "exact.json"
    path.write_text(to_json(fit_to_dict(made_fit(spread=1e-6))), encoding="utf-8")
    _, out, _ = run(capsys, path, sheet(tmp_path, GOOD))
    rows = [line.split() for line in out.splitlines() if "inside" in line and line.startswith("  ")]
    assert rows
    assert not [row for row in rows if re.search(r"(?<![<\d.])0\.0*(?=\s|$)", " ".join(row))]
    assert any("<0.0" in " ".join(row) for row in rows)


def test_a_sheet_that_nobody_has_named_is_told_so(capsys, tmp_path, fit):
    text = GOOD.replace('"Wagtail 8"', '"name of the driver"')
    assert text != GOOD
    path = sheet(tmp_path, text)
    for asked in ((fit, path), (path,), (path, path)):
        _, out, _ = run(capsys, *asked)
        assert "name in [driver] is still that of the empty sheet; write whose sheet it is" in " ".join(out.split())
        assert "The names differ" not in out
    assert f'name = "{UNNAMED}"' in empty_sheet()


def test_a_check_loads_no_scipy(tmp_path, fit):
    """It would take as long to load as all else."""
    told = "import atexit, sys; from tsfit.cli import main; atexit.register(lambda: print('scipy' in sys.modules)); main()"
    command = [sys.executable, "-c", told, "check", str(fit), str(sheet(tmp_path, GOOD))]
    out = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    assert out.splitlines()[-1] == "False"
