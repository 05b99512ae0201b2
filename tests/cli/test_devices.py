"""``tsfit devices``: what is listed, and what is said where there is nothing to list."""

import json
import sys

from tsfit.capture.device import DeviceInfo
from tsfit.cli import run

CARD = DeviceInfo("two-way box", "ALSA", 2, 2, 48000.0, (44100.0, 48000.0), 3, 4)


def test_what_can_run_a_rig_is_listed(monkeypatch, capsys):
    monkeypatch.setattr("tsfit.capture.device.list_devices", lambda: [CARD])
    assert run(["devices"]) == 0
    out = capsys.readouterr().out
    for said in ("two-way box", "ALSA", "2 in, 2 out", "44.1, 48"):
        assert said in out
    assert run(["devices", "--json"]) == 0
    (found,) = json.loads(capsys.readouterr().out)
    assert (found["name"], found["rates_hz"], found["label"]) == ("two-way box", [44100.0, 48000.0], CARD.label)


def test_none_is_refused_with_the_remedy(monkeypatch, capsys):
    monkeypatch.setattr("tsfit.capture.device.list_devices", list)
    assert run(["devices"]) == 2
    assert "simulated" in capsys.readouterr().err


def test_a_missing_sound_system_is_one_sentence_with_the_remedy(monkeypatch, capsys):
    class Missing:
        def find_spec(self, name, path=None, target=None):
            if name == "sounddevice":
                raise OSError("PortAudio library not found")

    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.setattr(sys, "meta_path", [Missing(), *sys.meta_path])
    assert run(["devices"]) == 2
    err = capsys.readouterr().err
    for word in ("libportaudio2", "brew", "Windows"):
        assert word in err
    assert err.count("\n") == 1
