"""The page as text: what stands in it, in which order, and what can not get into it."""

import html
import re
from html.parser import HTMLParser

import pytest
from helpers.made_page import write_files

from tsfit.base.errors import TsfitError
from tsfit.report.blocks import Part
from tsfit.report.page import make_page, render

HOSTILE = '</script><script>alert(1)</script>"><img src=x onerror=alert(2)> & $x^2$ {{ 7*7 }} %3C'


class Tags(HTMLParser):
    """Every tag with its attributes."""

    def __init__(self, text):
        super().__init__()
        self.tags = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))


@pytest.fixture(scope="module")
def page(whole_page):
    return whole_page.read_text("utf-8")


def test_sections_stand_in_the_order_of_the_decision(page):
    heads = re.findall(r"<h2[^>]*>([^<]*)</h2>", page)
    assert heads == [
        "What was found",
        "How sure that is",
        "What it means for the box",
        "How it was measured",
        "Before you connect or cut anything",
    ]


def test_it_says_what_the_files_say(page):
    words = html.unescape(re.sub(r"<[^>]+>", " ", page))
    assert "Outside: Qts" in words
    assert "Hum at 50 Hz in sweep 1." in words
    for said in (
        "closed box",
        "At equal power",
        "printed against measured in the same boxes",
        "what the hours did",
        "takes",
        "with equaliser",
        "Not as planned: fb ",
        "mm longer",
        "Cut list",
        "guard the blade",
        "Wagtail 8 6 stands out in Fs, Vas",
        "Which two belong together",
    ):
        assert said in words, said
    assert re.search(r"Qts\s+outside\s+0\.30?\s", words)


def test_it_needs_nothing_but_itself(page):
    for tag, attributes in Tags(page).tags:
        assert tag not in {"link", "img", "iframe", "object", "embed"}
        for name in ("src", "href", "xlink:href"):
            assert (attributes.get(name) or "#").startswith("#"), (tag, attributes)
    assert not re.search(r"@import|url\((?!#)|fetch\(|XMLHttpRequest", page)
    assert len(page.encode()) < 2e6


def test_verdicts_stand_before_the_picture_and_what_else_is_known_behind_it(page):
    answer = re.search(r'<section id="answer".*?</section>', page, re.DOTALL)[0]
    places = [answer.index(said) for said in ("Wagtail 8 B against", "The datasheet does not hold", "<figure", ", Re 5.6")]
    assert places == sorted(places)


def test_identifiers_are_unique(page):
    ids = [attributes["id"] for _, attributes in Tags(page).tags if "id" in attributes]
    repeated = {name for name in ids if ids.count(name) > 1}
    assert repeated == set()


TURNED = "\u202e\u2066"
"""What turns the direction of text."""


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    return make_page(
        write_files(tmp_path_factory.mktemp("hostile"), HOSTILE + TURNED), title=f"{HOSTILE}{TURNED}\x1b[2J\x85"
    )


def test_hostile_names_reach_the_page_only_escaped(hostile):
    text = hostile
    tags = [tag for tag, _ in Tags(text).tags]
    assert tags.count("script") == 2
    assert "img" not in tags
    assert html.escape(HOSTILE, quote=True).replace("&#x27;", "&#39;").replace("&quot;", "&#34;") in text
    assert "49" not in re.findall(r"<title>(.*?)</title>", text)[0]


def test_no_name_steers_a_page(hostile):
    """No control character but the ends of lines, and none that turns the direction of text."""
    assert "alert(1)" in hostile
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069]", hostile)


@pytest.mark.parametrize(
    ("content", "word"),
    [
        ("[driver]", "nothing that a page is made from"),
        ("{", "not valid JSON"),
        ("{}", "nothing that a page is made from"),
        ('{"verdict": "inside", "figures": [{}]}', "damaged"),
        ('{"verdict": "inside", "figures": 3}', "damaged"),
        ('{"enclosure": "closed", "frequency_hz": [], "design": {}}', "damaged"),
        ('{"enclosure": "closed", "frequency_hz": [1, 2], "spl_db": [1], "design": {}}', "damaged"),
        ('{"parameters": {}, "driver": {}}', "schema"),
        ('{"parameters": {}, "driver": {}, "kind": []}', "schema"),
    ],
)
def test_what_is_no_result_is_refused(tmp_path, content, word):
    path = tmp_path / "x.json"
    path = path if content.startswith("{") else path.with_suffix(".toml")
    path.write_text(content)
    with pytest.raises(TsfitError, match=word) as refused:
        make_page([path])
    assert str(path) in refused.value.message


def test_a_title_names_each_driver_once():
    fit, both, log = (
        Part("Heron 12"),
        Part("Heron 12 and Tern 12", drivers=["Heron 12", "Tern 12"]),
        Part("Tern 12, serial 3"),
    )

    def title(*parts):
        return re.findall("<title>(.*?)</title>", render(parts))[0]

    assert title(both) == "Heron 12 and Tern 12"
    assert title(fit, both) == "Heron 12 and Tern 12"
    assert title(fit, both, log) == "Heron 12 and Tern 12"
    assert title(fit, Part("Boards for 31 l"), log) == "Heron 12, Boards for 31 l and Tern 12"
    assert title(log) == "Tern 12, serial 3"
    assert title(log, Part("Tern 12, serial 4")) == "Tern 12, serial 3 and Tern 12, serial 4"
