"""The guides: every figure in them that the kernel can tell is what the kernel tells."""

import re
from pathlib import Path

import numpy as np
import pytest

from tsfit.capture.rig import read_rig
from tsfit.circuit.load import Load
from tsfit.circuit.response import Circuit, impedance
from tsfit.cli import run
from tsfit.cli.guide import FOLDER, TOPICS
from tsfit.driver.formulas import COPPER_PER_K
from tsfit.driver.record import Driver

DRIVER = Driver("x", 6.0, 25.0, 5.0, 0.5, Mms=0.1, Sd=0.05)


def guide(topic):
    return " ".join((FOLDER / f"{topic}.md").read_text().split())


@pytest.mark.parametrize("topic", TOPICS)
def test_each_is_short_and_printed(topic, capsys):
    chapter = topic in (
        "bench",
        "files",
        "elsewhere",
        "uncertainty",
        "heat",
        "datasheet",
        "boxes",
        "hours",
        "python",
        "travel",
        "knobs",
    )
    assert len((FOLDER / f"{topic}.md").read_text().split()) < (850 if chapter else 300)
    assert run(["guide", topic]) == 0
    assert len(capsys.readouterr().out.splitlines()) > 8


@pytest.mark.parametrize("topic", TOPICS)
def test_lines_to_be_pasted_stay_whole_within_100_columns(topic, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "60")
    blocks = re.findall(r"^```.*\n((?:.*\n)*?)^```$", (FOLDER / f"{topic}.md").read_text(), re.MULTILINE)
    run(["guide", topic])
    printed = [line.strip() for line in capsys.readouterr().out.splitlines()]
    for line in "".join(blocks).splitlines():
        assert len(line) <= 100
        assert line.strip() in printed


def rig(tmp_path, text):
    path = Path(tmp_path) / "rig.toml"
    path.write_text('name = "x"\n' + text)
    return read_rig(path)


@pytest.mark.parametrize(("ohm", "times"), [(10, 7.0), (100, 1.6)])
def test_gain_error_of_a_divider(tmp_path, ohm, times):
    drawn = rig(tmp_path, f'topology = "divider"\nreference_ohm = {ohm}.0\n[channels]\ntotal = 1\ndriver = 2\n').bilinear()
    wrong = drawn.impedance(drawn.ratio(60.0) * (1.0 + 1e-6))
    assert abs(wrong / 60.0 - 1.0) / 1e-6 == pytest.approx(times, rel=1e-3)
    assert f"{times:g} δ" in guide("resistor")


def test_gain_error_of_a_shunt(tmp_path):
    drawn = rig(tmp_path, 'topology = "shunt"\nreference_ohm = 0.5\n[channels]\ntotal = 1\nreference = 2\n').bilinear()
    wrong = drawn.impedance(drawn.ratio(5.0) * (1.0 + 1e-6))
    assert abs(wrong / 5.0 - 1.0) / 1e-6 == pytest.approx(1.0 + 0.5 / 5.0, rel=1e-3)
    assert "(1 + R/Z)·δ" in guide("resistor")


def test_what_the_divider_leaves():
    assert pytest.approx(57, abs=0.5) == 1e3 * 6.0 / 106.0
    assert "57 mV" in guide("resistor")


@pytest.mark.parametrize(
    ("share", "percent", "times"), [(0.5, 82, "six-fold"), (1.0, 71, "four-fold"), (0.1, 95, "22-fold")]
)
def test_resonance_with_a_mass(share, percent, times):
    """Read off the phase zero of the circuit's impedance."""

    def resonance(mass):
        frequency = np.linspace(10.0, 30.0, 200_001)
        z = impedance(frequency, DRIVER.values(), Circuit("simple", "ideal"), Load(added_mass=mass))
        return frequency[np.argmax(np.abs(z))]

    mass = share * DRIVER.Mms
    ratio = resonance(mass) / resonance(0.0)
    assert 100.0 * ratio == pytest.approx(percent, abs=0.5)
    slope = [mass / ((1.0 / (ratio * (1.0 + step))) ** 2 - 1.0) for step in (-1e-5, 1e-5)]
    fold = abs(np.log(slope[1] / slope[0])) / 2e-5
    assert fold == pytest.approx({"six-fold": 6, "four-fold": 4, "22-fold": 22}[times], rel=0.01)
    assert times in guide("mass")


def test_height_of_the_peak():
    frequency = np.linspace(24.0, 26.0, 20_001)
    z = impedance(frequency, DRIVER.values(), Circuit("simple", "ideal"), Load())
    assert np.abs(z).max() / DRIVER.Re == pytest.approx(1.0 + DRIVER.Qms / DRIVER.Qes, rel=1e-4)
    assert "1 + Qms/Qes" in guide("curve")


def test_copper():
    assert pytest.approx(2.5, abs=0.05) == 0.01 / COPPER_PER_K
    assert "2.5 kelvin" in guide("level")


def test_every_command_they_name_exists():
    from tsfit.cli.commands import COMMANDS

    named = {word for topic in TOPICS for word in re.findall(r"`tsfit ([a-z]+)", guide(topic))}
    assert named <= set(COMMANDS)
    assert named


@pytest.mark.parametrize(("command", "topic"), [("drift", "hours"), ("check", "datasheet"), ("live", "knobs")])
def test_a_command_leads_to_its_guide(command, topic, capsys):
    assert run(["guide", command]) == 2
    assert f"did you mean '{topic}'?" in capsys.readouterr().err
