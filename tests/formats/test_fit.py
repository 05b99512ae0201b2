import copy
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from helpers.made_fit import FREE_AIR_ONLY, made_driver, made_fit

from tsfit.base.errors import TsfitError
from tsfit.base.files import is_json, to_json
from tsfit.driver.air import Air
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.fit_result import FittedLine, FittedState
from tsfit.driver.record import Driver
from tsfit.formats.fit import SCHEMA, fit_to_dict, read_fit


def save(folder: Path, data: object) -> Path:
    path = folder / "fit.json"
    path.write_text(data if isinstance(data, str) else to_json(data), encoding="utf-8")
    return path


CREEPING = Driver(
    "Dunnock", 3.3, 28.0, 5.0, 0.5, Mms=0.05, Sd=0.03, coil="power-law", coil_values={"K": 0.02, "n": 0.7},
    suspension="log-creep", suspension_values={"creep": 0.1}, serial="A-0417", air=Air(23.0, 950.0, 40.0),
    Xmax=0.006, Pe=120.0,
)  # fmt: skip


@pytest.mark.parametrize(
    "driver", [made_driver(), CREEPING, replace(CREEPING, Mms=None), replace(CREEPING, Mms=None, Sd=None, serial=None)]
)
def test_a_fit_returns_from_its_file_as_it_was(tmp_path, driver):
    fit = made_fit(driver)
    back = read_fit(save(tmp_path, fit_to_dict(fit)))
    assert back.driver == driver
    assert back.parameters == fit.parameters
    assert back.correlation_names == fit.correlation_names
    np.testing.assert_array_equal(back.correlation, fit.correlation)
    assert back.quality == fit.quality
    assert back.provenance == fit.provenance
    assert back.candidates == fit.candidates
    assert back.budget == fit.budget


def test_terms_that_no_sweep_told_are_kept_apart(tmp_path):
    fit = made_fit(only=FREE_AIR_ONLY)
    data = fit_to_dict(fit)
    assert data["driver"]["given"] == {"Mms": 0.0322, "Sd": 0.0236, "Le": 4e-4, "L2": 6e-4, "R2": 3.0}
    assert set(data["parameters"]) == set(FREE_AIR_ONLY)
    assert read_fit(save(tmp_path, data)).driver == fit.driver


def test_the_form_is_the_fixed_one():
    data = fit_to_dict(made_fit())
    keys = ["schema", "kind", "driver", "model", "parameters", "correlation", "systematic", "quality", "provenance"]
    keys += ["sweeps", "budget", "candidates", "conditions", "agreement"]
    assert list(data) == keys
    assert data["schema"] == 1
    assert data["model"] == {"coil": "ladder-2", "suspension": "ideal"}
    assert set(data["parameters"]["Re"]) == {"value", "stdev", "interval95", "unit"}
    assert set(data["quality"][0]) == {"sweep", "code", "severity", "message"}


def test_a_fit_of_the_fixed_form_alone_is_read_and_further_driver_keys_are_left_alone(tmp_path):
    estimate = {"value": 3.0, "stdev": 0.01, "interval95": [2.98, 3.02], "unit": "ohm"}
    path = save(
        tmp_path,
        {
            "schema": 1,
            "driver": {"name": "Dunnock", "serial": None, "coils": 2},
            "model": {"coil": "simple", "suspension": "ideal"},
            "parameters": dict.fromkeys(("Re", "Fs", "Qms", "Qes", "Le"), estimate),
            "correlation": {"names": [], "matrix": []},
            "quality": [],
            "provenance": {},
        },
    )
    fit = read_fit(path)
    assert fit.driver == Driver("Dunnock", 3.0, 3.0, 3.0, 3.0, coil_values={"Le": 3.0})
    assert fit.correlation.shape == (0, 0)


def swept():
    """A fit with one sweep, for its figure."""
    frequency = np.geomspace(5.0, 2e4, 7)
    fitted = 6.0 + 1e-3j * frequency
    curve = ImpedanceCurve(frequency, fitted * 1.001)
    used = np.arange(7) > 1
    state = FittedState(curve, State("added mass", mass=0.04, wiring="series"), used, fitted, np.full(7, 0.01))
    return replace(made_fit(), states=(state,))


