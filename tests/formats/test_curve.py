import numpy as np
import pytest
from helpers.hostile import CHARACTERS, TIMES
from helpers.made_curves import make
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tsfit.base.errors import TsfitError
from tsfit.driver.curve import ImpedanceCurve
from tsfit.formats.curve import read_curve, write_curve

CURVE = make(["free air"], np.random.default_rng(7), errors=False, frequency_hz=np.geomspace(9.0, 4000.0, 120))[0][0][0]
F, Z = CURVE.frequency_hz, CURVE.impedance_ohm
SIZE, DEGREES = np.abs(Z), np.degrees(np.angle(Z))
POLAR = np.column_stack([F, SIZE, DEGREES])
RECTANGULAR = np.column_stack([F, Z.real, Z.imag])


def text(rows, separator=", ", decimal=".", header="", end="\n"):
    lines = [separator.join(repr(float(value)).replace(".", decimal) for value in row) for row in rows]
    return header + end.join(lines) + end


def refusal(path):
    with pytest.raises(TsfitError) as caught:
        read_curve(path)
    error = caught.value
    assert str(path) in error.message
    assert str(error.file) == str(path)
    assert "\n" not in error.message
    assert error.message.rstrip().endswith(".")
    return error


def same(curve, z=Z, f=F, rtol=1e-12):
    np.testing.assert_allclose(curve.frequency_hz, f, rtol=rtol)
    np.testing.assert_allclose(curve.impedance_ohm, z, rtol=rtol)


HEADERS = {
    "polar": ["", "frequency (Hz), magnitude (ohm), phase (deg)\n", "Freq,|Z|,Phase\n", "# F, Z [Ω], Phase [°]\n"],
    "rectangular": [
        "",
        "f,Re(Z),Im(Z)\n",
        "* Hz, R, X\n",
        "Frequency/Hz,Z real/Ohm,Z imag/Ohm\n",
        "// freq, resistance, reactance\n",
    ],
}


@pytest.mark.parametrize(("form", "header"), [(form, header) for form, all_ in HEADERS.items() for header in all_])
def test_reads_both_forms_with_and_without_header(written, form, header):
    curve = read_curve(written(text(POLAR if form == "polar" else RECTANGULAR, ",", header=header)))
    same(curve)
    spoken = [note for note in curve.notes if note.code == "columns"]
    assert len(spoken) == 1
    assert spoken[0].severity == "note"
    assert curve.notes == tuple(spoken)
    assert ("phase (degrees)" in spoken[0].message) == (form == "polar")
    assert curve.variance_ohm2 is None
    assert curve.provenance["format"] == "text"
    assert len(curve.provenance["sha256"]) == 64


@pytest.mark.parametrize("decimal", [".", ","])
@pytest.mark.parametrize("separator", [";", "\t", " ", "   ", " ; ", ","])
def test_separators_and_decimal_signs(written, separator, decimal):
    if separator == decimal == ",":
        assert refusal(written(text(POLAR, separator, decimal))).code == "separators"
    else:
        same(read_curve(written(text(POLAR, separator, decimal))))


def test_mixed_decimal_signs_are_refused(written):
    rows = text(POLAR, ";").replace(".", ",", 1)
    assert refusal(written(rows)).code == "separators"


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1"])
def test_encodings_and_line_ends(written, encoding):
    header = "; bench 3, 21 °C\r\nFreq [Hz];Magnitude [Ohm];Phase [°]\r\n"
    same(read_curve(written(text(POLAR, ";", header=header, end="\r\n").encode(encoding))))


def test_comments_of_all_kinds_are_skipped(written):
    marks = "".join(f"{mark} made by hand\n" for mark in ("#", "*", ";", "!", "//", "%"))
    lines = text(POLAR).splitlines()
    lines.insert(20, "! half time")
    same(read_curve(written(marks + "\n\n" + "\n".join(lines))))


def test_preface_above_a_header_is_skipped(written):
    same(read_curve(written("Measured on Tuesday\n\nFreq(Hz)  Z(ohm)  Phase(deg)\n" + text(POLAR, "\t"))))


@pytest.mark.parametrize(
    "header",
    ["Freq (kHz)\tZ (kOhm)\tPhase (rad)\n", "# Frequency in kHz, impedance in kohm, phase in radians\n", "kHz kohm rad\n"],
)
def test_units_of_the_header_are_obeyed(written, header):
    rows = np.column_stack([F / 1e3, SIZE / 1e3, np.angle(Z)])
    same(read_curve(written(text(rows, "\t", header=header))))


