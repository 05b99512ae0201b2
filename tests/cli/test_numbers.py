"""Numbers on the command line: decimal commas, units of the trade, and none read as another one."""

import click
import pytest

from tsfit.base.errors import TsfitError
from tsfit.cli.numbers import with_numbers


@pytest.fixture
def given():
    """What a command gets for its options."""
    got = {}

    @click.group()
    def group():
        pass

    @group.command()
    @click.option("--volume-l", type=float)
    @click.option("--mass-g", type=click.FloatRange(0.0, 1000.0))
    @click.option("--qtc", type=float, multiple=True)
    def box(**options):
        got.update(options)

    def ask(*words):
        got.clear()
        with_numbers(group).main(["box", *words], standalone_mode=False)
        return got

    return ask


@pytest.mark.parametrize(
    ("text", "litres"),
    [
        ("50", 50.0), ("50.5", 50.5), ("50,5", 50.5), ("1e2", 100.0), ("80 l", 80.0), ("0.08 m^3", 80.0),
        # The international foot is 0.3048 m, the inch 25.4 mm, by definition.
        ("4 ft^3", 4e3 * 0.3048**3), ("4,5ft³", 4.5e3 * 0.3048**3),
    ],
)  # fmt: skip
def test_a_number_as_people_write_it(given, text, litres):
    assert given("--volume-l", text)["volume_l"] == pytest.approx(litres, rel=1e-12)


def test_ranges_and_lists_are_kept(given):
    # The ounce is 28.349523125 g by definition.
    assert given("--mass-g", "1.41 oz", "--qtc", "0,7", "--qtc", ".5") == {
        "volume_l": None, "mass_g": pytest.approx(1.41 * 28.349523125), "qtc": (0.7, 0.5)
    }  # fmt: skip
    with pytest.raises(click.BadParameter, match=r"0\.0<=x<=1000\.0"):
        given("--mass-g", "2 kg")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--volume-l", "1,000"), "may be thousands or a decimal comma"),
        (("--volume-l", "4 kg"), "--volume-l: unit 'kg' does not fit here"),
        (("--qtc", "0.7 l"), "not a valid float"),
        (("--volume-l", "5x"), "unit 'x' does not fit here"),
        (("--volume-l", "much"), "not a valid float"),
        (("--volume-l", "nan"), "'nan' is not a number"),
        (("--mass-g", "nan"), "'nan' is not a number"),
        (("--volume-l", "3.04e+198"), "3.04e\\+198 is like no number of this trade"),
        (("--volume-l", "-1e300"), "like no number of this trade"),
        (("--mass-g", "1e-300"), "1e-300 is like no number of this trade"),
    ],
)
def test_what_cannot_be_told_is_refused(given, words, said):
    with pytest.raises((TsfitError, click.BadParameter), match=said):
        given(*words)