def test_the_sweeps_come_back_to_six_digits(tmp_path):
    fit = swept()
    (back,) = read_fit(save(tmp_path, fit_to_dict(fit))).states
    (sent,) = fit.states
    assert back.state == sent.state
    np.testing.assert_array_equal(back.used, sent.used)
    np.testing.assert_allclose(back.curve.frequency_hz, sent.curve.frequency_hz)
    for name in ("fitted_ohm", "sigma_ohm"):
        np.testing.assert_allclose(getattr(back, name), getattr(sent, name), rtol=2e-6)
    np.testing.assert_allclose(back.curve.impedance_ohm, sent.curve.impedance_ohm, rtol=2e-6)


def test_the_line_between_the_points_comes_back_and_older_files_have_none(tmp_path):
    (sent,) = swept().states
    line = FittedLine(np.array([5.0, 71.25, 2e4]), np.array([6.0, 6.1 - 2.5j, 26.0 + 7j]))
    data = fit_to_dict(replace(swept(), states=(replace(sent, follow=lambda: line),)))
    (back,) = read_fit(save(tmp_path, data)).states
    np.testing.assert_array_equal(back.line.frequency_hz, line.frequency_hz)
    np.testing.assert_array_equal(back.line.ohm, line.ohm)
    for name in ("frequency_hz", "line_hz"):
        rising = data["sweeps"][0][name]
        for broken in (rising[::-1], [-5.0, *rising[1:]], [0.0, *rising[1:]]):
            torn = copy.deepcopy(data)
            torn["sweeps"][0][name] = broken
            with pytest.raises(TsfitError, match=rf"sweeps\.0 must hold a {name} that rises from above 0"):
                read_fit(save(tmp_path, torn))
    data["sweeps"][0]["line_hz"].pop()
    with pytest.raises(TsfitError, match=r"sweeps\.0 must hold as many line_ohm as line_hz"):
        read_fit(save(tmp_path, data))
    del data["sweeps"][0]["line_hz"], data["sweeps"][0]["line_ohm"]
    assert read_fit(save(tmp_path, data)).states[0].line is None


def test_sweeps_of_unlike_lengths_are_refused(tmp_path):
    data = fit_to_dict(swept())
    data["sweeps"][0]["used"].pop()
    with pytest.raises(TsfitError, match=r"sweeps\.0 must hold lists of one length"):
        read_fit(save(tmp_path, data))


def changed(**changes: object) -> str:
    """JSON text of a good fit with values put at dotted places; the value `...` takes the key away."""
    data = json.loads(to_json(fit_to_dict(made_fit())))
    for place, value in changes.items():
        *steps, last = place.split("__")
        table = data
        for step in steps:
            table = table[step]
        if value is ...:
            del table[last]
        else:
            table[last] = value
    return json.dumps(data)


@pytest.mark.parametrize(
    ("text", "code", "words"),
    [
        ("", "not_a_fit", "not valid JSON"),
        ("[1, 2]", "not_a_fit", "JSON, but not a fit"),
        ("{}", "not_a_fit", "JSON, but not a fit"),
        ('{"frequency_hz": [1]}', "not_a_fit", "JSON, but not a fit"),
        (changed()[:400], "not_a_fit", "not valid JSON"),
        ("[" * 100000, "not_a_fit", "not valid JSON"),
        ('{"error": {"code": "clipping", "message": "x", "file": null}}', "not_a_fit", "a job that failed"),
        (changed(schema=SCHEMA + 1), "newer_schema", "use a newer tsfit"),
        (changed(schema="1"), "wrong_value", "schema must be 1"),
        (changed(schema=...), "wrong_value", "schema must be 1"),
        (changed(driver=...), "missing_key", "driver is missing"),
        (changed(driver__name=...), "missing_key", "driver.name is missing"),
        (changed(model=...), "missing_key", "model is missing"),
        (changed(model__coil="ladder-9"), "wrong_value", "model.coil must be one of simple, ladder-2"),
        (changed(model__suspension="rubber"), "wrong_value", "model.suspension must be one of ideal"),
        (changed(model__suspension="log-creep"), "missing_key", "parameters.creep is missing"),
        (changed(parameters={}), "wrong_value", "parameters"),
        (changed(parameters__Re=...), "missing_key", "parameters.Re is missing"),
        (changed(parameters__Rms=...), "missing_key", "parameters.Rms is missing"),
        (changed(parameters__Re__value=...), "missing_key", "parameters.Re.value is missing"),
        (changed(parameters__Re__value="5.6"), "wrong_value", "parameters.Re.value"),
        (changed(parameters__Re__value=None), "wrong_value", "parameters.Re.value"),
        (changed(parameters__Re__value=float("nan")), "wrong_value", "finite"),
        (changed(parameters__Re__value=float("inf")), "wrong_value", "finite"),
        (changed(parameters__Re__stdev=-0.1), "wrong_value", "parameters.Re.stdev"),
        (changed(parameters__Re__interval95=[1.0]), "wrong_value", "parameters.Re.interval95"),
        (changed(parameters__Re__value=9.9), "wrong_value", "lies outside its own interval95"),
        (
            changed(parameters__Fs={"value": -3.0, "stdev": 0.1, "interval95": [-4.0, -2.0], "unit": "Hz"}),
            "wrong_value",
            "parameters.Fs must be positive",
        ),
        (
            changed(parameters__Vas={"value": 0.0, "stdev": 0.1, "interval95": [0.0, 1.0], "unit": "m^3"}),
            "wrong_value",
            "parameters.Vas must be positive",
        ),
        (changed(correlation__matrix=[[1.0]]), "wrong_value", "correlation.matrix must be 2 by 2"),
        (changed(quality=[{"code": "hum"}]), "missing_key", "quality[1].severity is missing"),
        (changed(driver__air={"pressure_hpa": 101325.0}), "wrong_value", "driver.air.pressure_hpa"),
        (changed(driver__given={"Sd": -0.01}), "wrong_value", "driver.given.Sd"),
    ],
)
def test_what_is_wrong_with_a_fit_is_said_in_one_sentence(tmp_path, text, code, words):
    path = save(tmp_path, text)
    with pytest.raises(TsfitError) as caught:
        read_fit(path)
    message = caught.value.message
    assert caught.value.code == code, message
    assert words in message
    assert message.startswith(str(path))
    assert message.endswith(".")
    assert "\n" not in message
    assert caught.value.file == str(path)


