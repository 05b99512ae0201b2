"""Lines of a text read as one table, or what they are refused for."""

from pathlib import Path

import pytest

from tsfit.base.errors import TsfitError
from tsfit.formats.curve_text import read_tables

PATH = Path("curve.txt")


def table(*lines):
    (found,) = read_tables("\n".join(lines), PATH)
    return found


def refused(*lines):
    """Code and sentence with which the lines are refused."""
    with pytest.raises(TsfitError) as caught:
        table(*lines)
    return caught.value.code, caught.value.message
