"""Causes: one sentence each, with a remedy, under a code that machines know."""

import pytest

from tsfit.base.causes import CAUSES, refused


@pytest.mark.parametrize("code", CAUSES)
def test_a_cause_is_one_sentence_with_a_remedy(code):
    one = CAUSES[code]
    assert one.sentence == f"{one.what}; {one.remedy}."
    for text in (one.what, one.remedy, one.found_by):
        assert text
        assert text == text.strip(" .;")
        assert not {"\n", "\t"} & set(text)


def test_a_refusal_names_file_cause_and_code():
    error = refused("a.wav", "mono, twice")
    assert (error.code, error.file) == ("mono", "a.wav")
    assert error.message.startswith("a.wav: both channels are the same; ")
    assert "channel 2 is silent" in refused("a.wav", "dead_channel", channel=2).message
