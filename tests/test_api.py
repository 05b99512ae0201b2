"""The fit from Python: same numbers as underneath, drawn, printed and exported; nothing heavy on import."""

import subprocess
import sys

import numpy as np
import pytest
from helpers.paths import ROOT

import tsfit
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver.record import Driver


@pytest.fixture(scope="module")
def fitted():
    driver = Driver("x", 5.4, 30.0, 5.0, 0.4, 1.0, 1.0, coil="ladder-2", coil_values={"Le": 9e-4, "L2": 8e-4, "R2": 6.0})
    f = np.geomspace(8.0, 4000.0, 200)
    z = impedance(f, driver.values(), Circuit("ladder-2"))
    z = z * (1.0 + 1e-3 * np.random.default_rng(1).standard_normal(len(z)))
    curve = tsfit.ImpedanceCurve(f, z, source="made")
    return tsfit.fit(curve, name="<b>Knot</b> & 12", coil="ladder-2", suspension="ideal")


def test_values_and_the_lmfit_result(fitted):
    assert fitted.parameters["Fs"].value == pytest.approx(30.0, rel=1e-3)
    assert fitted.minimizer().params["Fs"].value == pytest.approx(np.log(fitted.parameters["Fs"].value), abs=1e-6)
    assert fitted.to_dict()["parameters"]["Fs"]["value"] == fitted.parameters["Fs"].value


def test_a_notebook_gets_a_table_with_names_escaped(fitted):
    page = fitted._repr_html_()
    assert "<table>" in page
    assert "&lt;b&gt;Knot&lt;/b&gt; &amp; 12" in page
    assert "<b>" not in page


def test_a_figure_and_a_subcircuit(fitted):
    assert fitted.plot().axes
    assert ".subckt driver_b_Knot_b_12" in fitted.spice()


def test_a_bench_file():
    bench = ROOT / "sample_data/saltwit-12-shunt-bench.toml"
    assert tsfit.fit_bench(bench, coil="ladder-2", suspension="ideal").driver.name == "Saltwit 12"


def test_an_unknown_name():
    with pytest.raises(AttributeError, match="fitt"):
        _ = tsfit.fitt


def test_every_exported_name_is_there():
    assert all(getattr(tsfit, name) is not None for name in tsfit.__all__)
    assert set(tsfit.__all__) <= set(dir(tsfit))


def test_import_loads_nothing_heavy():
    code = "import sys, tsfit; sys.exit(bool({'numpy', 'scipy', 'matplotlib', 'lmfit', 'pydantic'} & set(sys.modules)))"
    assert subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=False).returncode == 0
