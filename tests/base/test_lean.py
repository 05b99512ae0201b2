"""What a command loads of lmfit, each time in a process of its own."""

import json
import subprocess
import sys

import pytest

LOAD = "import json, sys; from tsfit.base.lean import for_a_command, load_lmfit; {first}; load_lmfit(); import lmfit; "
LEFT = ("scipy.stats", "scipy.interpolate", "matplotlib", "pandas", "emcee")
ASK = (
    f"left = [name for name in {LEFT} if name in sys.modules]; "
    "import numpy as np; x, y = np.array([-1.0, 0.0, 1.0]), np.array([1.0, 1.5, 3.0]); "
    "one = lmfit.Minimizer(lambda p: p['a'].value + p['b'].value * x - y, lmfit.create_params(a=1.0, b=1.0)); "
    "table = lmfit.conf_interval(one, one.leastsq(), sigmas=[1]); "
    "spline = lmfit.models.splrep(np.arange(5.0), np.arange(5.0) ** 2); "
    "found = left, table, float(lmfit.models.splev(2.5, spline)), lmfit.model._HAS_MATPLOTLIB"
)


def said(first, then, folder=None):
    script = f"{LOAD.format(first=first)}{then}; print(json.dumps(found))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=folder)
    return json.loads(done.stdout)


def test_a_command_loads_what_no_command_asks_of_lmfit_once_it_is_asked():
    """An interval takes a quantile of scipy.stats and is the same; a cubic through squares is x² to the last digit."""
    left, table, spline, draws = said("for_a_command()", ASK)
    everything, as_ever, _, draws_as_ever = said("pass", ASK)
    assert left == [] != everything
    assert table == as_ever
    low, middle, high = (value for _, value in table["a"])
    assert middle == pytest.approx(5.5 / 3.0, abs=1e-6)
    assert high - middle == pytest.approx(middle - low, rel=1e-3)
    assert spline == pytest.approx(6.25, rel=1e-12)
    assert (draws, draws_as_ever) == (False, True)


def test_what_was_loaded_before_stays_and_what_is_loaded_later_is_whole():
    then = "import scipy.stats; found = [scipy.stats.norm.cdf(0.0), lmfit.model._HAS_MATPLOTLIB]"
    assert said("import matplotlib; for_a_command()", then) == [0.5, True]


def test_where_a_lean_lmfit_cannot_be_loaded_the_whole_one_is(tmp_path):
    """A version to come that cannot do without what is kept from it."""
    package = tmp_path / "lmfit"
    package.mkdir()
    package.joinpath("part.py").write_text("")
    package.joinpath("__init__.py").write_text(
        "from scipy.stats import norm\nfrom . import part\nassert type(norm).__name__ != '_Later'\n"
    )
    assert said("for_a_command()", "found = lmfit.norm.cdf(0.0)", tmp_path) == 0.5


def test_beside_other_threads_the_whole_one_is_loaded():
    """Another thread that loads matplotlib at that moment would be told that there is none."""
    script = "import threading; from tsfit.base.lean import for_a_command, load_lmfit; for_a_command(); "
    script += "one = threading.Thread(target=load_lmfit); one.start(); one.join(); "
    done = subprocess.run(
        [sys.executable, "-c", f"{script}import lmfit; print(lmfit.model._HAS_MATPLOTLIB)"], capture_output=True, check=True
    )
    assert done.stdout.split() == [b"True"]
