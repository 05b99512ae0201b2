from pathlib import Path
from typing import Annotated

import pytest
from pydantic import Field

from tsfit.base.errors import TsfitError
from tsfit.formats.toml import MAX_BYTES, Table, load_toml, read_toml


class Sweep(Table):
    recording: str
    length_cm: Annotated[float, Field(ge=0.1, le=200)] | None = None
    mass_g: float | None = None
    volume_l: float | None = None


class Bench(Table):
    name: str
    sweep: list[Sweep] = []  # noqa: RUF012


def write(folder: Path, text: str | bytes) -> Path:
    path = folder / "bench.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def refusal(path: Path) -> TsfitError:
    with pytest.raises(TsfitError) as caught:
        read_toml(path, Bench, "bench")
    assert str(path) in caught.value.message
    assert caught.value.message.endswith(".") or caught.value.message.endswith("?")
    assert "\n" not in caught.value.message
    return caught.value


def test_keys_with_units_and_printed_values_are_both_read(tmp_path):
    path = write(
        tmp_path,
        '\ufeffname = "Dipper"\n[[sweep]]\nrecording = "a.wav"\nmass_g = 40\n'
        '[[sweep]]\nrecording = "b"\nvolume = "1.00 ft^3"\n',
    )
    bench = read_toml(path, Bench, "bench")
    assert bench.sweep[0].mass_g == 40.0
    assert bench.sweep[1].volume_l == pytest.approx(28.316846592)


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("254", '"254 mm"'),
        ("1950.5", '"1950.5 mm"'),
        ("0.05", '"0.05 m"'),
        ("0.002", '"0.002 m"'),
        ("-25", None),
        ("1e9", None),
        ("1" + "0" * 400, None),
    ],
)
def test_a_value_beyond_its_bounds_is_told_in_the_unit_in_which_it_may_be_meant(tmp_path, typed, meant):
    error = refusal(write(tmp_path, f'name = "x"\n[[sweep]]\nrecording = "a"\nlength_cm = {typed}\n'))
    assert error.code == "wrong_value"
    assert "given: " in error.message
    if meant is None:
        assert "if that is what it is in" not in error.message
    else:
        assert f"or write length = {meant}" in error.message
        number = meant.strip('"')
        read = read_toml(write(tmp_path, f'name = "x"\n[[sweep]]\nrecording = "a"\nlength = "{number}"\n'), Bench, "bench")
        assert 0.1 <= read.sweep[0].length_cm <= 200


def test_floats_keep_the_digits_as_written(tmp_path):
    number = load_toml(write(tmp_path, "q = 0.50"), "bench")["q"]
    assert str(number) == "0.50"
    assert number == 0.5


@pytest.mark.parametrize(
    ("text", "code", "words"),
    [
        ('nmae = "x"\nname = "x"', "wrong_key", "did you mean 'name'?"),
        ('name = "x"\n[[sweep]]\nrecording = "a"\nMASS_G = 4', "wrong_key", "sweep[1].MASS_G"),
        ('name = "x"\n[[sweep]]\nrecording = "a"\nMASS_G = 4', "wrong_key", "did you mean 'mass_g'?"),
        ('name = "x"\nzzz = 1', "wrong_key", "use one of name, sweep"),
        ("", "missing_key", "name is missing"),
        ('name = "x"\n[[sweep]]\nmass_g = 4', "missing_key", "sweep[1].recording is missing"),
        ("name = 3", "wrong_value", "name: input should be a valid string (given: 3)"),
        ('name = "x"\n[[sweep]]\nrecording = "a"\nmass_g = nan', "wrong_value", "finite"),
        ('name = "x"\n[[sweep]]\nrecording = "a"\nmass = "4 s"', "wrong_value", "unit 's' does not fit"),
        ("name = ", "not_toml", "not a valid TOML bench file"),
        ('{"kind": "travel"}', "not_toml", "is no bench file but a result of tsfit travel"),
        (
            "# 1,5\nx = 2\nq = -25,6  # as on paper\n",
            "not_toml",
            "line 3: -25,6 has a decimal comma; a bench file wants a point: -25.6.",
        ),
        ('name = "x"\n[published]\nRe = "5 ohm"', "wrong_key", "is no bench file but a datasheet; tsfit check takes it"),
        (b"\xff\xfe\x00", "not_toml", "not a valid TOML bench file"),
        ("a = " + "[" * 5000, "not_toml", "not a valid TOML bench file"),
        ("a = " + "9" * 5000, "not_toml", "not a valid TOML bench file"),
        ("#" * (MAX_BYTES + 1), "not_toml", "too large"),
    ],
)
def test_what_is_off_is_said_in_one_sentence(tmp_path, text, code, words):
    error = refusal(write(tmp_path, text))
    assert error.code == code
    assert words in error.message


def test_a_missing_file_and_a_folder_are_named(tmp_path):
    assert refusal(tmp_path / "none.toml").code == "missing_file"
    assert refusal(tmp_path).code == "missing_file"


def test_a_misspelt_required_key_is_named_rather_than_called_missing(tmp_path):
    error = refusal(write(tmp_path, 'naem = "Dipper"'))
    assert error.code == "wrong_key"
    assert "did you mean 'name'?" in error.message


def test_a_name_that_no_file_can_have_is_refused(tmp_path):
    with pytest.raises(TsfitError, match="no file can be named so") as caught:
        load_toml(tmp_path / "a\0b.toml", "rig")
    assert caught.value.code == "missing_file"
