"""The scripts of the guide to Python do the three uses; and how a notebook shows what they return."""

import re
import shutil
from pathlib import Path

import pytest
from helpers.paths import ROOT
from helpers.simulated_rig import quicker

import tsfit
from tsfit.base.files import to_json
from tsfit.cli import run
from tsfit.cli.guide import FOLDER
from tsfit.formats.fit import fit_to_dict

SCRIPTS = re.findall(r"^```python\n(.*?)^```$", (FOLDER / "python.md").read_text(), re.MULTILINE | re.DOTALL)


@pytest.fixture(scope="module")
def folder(tmp_path_factory, sample_fit):
    """What README's command lines have left before these scripts begin."""
    folder = tmp_path_factory.mktemp("uses")
    shutil.copytree(ROOT / "sample_data", folder / "sample_data", ignore=shutil.ignore_patterns("__pycache__"))
    assert run(["start", str(folder / "try-it"), "--rig", "simulated", "-q"]) == 0
    quicker(folder / "try-it/rig.toml")
    for name, bench in (("old", "saltwit-12"), ("new", "saltwit-12b")):
        (folder / f"{name}.json").write_text(to_json(fit_to_dict(sample_fit(bench))))
    return folder


@pytest.fixture
def there(folder, monkeypatch):
    monkeypatch.chdir(folder)
    return folder


def test_the_scripts_run_in_their_order(there, capsys):
    for script in SCRIPTS:
        if '"mass.txt"' in script:
            # The curves made elsewhere are here those of the first script.
            script = script.replace('"free-air.txt"', '"free.txt"').replace("mass=0.040", "mass=0.030")
        exec(compile(script, "python.md", "exec"), {})
    out = capsys.readouterr().out
    assert "Estimate(value=0." in out
    assert "outside ['Qts', 'Bl']" in out
    assert "weaker motor" in out
    assert "Compliance (Cms) changed by +15.0 %" in out
    assert (there / "fit.png").stat().st_size > 10_000


def shown(result, *words):
    page = result._repr_html_()
    assert page.startswith("<div")
    assert page.count("<div") == page.count("</div>")
    assert "<script" not in page
    for word in words:
        assert word in page, word
    return page


def test_a_notebook_shows_each_of_them(there):
    tsfit.sweep("try-it/rig.toml", "shown.wav", seconds=2)
    swept = tsfit.sweep("try-it/rig.toml", "shown-mass.wav", "added mass", mass_g=30, seconds=2)
    shown(swept, "shown-mass.wav", "Uncertainty of the impedance", swept.verdict.action)
    curve = tsfit.fit(tsfit.read_curve("shown.txt"), name="<i>Knot</i>")
    assert "<i>" not in shown(curve, "&lt;i&gt;Knot&lt;/i&gt;", "<svg", "standard uncertainty")
    shown(tsfit.check_sheet("new.json", "sample_data/saltwit-12b-sheet.toml"), "Outside: Qts, Bl", "<svg", "weaker motor")
    drifted = tsfit.track("sample_data/saltwit-12b.drift")
    shown(drifted, "+15.0", "<svg", "exponential")
    assert drifted.to_dict()["causes"]["compliance"]["drifted"]
    assert len(drifted.plot().axes) == 5


def test_pictures_of_one_notebook_share_no_name(there):
    names = set()
    for _ in range(2):
        page = tsfit.track("sample_data/saltwit-12b.drift")._repr_html_()
        new = set(re.findall(r' id="([^"]+)"', page))
        assert new
        assert not new & names
        names |= new


def test_what_does_not_belong_to_the_state_is_refused(there):
    with pytest.raises(tsfit.TsfitError, match="mass_g"):
        tsfit.sweep("try-it/rig.toml", "never.wav", mass_g=30.0)
    with pytest.raises(tsfit.TsfitError, match="confirmed_dbfs=-20"):
        tsfit.sweep("try-it/rig.toml", "never.wav", level_dbfs=-20.0, confirmed_dbfs=-25.0)
    assert not Path("never.wav").exists()


def test_a_fit_that_is_no_file_goes_into_a_log(there):
    fitted = tsfit.fit(tsfit.read_curve("free.txt"), name="Simulated")
    assert [tsfit.log_fit(fitted, "own.drift", hours) for hours in (0.0, 3.0)] == [1, 2]
