"""A driver is led up through a real PortAudio stream, with one that bends and warms and its amplifier in the loop."""

import json
import signal
import time

import numpy as np
import pytest
import soundfile
from helpers.driver_at_power import RIG_FILE, DriverAtPower
from helpers.made_fit import made_fit
from helpers.made_travel import driver_of
from helpers.power_in_the_loop import NETWORK, TRUTH, VOLTS
from helpers.sound_system import NAME, PERIOD, running

from tsfit.base.files import to_json
from tsfit.cli import run
from tsfit.formats.fit import fit_to_dict


@pytest.fixture
def start(need_audio, tmp_path_factory):
    """What starts a sound system with the driver at power in the loop."""
    # Compiled here, with all the time that it takes, and found compiled in the loop.
    DriverAtPower(TRUTH, 48000, VOLTS)(np.zeros(64))
    return lambda period: running(tmp_path_factory.mktemp("power"), script="power_in_the_loop.py", period=period)


@pytest.fixture
def power_system(start):
    with start(PERIOD) as system:
        yield system


@pytest.fixture
def patient_system(start):
    """One whose period leaves a busy machine time."""
    with start(4 * PERIOD) as system:
        yield system


@pytest.fixture
def folder(tmp_path):
    playback = f'[playback]\ndevice = "{NAME}"\nsample_rate_hz = 48000\nvolts_per_full_scale = {VOLTS}\n'
    (tmp_path / "rig.toml").write_text(RIG_FILE + playback)
    (tmp_path / "fit.json").write_text(to_json(fit_to_dict(made_fit(driver_of(TRUTH), 0.003))))
    return tmp_path


def answered(child, seconds):
    """Exit status and what the command printed, within `seconds`."""
    try:
        status = child.process.wait(seconds)
        return status, json.loads("\n".join(child.lines()))
    finally:
        child.end()


def told(system, word, after, seconds=20.0):
    """What the loop has to tell after so many lines, the first that begins with `word`."""
    until = time.monotonic() + seconds
    while True:
        found = [line.split() for line in system.driver.lines()[after:] if line.startswith(word)]
        if found:
            return found[0]
        assert time.monotonic() < until, system.driver.lines()
        time.sleep(0.02)


def led(system, folder, name, *options):
    """Answer of the command that leads up; a busy machine loses samples or is stuck, which is told, and it goes on.

    Where the very first level was lost, that has the name.
    """
    for again in ("", "", "-b", "-b", "-c", "-c"):
        status, found = answered(system.run("lead_up.py", folder, *options, "-o", f"{name}{again}.wav"), 120)
        if status == 0 or found["error"]["code"] not in ("dropout", "stalled", "exists"):
            break
    assert status == 0, found
    return found


@pytest.mark.against(
    "driver led to full travel and a power run through a real stream, down to the verdict",
    "a driver of other equations in the loop, that bends and warms",
    "travel 5 %, its limits 2 %; Rtv 5 %, coil 5 %",
)
def test_the_whole_chain_through_a_real_stream(patient_system, folder, monkeypatch, capsys):
    monkeypatch.chdir(folder)
    # The run first: a magnet that is still warm would count as cold.
    heated = ("--state", "power run", "--levels", 2, "--limit-travel-mm", 15, "--level-v", 25, "--minutes", 0.35)
    hot = led(patient_system, folder, "hot", *heated)
    before = len(patient_system.driver.lines())
    patient_system.driver.signal(signal.SIGUSR1)
    rise = float(told(patient_system, "farthest", before)[4])
    up = led(patient_system, folder, "up", "--levels", 3, "--limit-travel-mm", 15)
    before = len(patient_system.driver.lines())
    patient_system.driver.signal(signal.SIGUSR1)
    farthest, loudest = map(float, told(patient_system, "farthest", before)[1:3])
    assert up["levels"][0]["level_dbfs"] == -30.0
    assert up["levels"][-1]["peak_travel_m"] == pytest.approx(farthest, rel=0.05)
    assert 10.8e-3 < farthest < 15e-3
    assert loudest <= max(10.0 ** (up["levels"][-1]["level_dbfs"] / 20.0), 25.0 / VOLTS) * 1.001
    said = _goes_on(folder, up["bench"], hot["bench"], capsys)
    travel, heat = (json.loads((folder / f"{name}.json").read_text()) for name in ("travel", "heat"))
    for name in ("Bl82", "C75", "L10"):
        for side, way in (("outward", 1), ("inward", -1)):
            found, limit = travel["limits"][name][side], TRUTH.limit(name, way)
            if found["reached"]:
                assert found["interval95"][0] <= limit <= found["interval95"][1], (name, side)
                assert found["value"] == pytest.approx(limit, rel=0.02)
            else:
                assert found["at_least"] <= limit
    assert travel["limits"]["C75"]["outward"]["reached"]
    rtv0, ctv, _, _, g = NETWORK
    rtv = 1.0 / (1.0 / rtv0 + g * heat["run"]["cone_velocity_m_s"])
    assert heat["parameters"]["Rtv_run"]["value"] == pytest.approx(rtv, rel=0.05)
    assert heat["parameters"]["tau_v"]["value"] == pytest.approx(rtv * ctv, rel=0.1)
    assert heat["run"]["coil_c"] - 20.0 == pytest.approx(rise, rel=0.05)
    assert heat["power_at"] == []
    # The compliance is down to 75 % at 9.74 mm: 9 mm are kept, 12 mm are not.
    assert "Xmax, inside: printed 9 mm" in said["9 mm"]
    assert "Xmax, outside: printed 12 mm" in said["12 mm"]
    assert "Pe not judged" in said["9 mm"]
    for command in ("box", "compare"):
        assert "Travel measured: 9.7" in said[command]
    assert "too short to tell continuous power" in said["compare"]


