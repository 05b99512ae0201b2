"""Sections in words and in files: what is printed is read back, and what is none is said."""

import pytest
from helpers.boxes import closed_box, vented_box

from tsfit.base.errors import TsfitError
from tsfit.box.equaliser.sections import FilterSection, parse_section, read_sections
from tsfit.driver.record import Driver

HERON = Driver("Heron 10", 5.6, 31.0, 4.6, 0.42, Mms=0.052, Sd=0.0346, Xmax=0.006, Pe=150.0)
PEAK = FilterSection("peaking", 40.0, 1.2, 3.0)


@pytest.mark.parametrize(
    "section",
    [
        PEAK,
        FilterSection("low shelf", 60.0, 0.7, -4.5),
        FilterSection("high shelf", 300.0, 0.5, 2.0),
        FilterSection("high-pass", 22.5, 0.9),
        FilterSection("low-pass", 120.0),
        FilterSection("pole shift", 25.0, 0.6, from_hz=55.0, from_q=0.9),
    ],
    ids=str,
)
def test_what_is_printed_is_read_back(section):
    back = parse_section(str(section))
    assert (back.kind, back.frequency_hz, back.gain_db) == (section.kind, section.frequency_hz, section.gain_db)
    assert back.q == pytest.approx(section.q, rel=1e-3)
    assert (back.from_hz, back.from_q) == (section.from_hz, section.from_q)


def test_words_are_read_leniently():
    assert parse_section("Peaking 40Hz q1.2 3dB") == PEAK
    assert parse_section("low shelf 60 Hz −4 dB") == FilterSection("low shelf", 60.0, gain_db=-4.0)
    poles = closed_box(HERON, volume=0.03).poles
    shift = parse_section("pole shift to 25 Hz, Q 0.7", poles)
    assert (shift.frequency_hz, shift.from_hz, shift.from_q) == (25.0, *poles)
    assert vented_box(HERON, volume=0.06, tuning=27.0).poles is None


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("notch 40 Hz", "one of peaking"),
        ("peaking at forty", "is not understood"),
        ("peaking 40, Q 1, 3 dB", "is not understood"),
        ("peaking 40 Hz, Q 1", "needs its gain"),
        ("high-pass 40 Hz, 3 dB", "takes no gain"),
        ("pole shift to 25 Hz", "say from where"),
        ("low-pass from 20 Hz to 40 Hz", "only a pole shift"),
        ("peaking 40 Hz, Q 0, 3 dB", "peaking Q"),
    ],
)
def test_sections_that_are_none(text, says):
    with pytest.raises(TsfitError, match=says):
        parse_section(text)


def test_a_file_of_sections(tmp_path):
    path = tmp_path / "eq.toml"
    path.write_text('[[section]]\nkind = "peaking"\nfrequency_hz = 40\nq = 1.2\ngain_db = 3\n')
    assert read_sections(path) == (PEAK,)
    for text, says in (
        ('[[section]]\nkind = "peaking"\nfrequency_hz = 40\n', r"section\[1\]: a peaking needs its gain"),
        ('[[section]]\nkind = "peaking"\nfrequenzy_hz = 40\n', "frequency_hz"),
        ('[[section]]\nkind = "bell"\nfrequency_hz = 40\n', "bell"),
    ):
        path.write_text(text)
        with pytest.raises(TsfitError, match=says) as caught:
            read_sections(path)
        assert caught.value.file == str(path)