def test_binary_and_missing_files_are_refused(tmp_path):
    path = tmp_path / "fit.json"
    path.write_bytes(b"RIFF\xff\xfe\x00\x01WAVE")
    with pytest.raises(TsfitError, match="is no fit but a recording"):
        read_fit(path)
    with pytest.raises(TsfitError, match="cannot be read"):
        read_fit(tmp_path / "none.json")


@pytest.mark.parametrize(
    ("name", "content", "answer"),
    [
        ("a.json", "", True),
        ("a.txt", ' \n{"schema": 1}', True),
        ("a.txt", '\ufeff{"schema": 1}', True),
        ("a.toml", "[driver]", False),
        ("a", "# sheet\n[driver]", False),
    ],
)
def test_json_is_told_from_toml_by_content_or_name(tmp_path, name, content, answer):
    path = tmp_path / name
    path.write_text(content, encoding="utf-8")
    assert is_json(path) is answer


@pytest.mark.parametrize(
    ("names", "matrix"),
    [
        (["Re", "Fs"], [[1.0, 0.1], [1000.0, 1.0]]),
        (["Re", "Fs"], [[1.0, 1.5], [1.5, 1.0]]),
        (["Re", "Fs", "Qms"], [[1.0, 0.9, 0.9], [0.9, 1.0, -0.9], [0.9, -0.9, 1.0]]),
        (["Re", "Re"], [[1.0, 1.0], [1.0, 1.0]]),
        (["Re", "Nothing"], [[1.0, 0.0], [0.0, 1.0]]),
    ],
)
def test_correlations_that_cannot_be_are_refused(tmp_path, names, matrix):
    data = fit_to_dict(made_fit())
    data["correlation"] = {"names": names, "matrix": matrix}
    path = tmp_path / "fit.json"
    path.write_text(to_json(data))
    with pytest.raises(TsfitError, match=r"correlation\.") as caught:
        read_fit(path)
    assert caught.value.code == "wrong_value"


def test_a_fit_of_free_air_comes_back_without_forces_that_it_cannot_tell(tmp_path):
    """Structural loss is a force per travel: without a moving mass the fit has it, and tells it not."""
    fit = made_fit(made_driver(Mms=None, Sd=None, suspension="structural", suspension_values={}), only=FREE_AIR_ONLY)
    assert "Lambda" not in fit.parameters
    back = read_fit(save(tmp_path, to_json(fit_to_dict(fit))))
    assert (back.driver.suspension, back.driver.suspension_values) == ("structural", {})
    heavy = made_fit(made_driver(suspension="structural", suspension_values={"Lambda": 40.0}))
    with pytest.raises(TsfitError, match="Lambda is missing"):
        read_fit(save(tmp_path, to_json(fit_to_dict(heavy)).replace('"Lambda"', '"Other"')))
