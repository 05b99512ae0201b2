"""One object for what every command writes and prints: refused before the work, written before anything is printed."""

import json
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from tsfit.base.errors import TsfitError
from tsfit.cli.output import Outputs, with_outputs
from tsfit.cli.printing import with_how_much


def made(*fields):
    """A command that hands back the object it got."""

    @click.command()
    @with_outputs(*fields)
    @click.option("--size", type=int, default=3)
    def command(outputs, size):
        return outputs, size

    return command


def test_a_command_gets_all_options_as_one_object(tmp_path):
    got, size = made().main(
        ["-o", "a.json", "--plot", "b.png", "--replace", "--json", "--size", "4"], standalone_mode=False
    )
    assert (str(got.output), str(got.plot), got.replace, got.as_json, size) == ("a.json", "b.png", True, True, 4)


def test_only_the_options_asked_for_are_there_in_their_order():
    assert made("as_json").main([], standalone_mode=False) == (Outputs(), 3)
    assert CliRunner().invoke(made("as_json"), ["--replace"]).exit_code == 2
    text = CliRunner().invoke(made("as_json", "output"), ["--help"]).output
    assert 0 < text.index("--json") < text.index("--output") < text.index("--size")


@pytest.mark.parametrize("place", ["output", "plot", "file", "plots"])
def test_a_file_that_is_there_is_refused_unless_it_may_be_replaced(place, tmp_path):
    there = tmp_path / "there.svg"
    there.write_text("mine")
    named = {place: there} if place in {"output", "plot"} else {}
    more = (there,) if place == "file" else ()
    plots = (there,) if place == "plots" else ()
    with pytest.raises(TsfitError, match="already there"):
        Outputs(**named).refuse_existing(*more, plots=plots)
    Outputs(**named, replace=True).refuse_existing(*more, plots=plots)
    assert there.read_text() == "mine"


@pytest.mark.parametrize("place", ["plot", "plots"])
def test_a_plot_in_a_form_that_is_not_drawn_is_refused(place, tmp_path):
    path = tmp_path / "a.bmp"
    outputs, plots = (Outputs(plot=path), ()) if place == "plot" else (Outputs(), (path,))
    with pytest.raises(TsfitError, match=r"\.png, \.svg or \.pdf"):
        outputs.refuse_existing(plots=plots)


def test_what_is_not_asked_for_is_not_written(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Outputs().refuse_existing(None, plots=(None,))
    Outputs().write_json({"a": 1})
    assert list(tmp_path.iterdir()) == []


def test_the_file_holds_what_is_printed(tmp_path, capsys):
    outputs = Outputs(output=tmp_path / "a.json", as_json=True)
    outputs.write_json({"a": [1.5, float("nan")]})
    outputs.show({"a": [1.5, float("nan")]}, lambda: pytest.fail("no tables with --json"))
    out = capsys.readouterr().out
    assert out == (tmp_path / "a.json").read_text()
    assert json.loads(out) == {"a": [1.5, None]}
    Outputs().show({}, lambda: click.echo("tables"))
    assert capsys.readouterr().out == "tables\n"


@pytest.mark.parametrize(
    ("options", "said"), [([], "told\nWritten: a, b.toml\n"), (["-q"], "told\n"), (["--json"], "{}\n")]
)
def test_what_was_written_is_named_last_where_no_program_reads(options, said, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    @click.command()
    @with_outputs("output", "as_json")
    def command(outputs):
        outputs.write_json({})
        outputs.write_file(Path("b.toml"), "")
        outputs.show({}, lambda: click.echo("told"))

    with_how_much(command)
    assert CliRunner().invoke(command, ["-o", "a", *options]).output == said
