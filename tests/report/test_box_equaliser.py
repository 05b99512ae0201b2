"""An equaliser on a page: what it costs, its sections and the coefficients of its filters."""

from helpers.boxes import closed_box
from helpers.made_fit import made_driver
from helpers.read_page import words_of

from tsfit.base.files import to_json
from tsfit.box.equaliser.equalised import at_level, flat
from tsfit.box.equaliser.form import equaliser_form


def test_an_equaliser_stands_on_a_page_of_its_own(tmp_path):
    found = flat(closed_box(made_driver(Xmax=6e-3, Pe=90.0), qtc=0.8), 40.0)
    path = tmp_path / "equaliser.json"
    path.write_text(to_json(equaliser_form(found, at_level(found, 85.0))))
    words = words_of(path)
    b, _ = found.sections[0].biquad(48000.0)
    for said in ("how much boost the first limit leaves", str(found.sections[0]), "times the travel", f"{b[1]:.12f}"):
        assert said in words, said
