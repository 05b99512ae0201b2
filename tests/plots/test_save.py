"""A plot becomes a file of the kind that its name asks for, whole, and never over another."""

import xml.etree.ElementTree as ElementTree

import pytest
from matplotlib.figure import Figure

from tsfit.base.errors import TsfitError
from tsfit.plots.save import save_plot


@pytest.fixture
def figure():
    made = Figure()
    made.subplots().set_title("Knot \x07 12")
    return made


@pytest.mark.filterwarnings("ignore:Glyph 7")
@pytest.mark.parametrize(("name", "begins"), [("a.png", b"\x89PNG"), ("a.PDF", b"%PDF"), ("a.svg", b"<?xml")])
def test_the_name_says_which_kind(tmp_path, figure, name, begins):
    save_plot(tmp_path / name, figure)
    assert (tmp_path / name).read_bytes().startswith(begins)


@pytest.mark.filterwarnings("ignore:Glyph 7")
def test_an_svg_is_xml_whatever_the_name_of_the_driver_holds(tmp_path, figure):
    save_plot(tmp_path / "a.svg", figure)
    assert ElementTree.parse(tmp_path / "a.svg").getroot().tag.endswith("svg")


@pytest.mark.parametrize(
    ("name", "code"), [("a.bmp", "wrong_file_type"), ("a", "wrong_file_type"), ("there.png", "exists")]
)
def test_what_cannot_be_written_is_refused(tmp_path, name, code):
    (tmp_path / "there.png").write_bytes(b"mine")
    with pytest.raises(TsfitError) as refused:
        save_plot(tmp_path / name, Figure())
    assert refused.value.code == code
    assert [path.name for path in tmp_path.iterdir()] == ["there.png"]
    assert (tmp_path / "there.png").read_bytes() == b"mine"
