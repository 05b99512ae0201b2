"""Several samples on a page: who stands out, and who belongs together."""

from helpers.read_page import words_of


def test_the_odd_one_is_named_and_the_pairs_are_told(page_files):
    (path,) = (path for path in page_files if path.name == "lot.json")
    words = words_of(path)
    # The sixth was made with 38 Hz among 33.
    assert "Wagtail 8 6 stands out in Fs, Vas" in words
    assert "Which two belong together" in words
    # The answer stands before the sections, and again with its table.
    assert words.index("The lot does not hold its datasheet") < words.index("What was found")
