"""A driver's name may be any text: it reaches pages, figures, netlists, tables and files only as a name."""

import csv
import io
import tomllib
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from helpers.boxes import closed_box
from helpers.hostile import cases, words
from helpers.made_fit import made_driver, made_fit
from helpers.paths import ROOT
from hypothesis import given
from hypothesis import strategies as st

from tsfit.base.errors import TsfitError
from tsfit.base.files import to_json
from tsfit.bench.batch import Outcome, summary_csv, summary_of
from tsfit.bench.file import BenchDriverTable, SweepTable, write_bench
from tsfit.formats.fit import fit_to_dict, read_fit
from tsfit.formats.spice import spice_subcircuit
from tsfit.plots.box import box_plot
from tsfit.plots.save import save_plot
from tsfit.report.page import make_page

names = st.one_of(
    words,
    st.sampled_from(
        ("</script><img src=x onerror=alert(1)>", "$\\frac{", "$x_$", "\n.include /secrets\n", "a,b\r\n=1", "']]>")
    ),
    st.text(alphabet="<>&'\"$\\{}%\n\r\t,;=#\0", max_size=12),
).filter(bool)


def named(name):
    return made_fit(replace(made_driver(), name=name))


class Tags(HTMLParser):
    """Tags with the names of their attributes, and nothing that text may change."""

    def __init__(self):
        super().__init__()
        self.found = []

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, [name for name, _ in attrs]))


def tags(page):
    reader = Tags()
    reader.feed(page)
    return reader.found


@pytest.mark.filterwarnings("ignore:Glyph .* missing")
def test_a_page_has_the_same_tags_whatever_the_name(fold, tmp_path):
    def page(name):
        (tmp_path / "fit.json").write_text(to_json(fit_to_dict(named(name))), encoding="utf-8")
        return make_page([tmp_path / "fit.json"])

    plain = tags(page("Wagtail 8"))
    assert any(tag == "script" for tag, _ in plain)

    @cases(8, fold)
    @given(names)
    def play(name):
        try:
            found = tags(page(name))
        except TsfitError:
            return
        assert found == plain

    play()


@pytest.mark.filterwarnings("ignore:Glyph .* missing")
def test_a_figure_is_drawn_whatever_the_name(fold, tmp_path):
    @cases(12, fold)
    @given(names)
    def play(name):
        result = closed_box(replace(made_driver(), name=name), qtc=0.8)
        path = tmp_path / "figure.svg"
        save_plot(path, box_plot(result), replace=True)
        kinds = {element.tag.rpartition("}")[2] for element in ElementTree.parse(path).iter()}
        assert not kinds & {"script", "image", "foreignObject", "a"}

    play()


def test_a_netlist_has_the_same_elements_whatever_the_name(fold):
    def elements(name):
        lines = spice_subcircuit(replace(made_driver(), name=name)).splitlines()
        return [line.split()[0] for line in lines if line.strip() and not line.startswith("*")]

    plain = elements("Wagtail 8")

    @cases(60, fold)
    @given(names)
    def play(name):
        assert elements(name) == plain
        assert spice_subcircuit(replace(made_driver(), name=name)).isascii()

    play()


def test_a_summary_has_one_row_whatever_the_name(fold):
    @cases(60, fold)
    @given(names)
    def play(name):
        outcomes = [Outcome(Path("a.toml"), Path("a.fit.json"), summary_of(named(name)), None)] * 2
        rows = list(csv.DictReader(io.StringIO(summary_csv(outcomes), newline="")))
        # What could steer a screen is replaced, and what a spreadsheet would run is made text; the rest is the name.
        told = [row["driver"].removeprefix("'") for row in rows]
        bare = name.removeprefix("'")
        shown = (
            bare if bare.isprintable() else "".join(a if a == b else "\ufffd" for a, b in zip(bare, told[0], strict=True))
        )
        assert told == [shown] * 2
        assert all(row["driver"][:1] not in ("=", "+", "-", "@", "\t") for row in rows)
        assert float(rows[1]["Re"]) == pytest.approx(5.62)

    play()


def test_a_fit_and_a_bench_file_give_the_name_back(fold, tmp_path):
    @cases(40, fold)
    @given(names)
    def play(name):
        fit, bench = tmp_path / "fit.json", tmp_path / "bench.toml"
        fit.write_text(to_json(fit_to_dict(named(name))), encoding="utf-8")
        assert read_fit(fit).driver.name == name
        bench.unlink(missing_ok=True)
        write_bench(
            bench, tmp_path / "rig.toml", BenchDriverTable(name=name), [SweepTable(recording="a.wav", state="free air")]
        )
        told = tomllib.loads(bench.read_text(encoding="utf-8"))
        assert told["driver"] == {"name": name}
        assert list(told) == ["rig", "driver", "sweep"]

    play()


def test_no_formula_of_lmfit_is_made_of_text():
    """lmfit evaluates the text of an `expr`; none is ever given to it."""
    assert not [path for path in (ROOT / "tsfit").rglob("*.py") if "expr" in path.read_text(encoding="utf-8")]
