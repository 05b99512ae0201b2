"""``tsfit completion``: scripts that a shell takes, and what they complete."""

import os
import shutil
import subprocess
import sys

import pytest

from tsfit.cli import run


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_scripts(shell, capsys):
    assert run(["completion", shell]) == 0
    assert "_TSFIT_COMPLETE" in capsys.readouterr().out


@pytest.mark.parametrize(("words", "found"), [("tsfit xy", ""), ("tsfit fi", "fit"), ("tsfit fit --coi", "--coil")])
def test_what_a_shell_completes(words, found):
    command = [sys.executable, "-m", "tsfit"]
    count = str(len(words.split()) - 1)
    asked = {"_TSFIT_COMPLETE": "bash_complete", "COMP_WORDS": words, "COMP_CWORD": count}
    told = subprocess.run(command, env=os.environ | asked, capture_output=True, text=True, check=True, timeout=60)
    assert told.stdout.split() == ([f"plain,{found}"] if found else [])


@pytest.mark.skipif(shutil.which("bash") is None, reason="no bash here")
def test_bash_takes_the_script(capsys):
    run(["completion", "bash"])
    script = capsys.readouterr().out + "\ncomplete -p tsfit"
    told = subprocess.run(["bash", "-c", script], capture_output=True, text=True, check=True, timeout=60)
    assert "_tsfit_completion" in told.stdout
