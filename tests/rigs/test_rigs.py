"""The ready rigs: their files, and every figure that their README states."""

import math
import re
import tomllib
from dataclasses import replace

import numpy as np
import pytest
from helpers.drawn_circuit import DRAW, HARDWARE, LEVELS, NAMES, ROOT, Drawing, ohm, simulate

from tsfit.capture.rig import read_rig
from tsfit.formats.driver import read_driver

AMPLIFIED = ("amplifier-shunt", "amplifier-divider", "power-shunt")
README = (ROOT / "README.md").read_text(encoding="utf-8")


def _section(title):
    return README.split(f"\n## {title}\n")[1].split("\n## ")[0]


def _rows(mark):
    block = re.search(rf"<!-- {mark} -->\n(.*?)\n<!-- end -->", README, re.DOTALL)[1]
    lines = [[cell.strip() for cell in line.strip("|").split("|")] for line in block.split("\n") if line.startswith("|")]
    return block, lines[2:]


def _number(text):
    """First number of `text` in V, dB, ohm or whatever its unit, millivolts as volts."""
    found = re.match(r"(−?[\d.]+) ?(mV)?", text)
    return float(found[1].replace("−", "-")) * (1e-3 if found[2] else 1.0)


def _dbfs(text):
    return float(re.search(r"(−?[\d.]+) dBFS", text)[1].replace("−", "-"))


def test_there_are_six_and_each_is_drawn_and_described():
    assert len(NAMES) >= 6
    assert set(NAMES) == set(DRAW.DRAWINGS)
    assert set(HARDWARE) == set(LEVELS.BENCHES)
    for name in NAMES:
        assert f"({name}.toml)" in README
        assert f'src="{name}.svg"' in README


@pytest.mark.parametrize("name", NAMES)
def test_rig_file(name):
    rig = read_rig(ROOT / f"{name}.toml")
    text = (ROOT / f"{name}.toml").read_text(encoding="utf-8")
    assert f"# Drawing: {name}.svg" in text
    cautions = text.split("# Cautions\n")[1].split("\n\n")[0].lower()
    for word in ("ground", "dc", "mains", "magnets", *(["ear"] if name in AMPLIFIED else ["hearing", "phantom"])):
        assert word in cautions, word
    if name in AMPLIFIED:
        assert all(
            word in cautions for word in ("bridged", "black", "ohm", "one common ground", "fuse", "hot enough to burn")
        )
    assert rig.level_dbfs <= -12
    assert rig.reference_uncertainty_ohm is not None


def test_no_rig_plays_on_a_sound_card_before_somebody_names_one():
    for name in HARDWARE:
        assert read_rig(ROOT / f"{name}.toml").device == "NAME OF YOUR SOUND CARD"


def test_simulated_rig_has_a_complete_driver():
    rig = read_rig(ROOT / "simulated.toml")
    assert rig.device == "simulated"
    driver = read_driver(rig.simulated_driver)
    assert 0.3 < driver.Qts < 0.5
    assert 0.03 < driver.Vas < 0.3


def test_tables_are_those_of_the_script():
    assert LEVELS.filled(README) == README


@pytest.mark.parametrize("name", HARDWARE)
def test_expected_levels(name):
    bench = LEVELS.BENCHES[name]
    block, rows = _rows(f"expected {name}")
    level = tomllib.loads((ROOT / f"{name}.toml").read_text(encoding="utf-8"))["playback"]["level_dbfs"]
    volt = bench.output_v * bench.gain * 10 ** (level / 20)
    assert _number(re.search(r"which is (.*) unloaded", block)[1]) == pytest.approx(volt, rel=0.006)
    assert len(rows) == 5
    for (place, across, *seen), z in zip(rows, (0.0, 3.0, 6.0, 60.0, 1e9), strict=True):
        truth = simulate(name, z, volt)
        assert _number(across) == pytest.approx(abs(truth[0]), rel=0.006, abs=1e-6), place
        for cell, value in zip(seen, truth[1:], strict=True):
            if cell == "nothing":
                assert abs(value) < 1e-6
                continue
            assert _number(cell) == pytest.approx(abs(value), rel=0.006), place
            assert _dbfs(cell) == pytest.approx(20 * math.log10(abs(value) / bench.input_v), abs=0.06), place