def test_columns_in_another_order_and_extra_ones(written):
    rows = np.column_stack([DEGREES, np.arange(len(F)), F, SIZE])
    curve = read_curve(written(text(rows, ";", header="phase (deg);coherence;freq;mag\n")))
    same(curve)
    (told,) = [note for note in curve.notes if note.code == "ignored_columns"]
    assert told.message == "not used: 1 more column of curve.txt."
    more = read_curve(written(text(np.column_stack([rows, F]), ";", header="phase (deg);coherence;freq;mag;level\n")))
    assert [note for note in more.notes if note.message == "not used: 2 more columns of curve.txt."]


def test_extra_column_without_header_is_refused(written):
    assert refusal(written(text(np.column_stack([POLAR, F])))).code == "columns"


@pytest.mark.parametrize("name", ["stdev", "Sigma (ohm)"])
def test_standard_deviation(written, name):
    stdev = 0.01 + F / 1e5
    rows = np.column_stack([RECTANGULAR, stdev])
    curve = read_curve(written(text(rows, ",", header=f"Hz,real,imag,{name}\n")))
    np.testing.assert_allclose(curve.variance_ohm2, stdev**2, rtol=1e-14)
    rows[4, 3] = 0.0
    assert "line 6" in refusal(written(text(rows, ",", header=f"Hz,real,imag,{name}\n"))).message


def test_phase_from_0_to_360_degrees(written):
    same(read_curve(written(text(np.column_stack([F, SIZE, DEGREES % 360.0])))), rtol=1e-10)
    same(read_curve(written(text(np.column_stack([F, SIZE, DEGREES + 720.0])))), rtol=1e-10)


def test_unsorted_rows_are_sorted_with_a_note(written):
    curve = read_curve(written(text(POLAR[::-1])))
    same(curve)
    assert "sorted" in [note.code for note in curve.notes]


def test_rows_held_at_the_ends_are_dropped_with_a_note(written):
    rows = POLAR.copy()
    rows[:5, 1:] = rows[0, 1:]
    rows[5:7, 1:] = rows[5, 1:]
    rows[-3:, 1:] = rows[-1, 1:]
    rows[50:52, 1:] = rows[50, 1:]
    curve = read_curve(written(text(rows)))
    np.testing.assert_allclose(curve.frequency_hz, F[7:-3], rtol=1e-14)
    told = next(note for note in curve.notes if note.code == "repeated_rows")
    assert told.message.startswith("10 rows")


@pytest.mark.parametrize("header", ["", "f,mag,phase (deg)\n"])
def test_mirrored_phase_is_refused(written, header):
    assert refusal(written(text(POLAR * [1, 1, -1], ",", header=header))).code == "mirrored_phase"
    assert refusal(written(text(RECTANGULAR * [1, 1, -1], ",", header=header and "f,re,im\n"))).code == "mirrored_phase"


def test_phase_in_radians_needs_its_header(written):
    radians = np.column_stack([F, SIZE, np.angle(Z)])
    assert "rad" in refusal(written(text(radians))).message
    same(read_curve(written(text(radians, ",", header="freq,mag,phase (rad)\n"))))
    # A header that leaves the unit open, over numbers that cannot be degrees.
    assert "rad" in refusal(written(text(radians, ",", header="freq,mag,phase\n"))).message


@pytest.mark.parametrize(
    ("header", "scale", "code"),
    [
        ("f (kHz),mag (ohm),phase (deg)\n", [1, 1, 1], "frequency"),
        ("f (Hz),mag (ohm),phase (deg)\n", [1e-3, 1, 1], "frequency"),
        ("f (Hz),mag (kohm),phase (deg)\n", [1, 1, 1], "impedance"),
        ("f (Hz),mag (ohm),phase (deg)\n", [1, 1e-3, 1], "impedance"),
        ("", [1e-3, 1, 1], "frequency"),
        ("", [1, 1e-3, 1], "columns"),
    ],
)
def test_units_that_are_not_those_of_the_numbers_are_refused(written, header, scale, code):
    assert refusal(written(text(POLAR * scale, ",", header=header))).code == code


