"""Words and tables: wrapped between words, harmless to a terminal, columns in a further table where it is narrow."""

import io

import pytest

from tsfit.base.notes import QualityNote
from tsfit.cli.printing import columns, print_notes, print_table, printable, say, wrapped


def test_no_control_character_is_printed():
    assert printable("a\x1b[31mb\x9bc\x7f\n") == "a�[31mb�c��"
    assert printable("Ω ½ 日本") == "Ω ½ 日本"


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


def test_further_lines_stand_under_the_words_of_an_item(monkeypatch, capsys):
    monkeypatch.setenv("COLUMNS", "30")
    say("  - one two three four five six seven eight")
    first, *further = capsys.readouterr().out.splitlines()
    assert first.startswith("  - one")
    assert all(line.startswith("    ") and not line.startswith("     ") for line in further)


def test_a_remark_names_its_sweep():
    said = []
    notes = (QualityNote("x", "warn", "Too loud.", 1), QualityNote("y", "note", "All of it."))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("tsfit.cli.printing.say", said.append)
        print_notes(notes, indent="  ")
    assert said == ["  warn: sweep 2: Too loud.", "  note: All of it."]


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