def _goes_on(folder, travelled, heated, capsys):
    """What the commands that follow say of the recordings, by command; check twice, by what its sheet prints."""
    measured = ["--travel", "travel.json", "--heat", "heat.json"]
    driver = driver_of(TRUTH)
    for xmax in ("9 mm", "12 mm"):
        (folder / f"{xmax[:-3]}.toml").write_text(
            f'[driver]\nname = "{TRUTH.name}"\n[published]\nRe = "{TRUTH.Re} ohm"\nFs = "{TRUTH.Fs} Hz"\n'
            f'Qms = "{TRUTH.Qms}"\nQes = "{driver.Qes:.4f}"\nMms = "130 g"\nSd = "500 cm^2"\nXmax = "{xmax}"\n'
            'Pe = "300 W"\n[conditions]\nxmax_definition = "10 %"\n'
        )
    said = {}
    for name, *command in (
        ("travel", "travel", travelled, "-o", "travel.json"),
        ("heat", "heat", heated, "-o", "heat.json"),
        ("9 mm", "check", "fit.json", "9.toml", *measured),
        ("12 mm", "check", "fit.json", "12.toml", *measured),
        ("box", "box", "closed", "fit.json", "--qtc", "0.7", *measured),
        ("compare", "compare", "fit.json", "9.toml", *measured),
    ):
        capsys.readouterr()
        # A check whose sheet breaks its word leaves with 1.
        assert run(command) == (1 if name == "12 mm" else 0), capsys.readouterr()
        said[name] = " ".join(capsys.readouterr().out.split())
    return said


def test_a_killed_process_leaves_silence_and_what_it_recorded(power_system, folder):
    before = len(power_system.driver.lines())
    child = power_system.run("lead_up.py", folder, "--limit-travel-mm", 4)
    told(power_system, "sounds", before, 60.0)
    time.sleep(1.5)
    child.signal(signal.SIGKILL)
    power_system.driver.signal(signal.SIGUSR1)
    passed = int(told(power_system, "farthest", before)[3])
    silent = int(told(power_system, "silent", before)[1])
    child.end()
    # What the server has in hand at the kill, and no period of 43 ms more.
    assert silent - passed <= PERIOD
    assert sorted(path.name for path in folder.glob("full-travel*")) == [
        "full-travel-1.partial.toml",
        "full-travel-1.partial.wav",
    ]
    samples, _ = soundfile.read(folder / "full-travel-1.partial.wav")
    assert len(samples) > 48000


def test_an_amplifier_turned_up_is_hushed(power_system, folder):
    before = len(power_system.driver.lines())
    child = power_system.run("lead_up.py", folder, "--limit-travel-mm", 4)
    told(power_system, "sounds", before, 60.0)
    power_system.driver.signal(signal.SIGUSR2)
    status, answer = answered(child, 60)
    told(power_system, "silent", before)
    assert (status, answer["error"]["code"]) == (2, "too_loud"), json.dumps(answer)
    assert not (folder / "full-travel-1.wav").exists()