@pytest.mark.parametrize("coil", ["simple", "ladder-3", "semi-inductance"])
@pytest.mark.parametrize(
    ("low", "high", "figures", "told"),
    [
        (8.0, 6000.0, {}, True),
        (5.0, 20000.0, {"Qms": 2.0, "Qes": 0.3}, True),
        (10.0, 500.0, {"Re": 3.0}, True),
        (8.0, 2000.0, {"Re": 120.0}, True),
        (200.0, 20000.0, {"Fs": 900.0, "Qes": 2.0}, True),
        (20.0, 200.0, {}, True),
        # Too little of the curve for a judgement: the peak's upper flank only.
        (30.0, 100.0, {"Re": 20.0}, False),
        # Nearly flat at 57.3 ohm, where a degree of phase is an ohm of reactance.
        (8.0, 2000.0, {"Re": 57.3, "Qms": 1.2, "Qes": 8.0}, False),
    ],
)
def test_headerless_columns_are_read_right_or_not_at_all(written, coil, low, high, figures, told):
    f = np.geomspace(low, high, 150)
    curves, _, _ = make(["free air"], np.random.default_rng(3), errors=False, coil=coil, frequency_hz=f, **figures)
    z = curves[0][0].impedance_ohm
    for columns in ((np.abs(z), np.degrees(np.angle(z))), (z.real, z.imag)):
        path = written(text(np.column_stack([f, *columns])))
        if told:
            same(read_curve(path), z, f)
        else:
            assert refusal(path).code == "columns"


BROKEN = [
    ("", "empty", "empty"),
    ("\n \n", "empty", "empty"),
    ("# only words\n", "empty", "no rows"),
    ("dear diary\nit rained\n", "empty", "no rows"),
    (b"\x89PNG\r\n\x1a\n\x00\x00\x00", "not_text", "is no impedance curve but a picture"),
    (text(POLAR[:, :2]), "columns", "has 2 columns; export the phase too"),
    (text(POLAR[:, :1]), "columns", "has 1 column; export the phase too"),
    (text(RECTANGULAR) + "1.1e8, 7.0, 3.0\n", "frequency", "line 121: 110000000 Hz is no driver's frequency"),
    (text(RECTANGULAR) + "5000, 1.1e8, 3.0\n", "impedance", "line 121: 110000000 ohm is no driver's impedance"),
    (text(POLAR[:9]), "few_points", "9 measured points"),
    (text(POLAR) + "5000, 7.0\n", "ragged", "line 121"),
    (text(POLAR) + "5000, nan, 3.0\n", "not_a_number", "line 121"),
    (text(POLAR) + "5000, inf, 3.0\n", "not_a_number", "line 121"),
    (text(POLAR) + "5000, 1e999, 3.0\n", "not_a_number", "line 121"),
    (text(POLAR) + "5000, 1_0, 3.0\n", "not_a_number", "line 121"),
    (text(POLAR) + "5000, seven, 3.0\n", "not_a_number", "line 121"),
    (text(POLAR[:60]) + "the end\n" + text(POLAR[60:]), "not_a_number", "line 61"),
    (text(POLAR) + "0, 7.0, 3.0\n", "frequency", "line 121"),
    (text(POLAR) + "-5, 7.0, 3.0\n", "frequency", "line 121"),
    (text(POLAR) + text(POLAR[30:31] * [1, 2, 1]), "frequency", "line 121"),
    (text(POLAR * [1, -1, 1], ",", header="f,mag,phase (deg)\n"), "impedance", "line 2"),
    (text(RECTANGULAR * [1, -1, 1], ",", header="f,re,im\n"), "impedance", "negative resistance"),
    (text(RECTANGULAR * [1, -1, 1]), "columns", "no impedance"),
    (text(POLAR, ",", header="Frequency,SPL,Phase\n"), "columns", "line 1"),
    (text(POLAR, ",", header="# f [kHz], level [dB], phase\n"), "columns", "line 1"),
    (text(POLAR, " ", header="# frequencies [kHz]\n"), "columns", "line 1"),
    (text(POLAR, ",", header="f,Z,X\n"), "columns", "line 1"),
    (text(POLAR, ",", header="uno,due,tre\n"), "columns", "line 1"),
    (text(np.column_stack([F, np.full(120, 8.0), np.linspace(1.0, 80.0, 120)])), "columns", "--columns"),
    ("x" * 5000, "ragged", "characters"),
]


@pytest.mark.parametrize(("content", "code", "words"), BROKEN)
def test_refusals_name_place_and_cause(written, content, code, words):
    error = refusal(written(content))
    assert error.code == code
    assert words in error.message


def test_missing_folder_and_too_large(tmp_path):
    assert refusal(tmp_path / "absent.txt").code == "cannot_read"
    assert refusal(tmp_path).code == "cannot_read"
    huge = tmp_path / "huge.txt"
    with huge.open("wb") as stream:
        stream.truncate(50_000_001)
    assert refusal(huge).code == "too_large"


def test_never_written_over(tmp_path):
    path = tmp_path / "curve.csv"
    write_curve(CURVE, path)
    before = path.read_bytes()
    with pytest.raises(TsfitError) as caught:
        write_curve(CURVE, path)
    assert caught.value.code == "exists"
    assert path.read_bytes() == before
    with pytest.raises(TsfitError, match=r"\.s1p"):
        write_curve(CURVE, tmp_path / "curve.s2p")


