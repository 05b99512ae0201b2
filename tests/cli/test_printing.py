"""Words and tables: wrapped between words, harmless to a terminal, columns in a further table where it is narrow."""

import io
import re
import shlex
import subprocess
import sys

import click
import pytest

from tsfit.base.notes import QualityNote
from tsfit.cli.printing import columns, print_notes, print_table, printable, say, say_command, with_how_much, wrapped

STEERING = "\x1b[31m\x07\x7f\x9b2J\u202e\u2066\u200f\u061c\u2028"
"""Colour, bell, a screen wiped by one byte, and text turned round."""


def test_neither_warnings_of_libraries_nor_their_logs_steer_a_terminal():
    """Said by another program than this one's printing, of a name from a file."""
    code = (
        f"import logging, warnings, sys; from tsfit.cli.entry import main\nsys.argv = ['tsfit', '--help']\n"
        f"try:\n    main()\nexcept SystemExit:\n    pass\n"
        f"warnings.warn({STEERING!r} + 'warned')\nlogging.getLogger('other').warning('%s logged', {STEERING!r})"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "warned" in done.stderr
    assert "logged" in done.stderr
    assert not set(done.stderr) & (set(STEERING) - set("[31m2J"))
    assert done.stderr.isprintable() or done.stderr.replace("\n", "").isprintable()


def test_no_control_character_is_printed():
    assert printable("a\x1b[31mb\x9bc\x7f\n") == "a�[31mb�c��"
    assert printable("Ω ½ 日本") == "Ω ½ 日本"


@pytest.mark.parametrize("width", [60, 80, 100])
def test_a_command_is_pasted_as_it_stands(width, capsys, monkeypatch):
    """A shell reads the words that were given, and no option stands at an end without its value."""
    monkeypatch.setenv("COLUMNS", str(width))
    command = ["tsfit", "try", "a-rather-long-name.json", *["--sheet", "my folder/it's a sheet.toml"] * 3, "--json"]
    say_command(shlex.join(command))
    shown = capsys.readouterr().out
    lines = shown.splitlines()
    assert all(len(line) <= width and not re.search(r"--sheet \\$", line) for line in lines)
    done = subprocess.run(["/bin/sh", "-c", f"printf '%s\n' {shown}"], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines() == command
    assert len(lines) > 1


def test_no_part_of_a_table_steers(capsys):
    """A driver's name may be a head as well as a cell."""
    print_table(["Hz", STEERING], [["20", STEERING]], title=STEERING)
    shown = capsys.readouterr().out
    assert shown.replace("\n", "").isprintable()
    assert shown.count("�") >= 24


def test_a_pipe_has_no_edge_and_columns_says_how_wide_it_is(monkeypatch):
    monkeypatch.delenv("COLUMNS", raising=False)
    assert columns(io.StringIO()) > 1000
    monkeypatch.setenv("COLUMNS", "72")
    assert columns(io.StringIO()) == 72
    monkeypatch.setenv("COLUMNS", "wide")
    assert columns(io.StringIO()) > 1000


def test_lines_break_between_words_and_a_long_name_stays_whole():
    name = "a-folder/with-a-long-name/and-a-file.toml"
    lines = wrapped(f"{name}: cannot be read, name another file that is there", 30, "  ").splitlines()
    assert lines[0] == f"{name}:"
    assert all(len(line) <= 30 and line.startswith("  ") for line in lines[1:])


@pytest.mark.parametrize("width", range(30, 60))
def test_a_number_keeps_its_uncertainty_and_unit(width):
    text = "Saltwit 12: Fs 26.00 ± 0.06 Hz, Vas 143.8 ± 1.6 l (46 %), Bl 13.61 ± 0.03 T·m, and 2 boxes of 31.5 l each"
    lines = wrapped(text, width).splitlines()
    assert " ".join(lines) == text
    assert all(
        any(whole in line for line in lines) for whole in ("26.00 ± 0.06 Hz", "1.6 l", "(46 %)", "0.03 T·m", "31.5 l")
    )


def test_further_lines_stand_under_the_words_of_an_item(monkeypatch, capsys):
    monkeypatch.setenv("COLUMNS", "30")
    say("  - one two three four five six seven eight")
    first, *further = capsys.readouterr().out.splitlines()
    assert first.startswith("  - one")
    assert all(line.startswith("    ") and not line.startswith("     ") for line in further)


@pytest.fixture
def said(monkeypatch):
    """What is printed, and in which of the ways."""
    lines = []
    monkeypatch.setattr("tsfit.cli.printing.say", lines.append)

    def ask(notes, *flags):
        @click.command()
        def command():
            print_notes(notes, indent="  ")

        lines.clear()
        with_how_much(command).main(list(flags), standalone_mode=False)
        return list(lines)

    return ask


def test_a_remark_names_its_sweeps_and_is_told_once(said, capsys):
    notes = [QualityNote("held", "note", "Held.", k) for k in range(3)] + [QualityNote("x", "warn", "Too loud.", 1)]
    assert said(notes) == ["  warn: sweep 2: Too loud.", "  note: sweeps 1 to 3: Held."]
    assert said(notes, "-q") == []
    assert "1 warning not shown" in capsys.readouterr().err


def test_the_gravest_three_remarks_and_how_many_more(said):
    notes = [QualityNote("runner_up", "note", "As it should be."), QualityNote("held", "note", "Held.")]
    assert said(notes) == ["  note: Held.", "  1 more remark: repeat the command with --full."]
    warnings = [QualityNote("x", "warn", f"{k}.") for k in range(5)]
    assert said([*notes, *warnings]) == [
        "  warn: 0.", "  warn: 1.", "  warn: 2.", "  4 more remarks, 2 of them warnings: repeat the command with --full."
    ]  # fmt: skip
    for flag in ("--full", "-v"):
        assert len(said([*notes, *warnings], flag)) == 7


def test_columns_that_do_not_fit_stand_in_a_further_table_with_the_first_repeated(monkeypatch, capsys):
    heads = ["Hz", *(f"column {k}" for k in range(8))]
    rows = [[f"{10 * i}", *(f"{i}.{k}" for k in range(8))] for i in range(1, 4)]
    monkeypatch.setenv("COLUMNS", "40")
    print_table(heads, rows, title="level")
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= 40
    assert out.count("level") == 1
    assert out.count("Hz") > 1
    assert all(sum(line.split()[1:].count(f"{i}.{k}") for line in out.splitlines() if line.split()) == 1
               for i in range(1, 4) for k in range(8))  # fmt: skip
