"""What a perfect measurement at full travel tells of an invented driver."""

from dataclasses import replace

import numpy as np

from helpers.made_large_signal import CURVED
from helpers.made_travel_result import made_travel_result
from tsfit.driver.fit_result import Estimate
from tsfit.driver.formulas import complete
from tsfit.driver.record import Driver
from tsfit.driver.travel_result import TravelCurves

SD = 0.05


def travel_of(driver=CURVED, reach=0.012):
    """What a perfect measurement of `driver` up to `reach` tells."""
    x = np.linspace(-reach, reach, 81)
    rest = {"Re": driver.Re, "Mms": driver.Mms, "Cms": 1.0 / float(driver.at("K", 0.0)), "Rms": driver.friction}
    rest |= {"Bl": float(driver.at("Bl", 0.0))}
    rest |= {"Fs": float(complete(rest)["Fs"]), "Le": driver.Le, "L2": driver.L2, "R2": driver.R2}
    rest["creep"] = driver.arm * rest["Cms"]
    none = np.zeros(81)
    curves = (driver.at("Bl", x), driver.at("K", x), (driver.Le + driver.L2) * driver.at("shape", x))
    return replace(
        made_travel_result(),
        curves=TravelCurves(x, curves[0], none, curves[1], none, curves[2], none),
        parameters={name: Estimate(value, 0.0, (value, value), "") for name, value in rest.items()},
        orders={"Bl": 4, "K": 4, "L": 3},
    )


def driver_of(told):
    rest = {name: one.value for name, one in told.parameters.items()}
    known = complete({name: rest[name] for name in ("Re", "Mms", "Cms", "Rms", "Bl")})
    coil = {name: rest[name] for name in ("Le", "L2", "R2")}
    q = (float(known["Qms"]), float(known["Qes"]))
    return Driver("Dunlin 12", rest["Re"], rest["Fs"], *q, Mms=rest["Mms"], Sd=SD, coil="ladder-2", coil_values=coil)
