"""Logs of drivers that are known: what drifts, how fast, and all that scatters on a bench."""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from tsfit.drift.entry import Entry, entry_of
from tsfit.drift.log import Log
from tsfit.driver.air import REFERENCE_AIR, Air
from tsfit.driver.fit_result import Estimate, FitResult
from tsfit.driver.formulas import COPPER_PER_K, compliance, force_factor, mechanical_resistance, total_q
from tsfit.driver.record import Driver

FRESH = {"Re": 5.1, "Cms": 0.38e-3, "Mms": 0.097, "Bl": 13.6, "Rms": 3.0}
AREA = 0.0515
RANDOM = {"Re": 3e-4, "Fs": 4e-4, "Qms": 2e-3, "Qes": 6e-4, "Mms": 8e-4}
"""Relative standard deviation of what one fit makes of the noise."""
MASS, RIG = 3e-3, 1e-3
"""Relative standard uncertainty of the added mass and of the reference resistor, the same in all fits of a bench."""
REPEAT = {"Cms": 4e-3, "Mms": 1e-3, "Bl": 1e-3, "Rms": 1e-2}
"""How far driver and mounting scatter from one evening to the next."""
SOFTER_PER_K = 3e-3
AIR_K, READING_K = 1.5, 0.3
HOURS = (0.0, 0.0, 0.0, 1.0, 2.0, 4.0, 8.0, 12.0, 16.0, 24.0, 36.0, 48.0)
NAMES = ("Re", "Fs", "Qms", "Qes", "Mms", "Cms", "Rms", "Bl", "Sd")
# Relative changes of NAMES for those of Re, Fs, Qms, Qes, Mms.
ROWS = np.vstack([np.eye(5), [[0, -2, 0, 0, -1], [0, 1, -1, 0, 1], [0.5, 0.5, 0, -0.5, 0.5], [0, 0, 0, 0, 0]]])
# All masses err together; a resistor makes every impedance larger, so that Re and the electrical Q move alike.
BY_MASS, BY_RIG = np.array([0.0, 0, 0, 0, MASS]), np.array([RIG, 0, 0, 0, 0])


def made_fit(
    truth: dict[str, float],
    rng,
    errors,
    *,
    air=REFERENCE_AIR,
    with_mass=True,
    coil="ladder-2",
    name="Saltwit 12",
    rig="line divider",
):
    """Return a fit of the driver whose Re, Cms, Mms, Bl and Rms at this moment are `truth`.

    `errors` are the two errors of mass and resistor, in standard uncertainties, that every fit of the bench shares.
    """
    omega = 1.0 / np.sqrt(truth["Mms"] * truth["Cms"])
    primary = np.array(
        [
            truth["Re"],
            omega / (2 * np.pi),
            omega * truth["Mms"] / truth["Rms"],
            omega * truth["Mms"] * truth["Re"] / truth["Bl"] ** 2,
            truth["Mms"],
        ]
    )
    spread = np.array(list(RANDOM.values()))
    primary = primary * np.exp(spread * rng.standard_normal(5) + errors[0] * BY_MASS + errors[1] * BY_RIG)
    re, fs, qms, qes, mms = primary.tolist()
    values = [re, fs, qms, qes, mms, compliance(fs, mms), mechanical_resistance(fs, mms, qms)]
    values += [force_factor(fs, mms, re, qes), AREA]
    shifts = {"mass:0.05": ROWS @ BY_MASS, "systematic:reference resistor": ROWS @ BY_RIG, "sd": 0.01 * np.eye(9)[8]}
    covariance = ROWS @ np.diag(spread**2) @ ROWS.T + sum(np.outer(s, s) for s in shifts.values())
    stdev = np.sqrt(np.diag(covariance))
    kept = [k for k, one in enumerate(NAMES) if with_mass or one not in ("Mms", "Cms", "Rms", "Bl")]
    correlation = (covariance / np.outer(stdev, stdev))[np.ix_(kept, kept)]
    parameters = {}
    for k in kept:
        value, s = float(values[k]), float(stdev[k] * values[k])
        parameters[NAMES[k]] = Estimate(value, s, (value - 2 * s, value + 2 * s), "")
    parameters["Qts"] = Estimate(float(total_q(qms, qes)), 1e-3, (0.0, 1.0), "1")
    for term, value in ({"Le": 4e-4, "L2": 6e-4, "R2": 3.0} if coil == "ladder-2" else {"Le": 8e-4}).items():
        parameters[term] = Estimate(value, 0.01 * value, (0.98 * value, 1.02 * value), "")
    coil_values = {"Le": 4e-4, "L2": 6e-4, "R2": 3.0} if coil == "ladder-2" else {"Le": 8e-4}
    return FitResult(
        driver=Driver(name, re, fs, qms, qes, mms if with_mass else None, AREA, coil, coil_values, air=air),
        parameters=parameters,
        correlation_names=tuple(NAMES[k] for k in kept),
        correlation=correlation,
        systematic={
            source: {NAMES[k]: float(shift[k] * values[k]) for k in kept}
            for source, shift in shifts.items()
            if with_mass or source != "mass:0.05"
        },
        provenance={"software": "made", "sweeps": [{"state": "free air", "rig": rig}]},
    )


def made_history(rng, drift=None, hours=HOURS, *, errors=None, with_mass=True) -> Log:
    """Return the log of a driver of which `drift` gives, by figure and for each of the hours (n,), the factor then."""
    errors = rng.standard_normal(2) if errors is None else errors
    entries: list[Entry] = []
    for k, at in enumerate(hours):
        truth = {name: value * (drift or {}).get(name, np.ones(len(hours)))[k] for name, value in FRESH.items()}
        for name, spread in REPEAT.items():
            truth[name] *= float(np.exp(spread * rng.standard_normal()))
        true_k = AIR_K * rng.standard_normal()
        truth["Cms"] *= 1.0 + SOFTER_PER_K * true_k
        truth["Re"] *= 1.0 + COPPER_PER_K * (true_k + READING_K * rng.standard_normal())
        air = Air(temperature_c=20.0 + true_k + READING_K * rng.standard_normal())
        fit = made_fit(truth, rng, errors, air=air, with_mass=with_mass)
        entries.append(entry_of(fit, at, added=datetime(2026, 3, 1, tzinfo=UTC)))
    return Log(Path("made.drift"), tuple(entries), ())
