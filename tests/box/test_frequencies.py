import numpy as np
import pytest

from tsfit.base.errors import TsfitError
from tsfit.box.frequencies import PREFERRED_HZ, default_frequencies, drawn_frequencies, read_frequencies, tabled


def test_default_is_five_hertz_to_two_kilohertz_at_48_per_octave():
    frequency = default_frequencies()
    assert (frequency[0], frequency[-1]) == pytest.approx((5.0, 2000.0))
    np.testing.assert_allclose(1.0 / np.diff(np.log2(frequency)), 48.0, rtol=1e-3)


def test_preferred_frequencies_are_third_octaves_but_for_30_and_60_hz():
    """ISO 266 nominal values stand within 1.3 % of the exact 1000·10^(k/10)."""
    exact = 1000.0 * 10.0 ** (np.arange(-17, -6) / 10.0)
    asked = np.isin(PREFERRED_HZ, (30.0, 60.0))
    assert asked.sum() == 2
    np.testing.assert_allclose(np.array(PREFERRED_HZ)[~asked], exact[~asked], rtol=0.013)
    np.testing.assert_allclose(np.array(PREFERRED_HZ)[asked], exact[asked], rtol=0.06)


def test_a_file_of_frequencies(tmp_path):
    path = tmp_path / "grid.txt"
    path.write_bytes(b"\xef\xbb\xbf# octaves\n20\n\n40.5  # second\r\n8.1e1\n")
    np.testing.assert_array_equal(read_frequencies(path), [20.0, 40.5, 81.0])


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("20\nforty\n", "line 2: 'forty'"),
        ("20,5\n", "line 1: '20,5'"),
        ("20 3.2 0.1\n", "one number a line"),
        ("0\n", "line 1: '0'"),
        ("nan\n", "line 1: 'nan'"),
        ("-20\n", "line 1: '-20'"),
        ("1e9\n", "0.1 to 100000"),
        ("# nothing\n", "holds no frequency"),
        ("40\n20\n", "must increase"),
        ("20\n20\n", "must increase"),
    ],
)
def test_refused_files(tmp_path, text, says):
    path = tmp_path / "grid.txt"
    path.write_text(text)
    with pytest.raises(TsfitError) as refused:
        read_frequencies(path)
    assert says in refused.value.message
    assert str(path) in refused.value.message


def test_unreadable_files(tmp_path):
    for path, content in ((tmp_path / "absent.txt", None), (tmp_path / "binary.txt", b"\xff\xfe\x00\x81")):
        if content is not None:
            path.write_bytes(content)
        with pytest.raises(TsfitError, match="cannot be read"):
            read_frequencies(path)


def test_a_drawn_table_keeps_its_places_and_has_even_steps_between():
    """24 points an octave, to the rounding of the preferred numbers, which is a quarter at 30 and 60 Hz; those of the table
    are told from the others.
    """
    drawn = drawn_frequencies(PREFERRED_HZ)
    assert tuple(drawn[tabled(drawn)]) == PREFERRED_HZ
    np.testing.assert_allclose(24.0 * np.diff(np.log2(drawn)), 1.0, atol=0.25)
    assert tabled(np.array([19.0, 2000.0, 2100.0])) == [1]
