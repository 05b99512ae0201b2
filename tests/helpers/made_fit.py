"""A fit made from a driver, so that tests of its readers need no recording."""

import numpy as np

from tsfit.base.notes import QualityNote
from tsfit.driver.air import REFERENCE_AIR, Air
from tsfit.driver.fit_result import Estimate, FitResult, ModelCandidate
from tsfit.driver.formulas import sensitivity_1w, sensitivity_2v83
from tsfit.driver.parameters import PARAMETERS
from tsfit.driver.record import Driver

FREE_AIR_ONLY = ("Re", "Fs", "Qms", "Qes", "Qts", "Le_1kHz")


def made_driver(air: Air = REFERENCE_AIR, **changes) -> Driver:
    figures = {"Re": 5.62, "Fs": 33.9, "Qms": 3.7, "Qes": 0.45, "Mms": 0.0322, "Sd": 0.0236, **changes}
    return Driver("Wagtail 8", **figures, coil="ladder-2", coil_values={"Le": 4e-4, "L2": 6e-4, "R2": 3.0}, air=air)


def made_fit(driver: Driver | None = None, spread: float = 0.002, only: tuple[str, ...] | None = None) -> FitResult:
    """Return a fit whose every parameter has the relative standard uncertainty `spread` (0.1 dB for a level)."""
    driver = driver or made_driver()
    values = {name: getattr(driver, name) for name in ("Re", "Fs", "Qms", "Qes", "Qts")}
    if driver.Mms is not None:
        values |= {name: getattr(driver, name) for name in ("Mms", "Sd", "Cms", "Rms", "Bl", "Vas", "eta0")}
        values["sensitivity_1W"] = float(sensitivity_1w(driver.eta0, driver.air))
        values["sensitivity_2V83"] = float(sensitivity_2v83(driver.eta0, driver.Re, driver.air))
    values |= {"Le_1kHz": 0.8e-3, **driver.coil_values, **driver.suspension_values}
    parameters = {}
    for name, value in values.items():
        if only is None or name in only:
            stdev = 0.1 if name.startswith("sensitivity") else spread * value
            parameters[name] = Estimate(value, stdev, (value - 1.96 * stdev, value + 1.96 * stdev), PARAMETERS[name].unit)
    return FitResult(
        driver=driver,
        parameters=parameters,
        correlation_names=("Re", "Fs"),
        correlation=np.array([[1.0, 0.1], [0.1, 1.0]]),
        quality=(QualityNote("hum", "warn", "Hum at 50 Hz in sweep 1.", 0),),
        provenance={"software": "tsfit"},
        budget={"Qts": {"noise": 0.0004, "sample clock": 1e-6}},
        candidates=(
            ModelCandidate("ladder-2", "ideal", 0.0, 0.0, 1.0, 0.3, 0.4, 0.09),
            ModelCandidate("simple", "ideal", None, None, 0.0, None, None, None, "the fit ran away"),
        ),
    )
