from pathlib import Path

import pytest

from tsfit.base.errors import TsfitError
from tsfit.driver.parameters import PUBLISHED
from tsfit.formats.sheet import read_sheet

HEAD = '[driver]\nname = "Wagtail 8"\n'


def write(folder: Path, text: str) -> Path:
    path = folder / "sheet.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_sheet_is_read_with_its_digits_and_tolerances(tmp_path):
    path = write(
        tmp_path,
        f'{HEAD}serial = "7"\n'
        '[published]\nFs = "31.5 Hz"\nQts = 0.380\nQms = 4\nVas = "2.3 ft^3"\nsensitivity_1W = "88.1 dB"\n'
        '[tolerance]\nFs = "±10 %"\nQts = "7.5%"\nsensitivity_1W = "1,5 dB"\n',
    )
    sheet = read_sheet(path)
    assert (sheet.name, sheet.serial, sheet.file) == ("Wagtail 8", "7", str(path))
    assert sheet.values() == pytest.approx(
        {"Fs": 31.5, "Qts": 0.38, "Qms": 4.0, "Vas": 2.3 * 0.028316846592, "sensitivity_1W": 88.1}
    )
    assert sheet.figures["Qts"].half_digit == pytest.approx(0.0005)
    assert sheet.figures["Qms"].half_digit == 0.5
    assert sheet.tolerances == pytest.approx({"Fs": 0.1, "Qts": 0.075, "sensitivity_1W": 1.5})


def test_every_figure_of_the_fixed_form_is_taken(tmp_path):
    units = {
        "Re": "ohm", "Znom": "ohm", "Fs": "Hz", "Qms": "", "Qes": "", "Qts": "", "Vas": "l", "Mms": "g", "Cms": "mm/N",
        "Rms": "N*s/m", "Bl": "T*m", "Le": "mH", "Sd": "cm^2", "diameter": "cm", "Xmax": "mm", "Pe": "W", "Ppeak": "W",
        "sensitivity_1W": "dB", "sensitivity_2V83": "dB", "EBP": "Hz",
    }  # fmt: skip
    assert set(units) == set(PUBLISHED)
    lines = "".join(f'{name} = "3.5 {unit}"\n' for name, unit in units.items())
    assert set(read_sheet(write(tmp_path, f"{HEAD}[published]\n{lines}")).figures) == set(units)


@pytest.mark.parametrize(
    ("text", "code", "words"),
    [
        (f'{HEAD}[published]\nfs = "30 Hz"', "wrong_key", "published.fs is not a key of a sheet file; did you mean 'Fs'?"),
        (f'{HEAD}[published]\nQtss = "0.3"', "wrong_key", "did you mean 'Qts'?"),
        (f'{HEAD}[published]\nFs = "30 Hz"\n[tolerance]\nFss = "5 %"', "wrong_key", "did you mean 'Fs'?"),
        (
            f'{HEAD}[published]\nFs = "30 Hz"\n[tolerance]\nQts = "5 %"',
            "wrong_key",
            "tolerance.Qts has no published parameter",
        ),
        (f'{HEAD}Fs = "30 Hz"', "wrong_key", "driver.Fs is not a key of a sheet file; the line [published] is missing"),
        (f'{HEAD}[publised]\nFs = "30 Hz"', "wrong_key", "did you mean 'published'?"),
        (f'{HEAD}maker = "x"\n[published]\nFs = "30 Hz"', "wrong_key", "driver.maker"),
        ('[published]\nFs = "30 Hz"', "missing_key", "driver is missing"),
        ('[driver]\n[published]\nFs = "30 Hz"', "missing_key", "driver.name is missing"),
        (HEAD, "missing_key", "published is missing"),
        (f"{HEAD}[published]", "missing_key", "[published] is empty"),
        (f"{HEAD}[published]\nFs = 30", "wrong_unit", "30 has no unit"),
        (f'{HEAD}[published]\nXmax = "28"\n', "wrong_unit", 'write it like "28 mm"'),
        (f'{HEAD}[published]\nFs = "30 kg"', "wrong_unit", "unit 'kg' does not fit"),
        (f'{HEAD}[published]\nVas = "30 cm^2"', "wrong_unit", "write a unit of m³"),
        (f'{HEAD}[published]\nFs = "-30 Hz"', "wrong_value", "published.Fs must be positive"),
        (f"{HEAD}[published]\nQts = 0", "wrong_value", "published.Qts must be positive"),
        (f'{HEAD}[published]\nFs = "thirty"', "wrong_value", "is not a number"),
        (f"{HEAD}[published]\nQts = nan", "wrong_value", "is not a number"),
        (f"{HEAD}[published]\nQts = true", "wrong_value", "not a bool"),
        (f"{HEAD}[published]\nQts = [0.3]", "wrong_value", "not a list"),
        (f'{HEAD}[published]\nFs = "1e12 Hz"', "wrong_value", "beyond any driver"),
        (f'{HEAD}[published]\nMms = "1e-12 g"', "wrong_value", "beyond any driver"),
        (f'{HEAD}[published]\nFs = "30 Hz"\n[tolerance]\nFs = "5 Hz"', "wrong_unit", "write it in %"),
        (f'{HEAD}[published]\nFs = "30 Hz"\n[tolerance]\nFs = 5', "wrong_unit", "write it in %"),
        (f'{HEAD}[published]\nFs = "30 Hz"\n[tolerance]\nFs = "-5 %"', "wrong_unit", "write it in %"),
        (f'{HEAD}[published]\nFs = "30 Hz"\n[tolerance]\nFs = "0 %"', "wrong_value", "met by nothing"),
        (
            f'{HEAD}[published]\nsensitivity_1W = "88 dB"\n[tolerance]\nsensitivity_1W = "5 %"',
            "wrong_unit",
            "write it in dB",
        ),
    ],
)
def test_what_is_wrong_with_a_sheet_is_said_in_one_sentence(tmp_path, text, code, words):
    path = write(tmp_path, text)
    with pytest.raises(TsfitError) as caught:
        read_sheet(path)
    message = caught.value.message
    assert caught.value.code == code, message
    assert words in message
    assert message.startswith(str(path))
    assert "\n" not in message
    assert caught.value.file == str(path)


def test_a_sheet_becomes_a_driver_or_says_what_it_lacks(tmp_path):
    full = f'{HEAD}[published]\nRe = "5 ohm"\nFs = "40 Hz"\nQms = 4.0\nQes = 0.5\nVas = "36.0 l"\nSd = "200 cm^2"\n'
    driver = read_sheet(write(tmp_path, full)).driver()
    assert driver.Vas == pytest.approx(0.036)
    with pytest.raises(TsfitError, match="Re cannot be had"):
        read_sheet(write(tmp_path, full.replace('Re = "5 ohm"\n', ""))).driver()
