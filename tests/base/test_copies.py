"""What is made of the same recordings counts once."""

import pytest

from tsfit.base.copies import copies, recordings_of


@pytest.mark.parametrize(
    ("made_of", "first", "last"),
    [
        (["a", "b", "c"], {}, {}),
        (["a", "b", "a"], {2: 0}, {0: 2}),
        (["a", "ab", "c"], {0: 1}, {0: 1}),  # made again with more
        (["ab", "bc", "cd"], {}, {}),
        (["", "", ""], {}, {}),  # of which nothing is known
        (["a"] * 3, {1: 0, 2: 0}, {0: 2, 1: 2}),
    ],
)
def test_copies_point_to_what_counts(made_of, first, last):
    sets = [frozenset(each) for each in made_of]
    assert copies(sets) == first
    assert copies(sets, last=True) == last


def test_what_a_fit_was_made_of():
    assert recordings_of({"sweeps": [{"sha256": "a"}, {"sha256": "b"}, {}]}) == {"a", "b"}
    assert recordings_of({"curve": {"sha256": "c"}}) == {"c"}
    # Not as tsfit writes them.
    assert recordings_of({"sweeps": [{"sha256": ["a"]}, {"sha256": {}}, {"sha256": 3}, "a", None]}) == frozenset()
    assert recordings_of({"curve": {}}) == recordings_of({}) == frozenset()