@pytest.mark.parametrize("name", HARDWARE)
def test_no_input_ever_sees_more_than_it_takes(name):
    bench = LEVELS.BENCHES[name]
    blind = replace(bench, input_ohm=1e12)
    limit = math.sqrt(2) * bench.input_v
    peak = bench.peak_v or math.sqrt(2) * bench.output_v
    for z in (0.0, 3.0, 60.0, 300.0, 1e9):
        _, *seen = simulate(name, z, peak, bench=blind)
        assert all(abs(value) <= limit for value in seen), z
    _, rows = _rows(f"worst {name}")
    for (place, *cells), z in zip(rows, (0.0, 60.0, 1e9), strict=True):
        _, *seen = simulate(name, z, peak, bench=blind)
        for cell, value in zip(cells, seen, strict=True):
            if cell == "nothing":
                assert abs(value) < 1e-5
                continue
            assert _number(cell) == pytest.approx(abs(value), rel=0.006), place
            room = float(re.search(r"(−?[\d.]+) dB$", cell)[1].replace("−", "-"))
            assert room == pytest.approx(20 * math.log10(limit / abs(value)), abs=0.06)
            assert room >= 0.0


def test_without_attenuators_an_amplifier_would_be_too_much():
    bare = replace(LEVELS.BENCHES["amplifier-divider"], series_ohm=0.0, shunt_ohm=math.inf)
    assert bare.attenuation == 1.0
    assert bare.full_peak_v > 10 * math.sqrt(2) * bare.input_v


@pytest.mark.parametrize("name", ["amplifier-shunt", "amplifier-divider"])
def test_attenuators(name):
    rig, bench, drawing = read_rig(ROOT / f"{name}.toml"), LEVELS.BENCHES[name], Drawing(name)
    for series, across in (("R2", "R3"), ("R4", "R5")):
        assert ohm(drawing.parts[series][0]) == bench.series_ohm == 20e3
        assert ohm(drawing.parts[across][0]) == bench.shunt_ohm == 1e3
    # 20 kohm and 1 kohm beside 10 kohm, by hand.
    assert bench.attenuation == pytest.approx(1 / 23)
    assert bench.loading_ohm == pytest.approx(230000 / 11)
    assert 1.0 / rig.input_siemens == pytest.approx(bench.loading_ohm, abs=0.5)


@pytest.mark.parametrize("name", ["amplifier-shunt", "amplifier-divider"])
def test_stated_uncertainties_cover_the_parts(name):
    rng = np.random.default_rng(20)
    trials = 40_000

    def channel(tolerance):
        series, across = (nominal * (1 + tolerance * rng.uniform(-1, 1, trials)) for nominal in (20e3, 1e3))
        entry = 10e3 * (1 + 0.01 * rng.standard_normal(trials))
        return series, across * entry / (across + entry)

    def ratio(tolerance):
        (s1, p1), (s2, p2) = channel(tolerance), channel(tolerance)
        return math.hypot(0.5, 100 * np.std(p2 / (s2 + p2) / (p1 / (s1 + p1))))

    rig = read_rig(ROOT / f"{name}.toml")
    assert ratio(0.001) == pytest.approx(0.53, abs=0.01)
    assert ratio(0.001) <= 100 * rig.gain_uncertainty <= 1.1 * ratio(0.001)
    assert ratio(0.01) == pytest.approx(1.2, abs=0.05)
    series, _ = channel(0.001)
    across = 1.0 / (1e-3 + 1.0 / (10e3 * (1 + 0.1 * rng.standard_normal(trials))))
    spread = np.std(series + across)
    assert spread <= rig.input_uncertainty / rig.input_siemens <= 1.2 * spread


def test_other_attenuators():
    _, rows = _rows("attenuators")
    assert len(rows) >= 3
    for parts, divides, peak, impedance, heat in rows:
        series = 1e3 * _number(parts)
        lower = 1e3 * 10e3 / 11e3
        assert _number(divides) == pytest.approx(20 * math.log10(lower / (series + lower)), abs=0.06)
        highest = math.sqrt(2) * 2.0 * (series + 1e3) / 1e3
        assert highest - 1 < _number(peak) <= highest
        assert _number(impedance) == pytest.approx(series + lower, abs=0.5)
        # The series resistor takes all but a few percent of the heat; 0.6 W parts must do.
        assert _number(heat) == pytest.approx(highest**2 / (series + lower), abs=0.006)
        assert _number(heat) < 0.6


