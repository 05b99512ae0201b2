"""How long to sweep for a wanted uncertainty: what the noise leaves falls with time, what all sweeps share does not.

The variance of a parameter is that of its fit, taken apart by `tsfit.fitting.budget`: the noise's part goes with one over
the time, the rest stays. A parameter that needs the moving mass is reckoned with a second sweep of the same length and
noise, half the cone's mass added: the mass itself cancels.
"""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.bench.file import ASSUMED_RELATIVE
from tsfit.capture.rig import Rig
from tsfit.circuit.load import added_mass
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.fit_result import FitResult
from tsfit.driver.parameters import LEVELS, MEASURED, PARAMETERS
from tsfit.fitting.budget import MISFIT, NOISE, remedy_of
from tsfit.fitting.fit import fit
from tsfit.fitting.sweep import Known

TOLD = (*MEASURED, "eta0", "sensitivity_1W", "sensitivity_2V83", "Le_1kHz")
SHORTEST_S = 1.6
"""Shortest sweep from 5 Hz: two periods of that for each of its four parts."""
CONE_KG, ADDED, AREA_M2 = 0.03, 0.5, 0.02
"""Of the driver with which mass and area are reckoned; only the share that is added matters."""


@dataclass(frozen=True)
class Aim:
    """A parameter and its wanted standard uncertainty, as a share of its value, or in dB of a level."""

    parameter: str
    wanted: float

    @property
    def unit(self) -> str:
        """In which it is said."""
        return "dB" if self.parameter in LEVELS else "%"

    def said(self, spread: float) -> str:
        """Write a standard uncertainty of it."""
        return f"{in_figures(spread * (1.0 if self.unit == 'dB' else 100.0), 2)} {self.unit}"


USUAL = (Aim("Fs", 0.001), Aim("Qts", 0.005), Aim("Vas", 0.01))
"""What is usually wanted: common practice, no source."""


@dataclass(frozen=True)
class Need:
    """What an aim takes at the level and noise that were heard."""

    parameter: str
    wanted: float  # as of `Aim`
    reached: float  # standard uncertainty after `swept_s`
    limit: float  # what is left after any time
    swept_s: float
    seconds: float | None  # of sweep in one state; None where no time suffices
    instead: str | None  # what then helps
    by_mass: bool  # with a sweep beside it that is not recorded yet

    @property
    def sentence(self) -> str:
        """It in words."""
        aim = Aim(self.parameter, self.wanted)
        start = f"{self.parameter} to {aim.said(self.wanted)}"
        if self.seconds is None:
            usual = ", with a mass and an area as usually known" * self.by_mass
            return f"{start}: no sweep is long enough{usual}: {aim.said(self.limit)} stays without noise; {self.instead}."
        return f"{start}: {in_figures(self.seconds, 2)} s at this level."


def aim_of(text: str) -> Aim:
    """Read an aim such as "Fs 0.1 %" or "sensitivity_1W 0.1 dB". Raises TsfitError ``usage``."""
    parts = re.fullmatch(r"\s*(\w+)\s+([\d.]+)\s*(%|dB)\s*", re.sub(r"(\d),(\d)", r"\1.\2", text))
    name = None if parts is None else next((one for one in TOLD if one.casefold() == parts[1].casefold()), None)
    try:
        if parts is None or name is None or parts[3] != Aim(name, 1.0).unit or not float(parts[2]) > 0.0:
            raise ValueError(text)
    except ValueError:
        message = (
            f"{text!r} is no wanted uncertainty; write it as 'Fs 0.1 %' or 'sensitivity_1W 0.1 dB', with one of "
            f"{', '.join(TOLD)}."
        )
        raise TsfitError(message, code="usage") from None
    return Aim(name, float(parts[2]) * (1.0 if parts[3] == "dB" else 0.01))


def needs(curve: ImpedanceCurve, seconds: float, rig: Rig, aims: Sequence[Aim] = USUAL) -> tuple[Need, ...]:
    """What each aim takes, from a free-air curve that `seconds` of sweep gave. Raises TsfitError as the fit."""
    found = fit([(curve, State())])
    own = [aim.parameter in found.parameters for aim in aims]
    whole = found if all(own) else _with_mass(found, curve, rig)
    fits = [(found if alone else whole, not alone) for alone in own]
    return tuple(_need(one, aim, seconds, by_mass=by_mass) for aim, (one, by_mass) in zip(aims, fits, strict=True))


def _with_mass(found: FitResult, curve: ImpedanceCurve, rig: Rig) -> FitResult:
    """Fit the curve together with one that a second sweep would give, half the cone's mass added."""
    driver = replace(found.driver, Mms=CONE_KG, Sd=AREA_M2, suspension="ideal", suspension_values={})
    added = ADDED * CONE_KG
    z = impedance(curve.frequency_hz, driver.values(), Circuit(driver.coil, "ideal"), added_mass(added))
    before, after = (rig.bilinear().slope(rig.ratio(one)) for one in (curve.impedance_ohm, z))
    grown = np.asarray(after / before, dtype=np.complex128)
    second = replace(
        curve,
        impedance_ohm=np.asarray(z, dtype=np.complex128),
        variance_ohm2=None if curve.variance_ohm2 is None else np.abs(grown) ** 2 * curve.variance_ohm2,
        systematic={name: grown * shift for name, shift in curve.systematic.items()},
    )
    state = State(kind="added mass", mass=added, mass_uncertainty=ASSUMED_RELATIVE["mass"] * added)
    area = Known(AREA_M2, ASSUMED_RELATIVE["area"] * AREA_M2)
    return fit([(curve, State()), (second, state)], sd=area, coil=driver.coil, suspension="ideal")


def _need(found: FitResult, aim: Aim, seconds: float, *, by_mass: bool) -> Need:
    estimate, parts = found.parameters[aim.parameter], dict(found.budget[aim.parameter])
    scale = 1.0 if PARAMETERS[aim.parameter].level else abs(estimate.value)
    noise = parts.pop(NOISE, 0.0)
    if parts.get(MISFIT, 0.0) < noise:
        # So little cannot be told from noise.
        noise = math.hypot(noise, parts.pop(MISFIT, 0.0))
    reached, noise = estimate.stdev / scale, noise / scale
    limit = math.sqrt(max(reached**2 - noise**2, 0.0))
    if not limit < aim.wanted:
        return Need(aim.parameter, aim.wanted, reached, limit, seconds, None, remedy_of(next(iter(parts))), by_mass)
    needed = seconds * noise**2 / (aim.wanted**2 - limit**2)
    return Need(aim.parameter, aim.wanted, reached, limit, seconds, max(needed, SHORTEST_S), None, by_mass)
