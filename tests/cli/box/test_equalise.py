"""``tsfit box equalise``: what it prints, writes and refuses."""

import json
from dataclasses import replace

import numpy as np
import pytest
from helpers.made_fit import made_fit

from tsfit.base.files import to_json
from tsfit.box.equaliser.sections import FilterSection, gain_db
from tsfit.cli import run
from tsfit.formats.fit import fit_to_dict

DRIVER = """
[driver]
name = "{name}"
[parameters]
Re = "5.6 ohm"
Fs = "31 Hz"
Qms = "4.6"
Qes = "{qes}"
Mms = "52 g"
Sd = "346 cm^2"
Le = "1.2 mH"
Xmax = "6 mm"
Pe = "150 W"
"""


@pytest.fixture
def equalise(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "heron.toml").write_text(DRIVER.format(name="Heron 10", qes=0.42))
    (tmp_path / "other.toml").write_text(DRIVER.format(name="Heron 10 S", qes=0.3))
    (tmp_path / "box.toml").write_text('kind = "closed"\nvolume_l = 30\n')
    (tmp_path / "eq.toml").write_text('[[section]]\nkind = "high-pass"\nfrequency_hz = 22\n')

    def ask(*arguments):
        code = run(["box", "equalise", "heron.toml", "--box", "box.toml", *arguments])
        out, err = capsys.readouterr()
        return code, out, err

    return ask


def test_sections_of_ones_own(equalise):
    arguments = ("--section", "peaking 40 Hz, Q 1.2, +3 dB", "--sections", "eq.toml", "--level-db", "95")
    code, out, err = equalise(*arguments, "--full")
    assert (code, err) == (0, "")
    plain = " ".join(out.split())
    b, a = FilterSection("peaking", 40.0, 1.2, 3.0).biquad(96000.0)
    for word in (
        "1 peaking 40 Hz, Q 1.2, +3.0 dB 2 high-pass 22 Hz, Q 0.707",
        "at 44100 Hz", "at 48000 Hz", "at 96000 Hz",
        " ".join(f"{value:.12f}" for value in b), " ".join(f"{value:.12f}" for value in a[1:]),
        "headroom", "travel", "power", "95.0 dB in the mid-band",
    ):  # fmt: skip
        assert word in plain
    data = json.loads(equalise(*arguments, "--json")[1])
    expected = gain_db([FilterSection("peaking", 40.0, 1.2, 3.0), FilterSection("high-pass", 22.0)], data["frequency_hz"])
    np.testing.assert_allclose(data["gain_db"], expected, atol=1e-9)
    np.testing.assert_allclose(np.subtract(data["after_db"], data["before_db"]), expected, atol=1e-9)
    assert set(data["headroom_limited_by"]) == {"power", "travel"}
    assert data["target_db"] is None


def test_flat_with_figure_and_file(equalise, tmp_path):
    code, out, _ = equalise("--flat-to-hz", "28", "--level-db", "90", "--plot", "eq.svg", "-o", "eq.json")
    assert code == 0
    assert "pole shift from" in out
    assert "travel stops it at" in out
    drawing = (tmp_path / "eq.svg").read_text()
    for word in ("with equaliser", "target", "headroom, dB", "travel", "power"):
        assert word in drawing
    data = json.loads((tmp_path / "eq.json").read_text())
    assert data["error_db"] < 0.5
    assert data["limited_by"] == "travel"
    assert equalise("--flat-to-hz", "28", "-o", "eq.json")[0] == 2


def test_flat_beside_a_section_and_behind_a_high_pass(equalise):
    asked = ("--flat-to-hz", "28", "--section", "peaking 40 Hz, Q 1.2, +3 dB", "--high-pass")
    code, out, _ = equalise(*asked, "auto")
    assert code == 0
    assert "1  peaking 40 Hz, Q 1.2, +3.0 dB" in out
    assert out.count("high-pass") == 1
    kinds = [one["kind"] for one in json.loads(equalise(*asked, "4", "--json")[1])["sections"]]
    assert kinds[-2:] == ["high-pass", "high-pass"]


def test_like_another(equalise):
    code, out, _ = equalise("--like", "other.toml")
    assert code == 0
    assert "to the shape of Heron 10 S in 30 l, whose mid-band is +1.5 dB" in out
    assert equalise("--like", "other.toml", "--from-hz", "50")[0] == 0


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((), "or else --like"),
        (("--flat-to-hz", "30", "--like", "other.toml"), "or else --like"),
        (("--section", "peaking 40 Hz, +3 dB", "--like", "other.toml"), "or else --like"),
        (("--like", "other.toml", "--high-pass", "2"), "write it as a section"),
        (("--flat-to-hz", "30", "--to-hz", "100"), "--to-hz goes with sections"),
        (("--flat-to-hz", "30", "--from-hz", "100"), "leave --from-hz out"),
        (("--flat-to-hz", "6"), "dB of boost"),
        (("--section", "peaking 40 Hz"), "needs its gain"),
        (("--sections", "none.toml"), "none.toml"),
        (("--like", "none.toml"), "none.toml"),
        (("--section", "peaking 40 Hz, +3 dB", "--level-db", "900"), "level"),
    ],
)
def test_refusals(equalise, arguments, says):
    code, out, err = equalise(*arguments)
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    assert says in err


def test_a_fit_tells_how_sure_the_costs_are(equalise, tmp_path):
    """Of 1 % in Re alone, everything else held: the same volts are 1 % more or less power."""
    fit = replace(made_fit(spread=0.01), correlation_names=("Re",), correlation=np.eye(1))
    (tmp_path / "fit.json").write_text(to_json(fit_to_dict(fit)))
    box = 'kind = "closed"\nvolume_l = 30\n[drivers]\nxmax_mm = 6\nrated_power_w = 100\n'
    (tmp_path / "rated.toml").write_text(box)
    asked = ["fit.json", "--box", "rated.toml", "--section", "peaking 40 Hz, Q 1.2, +3 dB", "--level-db", "95"]
    assert run(["box", "equalise", *asked, "--plot", "eq.png", "-o", "eq.json"]) == 0
    data = json.loads((tmp_path / "eq.json").read_text())
    low, high = data["bands"]["power_w"]
    assert (high - low) / (high + low) == pytest.approx(0.0196, rel=0.08)
    for name, curve in data["bands"]["curves"].items():
        below, above, middle = (np.array(one) for one in (curve["low"], curve["high"], data[name]))
        assert np.all((below <= middle + 1e-9) & (middle <= above + 1e-9)), name
    assert data["bands"]["loudest_db"][0] < data["loudest_db"] < data["bands"]["loudest_db"][1]
    assert data["words"][-1].startswith("By the fit's uncertainty (95 %) that is")


def test_an_amplifier_stands_in_for_that_of_the_box_file(equalise, tmp_path):
    (tmp_path / "box.toml").write_text('kind = "closed"\nvolume_l = 30\n[amplifier]\nvoltage_v = 90\n')
    asked = ("--section", "peaking 40 Hz, Q 1.2, +3 dB", "--json")
    loud, quiet = (
        json.loads(equalise(*asked, *more)[1]) for more in ((), ("--amplifier-w", "4", "--amplifier-load-ohm", "4"))
    )
    assert quiet["loudest_db"] < loud["loudest_db"]
    assert quiet["limited_by"] == "amplifier voltage"
    arguments = ["box", "level", "box.toml", "heron.toml", "--target-db", "100"]
    assert run([*arguments, "--amplifier-v", "3"]) == 0