def test_the_volts_of_the_power_rig():
    rig, bench, drawing = read_rig(ROOT / "power-shunt.toml"), LEVELS.BENCHES["power-shunt"], Drawing("power-shunt")
    assert [ohm(drawing.parts[name][0]) for name in ("R1", "R2", "R3", "R4", "R5")] == [0.1, 47e3, 1e3, 47e3, 1e3]
    # An input that is full at 2.0 V RMS behind 47 kohm and 1 kohm beside 10 kohm, by hand.
    across = 1e3 * 10e3 / 11e3
    assert rig.total_v == rig.second_v == pytest.approx(2.0 * math.sqrt(2.0) * (47e3 + across) / across, rel=1e-3)
    assert 1.0 / rig.input_siemens == pytest.approx(47e3 + across, abs=0.5)
    section = _section("0.1 Ω shunt for full power")
    assert "44 W" in section
    assert pytest.approx(44, abs=0.5) == (2.1 * bench.fuse_a) ** 2 * 0.1
    assert "at 10 A it takes 10 W" in section
    assert pytest.approx(9.4, abs=0.05) == rig.second_v / 10.0 ** (24.0 / 20.0)


def test_shunts_and_fuses():
    _, rows = _rows("shunts")
    bench = LEVELS.BENCHES["amplifier-shunt"]
    volt = bench.output_v * bench.gain * 10 ** (-30 / 20)
    drawing = Drawing("amplifier-shunt")
    for shunt, six, sixty, solder, heat in rows:
        value = _number(shunt)
        drawing.parts["R1"] = (f"{value:g} Ω", *drawing.parts["R1"][1:])
        for cell, z in ((six, 6.0), (sixty, 60.0)):
            seen = simulate("amplifier-shunt", z, volt, drawing=drawing)[2]
            assert _number(cell) == pytest.approx(20 * math.log10(abs(seen) / bench.input_v), abs=0.06)
        assert _number(solder) == pytest.approx(0.1 / value, rel=0.03)
        # 2.1 times the printed current of a quick fuse for half an hour: IEC 60127-2, from memory.
        assert _number(heat) == pytest.approx((2.1 * 2.0) ** 2 * value, abs=0.06)
        assert _number(heat) < 25.0
    assert (2.1 * 1.0) ** 2 * 10.0 < 50.0
    for name, ampere in (("amplifier-shunt", 2), ("amplifier-divider", 1)):
        assert Drawing(name).parts["F1"][0] == f"{ampere} A"
        assert LEVELS.BENCHES[name].fuse_a == ampere
        assert f"F1 {ampere} A quick" in README


def test_what_one_percent_between_the_channels_does():
    _, rows = _rows("gains")
    assert [row[0] for row in rows] == [f"{name}.toml" for name in LEVELS.BENCHES]
    for file, *cells in rows:
        rig = read_rig(ROOT / file)
        for cell, z in zip(cells, (6.0, 60.0), strict=True):
            wrong = [abs(rig.bilinear().impedance(rig.ratio(z) * factor) / z - 1) for factor in (0.9999, 1.0001)]
            assert _number(cell) == pytest.approx(100 * np.mean(wrong) / 0.01, abs=0.06)


def test_separation_of_the_simulated_channels():
    _, rows = _rows("separation")
    for (_, cell), z in zip(rows, (3.0, 6.0, 60.0, 1e12), strict=True):
        assert _number(cell) == pytest.approx(20 * math.log10(1 / (100.0 * (1 / z + 1e-4) + 1)), abs=0.06)


def test_figures_in_the_prose():
    line = _section("100 Ω divider on a headphone or line output")
    assert "less than 40 mW" in line
    assert max(2.0**2 / (100 + z + 50) ** 2 * 100 for z in (0.0, 6.0)) < 0.040
    assert "down by 0.6 %" in line
    assert pytest.approx(0.006, abs=5e-5) == 60 / 10060
    shunt = _section("1 Ω shunt on a power amplifier")
    assert "50 V · 10/(20 + 10) = 16.7 V peak" in shunt
    assert "no more than 2.5 mA" in shunt
    assert pytest.approx(16.7, abs=0.05) == 50 * 10 / 30
    assert 50 / 20e3 <= 2.5e-3
    assert "44 W" in _section("10 Ω divider on a power amplifier")
    assert pytest.approx(44, abs=0.5) == 2.1**2 * 10
    # 100 W at 8 ohm, a quarter more without a load.
    assert 1.25 * math.sqrt(2 * 100 * 8) == pytest.approx(LEVELS.AMPLIFIER.peak_v)
    assert LEVELS.AMPLIFIER.gain == pytest.approx(10 ** (26 / 20), rel=0.01)


def test_every_hardware_rig_has_parts_and_cautions_in_the_readme():
    assert "## Cautions for all of them" in README
    drawn = [section for section in re.split("^## ", README, flags=re.MULTILINE) if "<img" in section]
    assert len(drawn) == len(NAMES)
    for section in drawn:
        assert "Parts:" in section
