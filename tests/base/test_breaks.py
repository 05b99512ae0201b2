"""Ctrl-C, once and in haste: processes of their own are sent the signal that a terminal sends."""

import subprocess
import sys

import pytest
from helpers.paths import ROOT
from helpers.simulated_rig import simulated_rig

PRESS = "import os, signal, sys\npress = lambda: os.kill(os.getpid(), signal.SIGINT)\n"


def told(code):
    """What a process prints, and how it leaves; one that was started in the background would not hear of Ctrl-C."""
    start = f"{PRESS}signal.signal(signal.SIGINT, signal.default_int_handler)\nfrom tsfit.base.breaks import Breaks\n"
    done = subprocess.run([sys.executable, "-c", start + code], capture_output=True, text=True, check=False, cwd=ROOT)
    return done.returncode, done.stdout, done.stderr


@pytest.mark.parametrize(("haste", "said"), [(2.0, "broken, told\n"), (0.0, "broken, broken again\n")])
def test_a_second_press_in_haste_is_one_with_the_first(haste, said):
    code = (
        f"import tsfit.base.breaks\ntsfit.base.breaks.HASTE_S = {haste}\nbreaks = Breaks()\n"
        "try:\n    press()\nexcept KeyboardInterrupt:\n    print('broken', end=', ')\n"
        "try:\n    press()\n    print('told')\nexcept KeyboardInterrupt:\n    print('broken again')\n"
        "breaks.leave(2)\n"
    )
    assert told(code) == (2, said, "")


@pytest.mark.parametrize("status", [0, 1, 2])
def test_a_press_while_the_interpreter_ends_leaves_no_traceback(status):
    assert told(f"import atexit\natexit.register(press)\nBreaks().leave({status})\n") == (status, "", "")


def test_who_handles_it_otherwise_keeps_it():
    code = "signal.signal(signal.SIGINT, signal.SIG_IGN)\nBreaks()\npress()\nprint('heard nothing')\n"
    assert told(code) == (0, "heard nothing\n", "")


def test_a_sweep_broken_off_after_its_recording_says_what_is_whole_however_often(tmp_path):
    """The second and third are pressed while the first is being told, before standard error has it."""
    rig = simulated_rig(tmp_path)
    code = (
        f"import tsfit.bench.sweep, tsfit.cli.entry as entry\nbefore = entry.say_error\n"
        "def hasty(text):\n    [press() for _ in range(2)]\n    before(text)\n"
        "entry.say_error = hasty\ntsfit.bench.sweep.write_curve = lambda *_: press()\n"
        f"sys.argv = ['tsfit', 'sweep', '{rig}', '--seconds', '2', '-o', "
        f"'{tmp_path / 'a.wav'}', '--no-figure', '-q']\n"
        "from tsfit.__main__ import main\nmain()\n"
    )
    status, _, error = told(code)
    assert status == 2
    assert error.count("\n") == 1
    assert "a.wav is whole, but without verdict and curve: name it in a bench file for tsfit fit" in error
