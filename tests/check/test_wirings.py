"""A sheet that prints both wirings of its two coils: in series four times the Re and twice the Bl of parallel."""

import pytest

from tsfit.base.errors import TsfitError
from tsfit.check.wirings import in_both_wirings
from tsfit.formats.driver import read_driver
from tsfit.formats.sheet import read_sheet

COMMON = """
[driver]
name = "Teal 12 D"
[published]
Fs = "25.6 Hz"
Qms = "5.19"
Qes = "0.436"
Mms = "97 g"
Sd = "515 cm^2"
"""
SERIES = '[series]\nRe = "10.2 ohm"\nBl = "19.1 T*m"\n'


def written(folder, parallel, conditions=""):
    path = folder / "two.toml"
    path.write_text(f"{COMMON}{SERIES}[parallel]\n{parallel}\n{conditions}")
    return path


def test_a_true_sheet_of_two_coils_agrees_in_both_wirings(tmp_path):
    path = written(tmp_path, 'Re = "2.55 ohm"\nBl = "9.55 T*m"')
    sheet = read_sheet(path)
    assert (sheet.conditions.wiring, sheet.rewired.conditions.wiring) == ("series", "parallel")
    assert not in_both_wirings(sheet).contradictions
    assert (read_driver(path).Re, read_driver(path).wiring) == (10.2, "series")
    asked = read_sheet(written(tmp_path, 'Re = "2.55 ohm"', '[conditions]\nwiring = "parallel"\n'))
    assert (asked.values()["Re"], asked.rewired.values()["Re"]) == (2.55, 10.2)


@pytest.mark.parametrize(
    ("parallel", "words"),
    [
        ('Re = "5.10 ohm"', "Re is printed as 10.2 ohm in series and 5.10 ohm in parallel, but two equal coils make 20.4 "),
        ('Re = "2.55 ohm"\nBl = "13.5 T*m"', "two equal coils make 27 T·m of that in series"),
        ('Re = "2.55 ohm"\nBl = "13.5 T*m"', "In parallel: "),
    ],
)
def test_wirings_that_no_two_equal_coils_have_are_told(tmp_path, parallel, words):
    assert any(words in each.sentence for each in in_both_wirings(read_sheet(written(tmp_path, parallel))).contradictions)


@pytest.mark.parametrize(
    ("parallel", "conditions", "words"),
    [
        ('Fs = "25.6 Hz"', "", "Fs stands in .published. and in .parallel."),
        (
            'Re = "2.55 ohm"',
            '[conditions]\nwiring = "one coil"\n',
            "is 'one coil', but .series. is printed",
        ),
    ],
)
def test_what_is_told_twice_or_not_at_all_is_refused(tmp_path, parallel, conditions, words):
    with pytest.raises(TsfitError, match=words):
        read_sheet(written(tmp_path, parallel, conditions))
