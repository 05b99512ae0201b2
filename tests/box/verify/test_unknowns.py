"""The derivative of the impedance by every unknown of a finished box."""

import numpy as np
import pytest
from helpers.boxes import box_plan
from helpers.made_cabinets import CLOSED, FIT, VENTED

from tsfit.box.verify.unknowns import LOSSES, CabinetSweep, Unknowns, driver_prior

FREQUENCY = np.geomspace(8.0, 400.0, 40)
PLANS = {
    "closed": CLOSED,
    "vented": VENTED,
    "passive": box_plan(
        "passive", volume=0.03, radiator_mass=0.06, radiator_area=0.022, radiator_fs=22.0, radiator_qms=8.0
    ),
    "bandpass": box_plan("bandpass", rear_volume=0.02, front_volume=0.015, tuning=55.0),
}
STENCIL = {1: 4 / 5, 2: -1 / 5, 3: 4 / 105, 4: -1 / 280}
"""Weights of the central difference of eighth order (Fornberg, Math. Comp. 51, 1988; from memory)."""
STEP = 0.003


@pytest.mark.against(
    "derivatives of Z by every unknown of a finished box",
    "central differences of eighth order (Fornberg 1988), from memory",
    "1e-6",
)
@pytest.mark.parametrize(("kind", "losses"), [(kind, losses) for kind in LOSSES for losses in LOSSES[kind]])
def test_derivative_by_every_unknown(kind, losses):
    generator = np.random.default_rng(1)
    planned = PLANS[kind].build(FIT.driver).enclosure
    shifts = generator.normal(size=(2, FREQUENCY.size)) + 0j
    sweep = CabinetSweep(FREQUENCY, np.full(FREQUENCY.size, 8.0 + 3.0j), np.ones(FREQUENCY.size), shifts)
    unknowns = Unknowns(planned, driver_prior(FIT.driver, FIT), 0.005, losses, sweep)
    x = generator.normal(scale=0.3, size=len(unknowns.names))
    x[-len(losses) :] = generator.uniform(0.2, 0.6, size=len(losses))
    (misfit, slopes), *more = unknowns.misfits(x)
    assert not more
    assert slopes.shape == (len(unknowns.names), FREQUENCY.size)
    assert len(set(unknowns.names)) == unknowns.n_priors == len(x)

    def at(place, step):
        return unknowns.misfits(x + step * (np.arange(len(x)) == place))[0].value

    for place, name in enumerate(unknowns.names):
        numeric = sum(w * (at(place, k * STEP) - at(place, -k * STEP)) for k, w in STENCIL.items()) / STEP
        rounding = 1e3 * np.finfo(float).eps * np.abs(misfit)
        assert np.any(np.abs(numeric) > 1e-9), name
        np.testing.assert_array_less(np.abs(slopes[place] - numeric), 1e-6 * np.max(np.abs(numeric)) + rounding, name)