drivers = st.fixed_dictionaries(
    {
        "Re": st.floats(1.0, 12.0),
        "Fs": st.floats(30.0, 90.0),
        "Qms": st.floats(1.5, 12.0),
        "Qes": st.floats(0.2, 2.0),
    }
)
BOUNDED = settings(
    derandomize=True,
    max_examples=max(1, round(100 * TIMES)),
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


@BOUNDED
@given(figures=drivers, suffix=st.sampled_from([".txt", ".s1p"]), noisy=st.booleans())
def test_written_curves_come_back(tmp_path, figures, suffix, noisy):
    ((made, _),) = make(["free air"], np.random.default_rng(0), errors=False, frequency_hz=F, **figures)[0]
    curve = ImpedanceCurve(F, made.impedance_ohm, made.variance_ohm2 if noisy else None)
    path = tmp_path / f"curve{suffix}"
    path.unlink(missing_ok=True)
    write_curve(curve, path)
    back = read_curve(path)
    same(back, curve.impedance_ohm, rtol=1e-12 if suffix == ".s1p" else 0.0)
    if noisy and suffix == ".txt":
        np.testing.assert_allclose(back.variance_ohm2, curve.variance_ohm2, rtol=1e-14)
    else:
        assert back.variance_ohm2 is None


@BOUNDED
@given(
    figures=drivers,
    separator=st.sampled_from([";", "\t", " ", " ; ", "\t\t"]),
    decimal=st.sampled_from([".", ","]),
    header=st.sampled_from(["", "Hz{0}ohm{0}deg\n", "# freq{0}mag{0}phase\n", "* by hand\n"]),
    end=st.sampled_from(["\n", "\r\n", " \r\n", "\n\n"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "latin-1"]),
)
def test_dialects_say_the_same(tmp_path, figures, separator, decimal, header, end, encoding):
    if separator == "\t\t":
        separator, header = "\t", header.replace("{0}", "  ")
    ((made, _),) = make(["free air"], np.random.default_rng(0), errors=False, frequency_hz=F, **figures)[0]
    z = made.impedance_ohm
    content = text(
        np.column_stack([F, np.abs(z), np.degrees(np.angle(z))]), separator, decimal, header.format(separator), end
    )
    path = tmp_path / "curve.txt"
    path.write_bytes(content.encode(encoding))
    same(read_curve(path), z)


LINES = st.one_of(
    st.text(CHARACTERS, max_size=40),
    st.sampled_from(
        ["# Hz S RI R 50", "Hz ohm deg", "[Version] 2.0", "# GHZ S DB R", "f;re;im", "!", "# KHZ Y MA R 1e400"]
    ),
    st.lists(st.floats(allow_nan=True, allow_infinity=True).map(repr), min_size=1, max_size=5).map(" ".join),
    st.lists(st.floats(-1e6, 1e6).map(repr), min_size=3, max_size=3).map(";".join),
    st.lists(st.integers(-9, 10**400).map(str), min_size=3, max_size=3).map(",".join),
)


@settings(BOUNDED, max_examples=max(1, round(500 * TIMES)))
@given(
    content=st.one_of(st.binary(max_size=300), st.lists(LINES, max_size=30).map("\n".join)),
    name=st.sampled_from(["a.txt", "a.s1p"]),
)
def test_garbage_gives_nothing_but_our_error(tmp_path, content, name):
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode(errors="replace"))
    refusal(path)


@BOUNDED
@given(st.data())
def test_a_damaged_curve_is_refused_or_read_in_bounds(tmp_path, data):
    raw = bytearray(text(POLAR, "\t", header="f\tmag\tdeg\n").encode())
    for _ in range(data.draw(st.integers(1, 4))):
        raw[data.draw(st.integers(0, len(raw) - 1))] = data.draw(st.integers(0, 255))
    path = tmp_path / "damaged.txt"
    path.write_bytes(bytes(raw))
    try:
        curve = read_curve(path)
    except TsfitError:
        refusal(path)
        return
    assert np.all(np.diff(curve.frequency_hz) > 0.0)
    assert np.all(np.isfinite(curve.impedance_ohm))


def test_a_result_of_ours_is_no_curve(tmp_path):
    path = tmp_path / "fit.json"
    path.write_text('\n{"schema": 1, "kind": "fit"}\n')
    with pytest.raises(TsfitError, match="is no impedance curve but a fit") as error:
        read_curve(path)
    assert error.value.file == str(path)
