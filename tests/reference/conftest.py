"""Fits that several of these tests look at are made once."""

import pickle
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest
from helpers.paths import SHARED

from tsfit.driver.fit_result import FitResult


@pytest.fixture(scope="session")
def fit_of_others(made_once) -> Callable[[str], FitResult]:
    """``fit_of_others("curves/tweeter-f")``: the fit of a curve that others measured; not to be changed."""

    def make(name: str, folder: Path) -> None:
        from tsfit.driver.curve import State
        from tsfit.fitting.fit import fit
        from tsfit.formats.curve import read_curve

        (folder / "fit.pickle").write_bytes(pickle.dumps(fit([(read_curve(SHARED / f"{name}.txt"), State())])))

    return lambda name: pickle.loads(
        (made_once(f"fit-{name.replace('/', '-')}", partial(make, name)) / "fit.pickle").read_bytes()
    )
