"""What was measured at full travel and at power, on a page."""

from dataclasses import replace

from helpers.made_fit import made_driver, made_fit
from helpers.made_heat_result import heat_result
from helpers.made_travel_result import made_travel_result
from helpers.read_page import words_of

from tsfit.base.files import to_json
from tsfit.check.forms import check_form
from tsfit.check.verdict import judge
from tsfit.driver.measured import Measured
from tsfit.driver.units import parse_printed
from tsfit.formats.sheet import Conditions, Sheet


def page(folder, **made):
    for name, record in made.items():
        (folder / f"{name}.json").write_text(to_json(record))
    return [words_of(folder / f"{name}.json") for name in made]


def test_travel_and_heat_with_their_plots(tmp_path):
    travel, heat = page(tmp_path, travel=made_travel_result(), heat=heat_result())
    for words in ("how far it goes", "10 % limit: 11.8", "over 14.5", "Which way is out is not known"):
        assert words in travel, words
    for words in ("180 W of real power hold its coil at 200 °C", "coil, °C", "shifted by something"):
        assert words in heat, words
    (short,) = page(tmp_path, heat=heat_result(told=False))
    assert "too short to tell continuous power" in short


def test_a_sheet_judged_by_travel(tmp_path):
    driver = replace(made_driver(), name="Dunlin 12")
    sheet = Sheet("Dunlin 12", {"Xmax": parse_printed("15 mm", "m", "Xmax")}, conditions=Conditions(xmax_definition="10 %"))
    (told,) = page(tmp_path, check=check_form(judge(made_fit(driver), sheet, limits=Measured(made_travel_result()))))
    assert "Outside: Xmax" in told
    assert "Xmax, outside: printed 15 mm; 10 % distortion at 11.76 to 11.84 mm" in told
