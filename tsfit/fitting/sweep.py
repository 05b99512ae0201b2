"""What a fit is told: inputs known with uncertainty, and sweeps as the fit sees them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from tsfit.base.arrays import Complex, Mask, Number, Real
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.formulas import over_20c
from tsfit.fitting.start import Resonance, find_resonance


@dataclass(frozen=True)
class Known:
    """A value with its standard uncertainty, SI."""

    value: float
    uncertainty: float


@dataclass(frozen=True)
class Prior:
    """An input that is known with uncertainty; its variable says by how many standard uncertainties it is off."""

    # what it is
    kind: Literal["area", "coupling", "bench", "drift", "suspension", "mass", "air load", "volume", "loss", "clock"]
    key: str  # name of its variable
    label: str  # what it is called where sources of uncertainty are told
    # centre, spread: value and standard uncertainty, SI, of a change relative or in standard uncertainties
    centre: float
    spread: float

    def at(self, pull: Number) -> Number:
        """Value that is `pull` standard uncertainties off."""
        return self.centre + self.spread * pull


KNOWN_POINT = 0.05
"""Relative standard uncertainty up to which a point tells of misfits of a percent."""
SCATTERING = ("compliance", "friction", "motor")
"""What may differ from sweep to sweep."""


@dataclass(frozen=True)
class Scatter:
    """Standard deviations of ln Cms, ln Rms and ln Bl from sweep to sweep: what warmth, rest and handling do."""

    compliance: float
    friction: float
    motor: float = 0.0

    def priors(self, number: int) -> list[Prior]:
        """What compliance, friction and motor are off during the sweep of that number."""
        label = "suspension from sweep to sweep"
        return [
            Prior("suspension", f"{name}:{number}", label, 0.0, spread)
            for name, spread in zip(SCATTERING, (self.compliance, self.friction, self.motor), strict=True)
            if spread > 0.0
        ]


@dataclass(frozen=True)
class FitSweep:
    """One sweep as the fit sees it: the curve within the range used, its state, its number in the bench file."""

    frequency_hz: Real
    impedance_ohm: Complex
    noise: Real
    systematic: Mapping[str, Complex]
    """Per cause, the (3, n) coefficients of the shift of Z for one standard uncertainty, as a polynomial in Z. Every linear
    fault of a bench is bilinear in Z, so its derivative is quadratic, with coefficients that rise and fall with frequency
    at most (a delay, a coupling); taken at the model's Z and not at the noisy measured one, the shift cannot lower the
    misfit by shrinking the noise."""
    state: State
    number: int
    resonance_hz: float | None = None
    """As the curve shows it, of a closed box, whose loss factors hold there."""

    @cached_property
    def shifts(self) -> Complex:
        """The coefficients of `systematic` side by side, (3, number of causes, n)."""
        return np.stack([np.asarray(one, dtype=np.complex128) for one in self.systematic.values()], axis=1)

    @cached_property
    def size(self) -> Real:
        """|Z|², ohm², (n,)."""
        return np.asarray(np.abs(self.impedance_ohm) ** 2)

    @cached_property
    def relative_noise(self) -> Real:
        """`noise` over |Z|², (n,)."""
        return self.noise / self.size

    @cached_property
    def known(self) -> Mask:
        """Points (n,) that are known well enough to tell of misfits of a percent, or the surer half."""
        noise, usual = self.relative_noise, KNOWN_POINT**2
        if noise.max() > usual:
            usual = max(usual, float(np.median(noise)))
        return np.asarray(noise <= usual)

    def heat_since(self, first: FitSweep) -> float:
        """Logarithm of Re during this sweep over that during `first`, as far as coil temperatures tell it."""
        then, here = first.state.coil_temperature_c, self.state.coil_temperature_c
        return 0.0 if then is None or here is None else math.log(over_20c(here) / over_20c(then))


FLAT = 1e-4
"""Share of a shift that coefficients alike at all frequencies may miss."""
UNLIKE = 0.3
"""Share that any may miss: what is none of a bench, but of a file, is as it stands."""


def make_sweep(curve: ImpedanceCurve, state: State, number: int, used: Mask) -> FitSweep:
    """Keep the points of `curve` that are `used` (n,)."""
    noise = np.zeros(len(curve.frequency_hz)) if curve.variance_ohm2 is None else curve.variance_ohm2
    z = curve.impedance_ohm[used].astype(np.complex128)
    systematic = _shifts(curve, z, used) if curve.systematic else {}
    found = find_resonance(curve) if state.kind == "closed box" else None
    peak = found.Fs if isinstance(found, Resonance) else None
    return FitSweep(curve.frequency_hz[used], z, noise[used], systematic, state, number, peak)


def _shifts(curve: ImpedanceCurve, z: Complex, used: Mask) -> dict[str, Complex]:
    """Coefficients as `FitSweep.systematic` has them, by the impedance `z` at the points `used`."""
    s = 1j * curve.frequency_hz[used] / np.sqrt(curve.frequency_hz[used][0] * curve.frequency_hz[used][-1])
    course = np.stack([np.ones_like(s), s, 1.0 / s])
    powers = np.stack([np.ones_like(z), z, z**2])
    weight = 1.0 / np.abs(z)
    flat = (powers * weight).T
    rising = ((powers * weight)[:, np.newaxis] * course).reshape(9, -1).T
    systematic: dict[str, Complex] = {}
    for name, shift in curve.systematic.items():
        wanted = shift[used] * weight
        line = np.linalg.lstsq(flat, wanted, rcond=None)[0]
        if np.max(np.abs(flat @ line - wanted)) <= FLAT * np.max(np.abs(wanted)):
            systematic[name] = np.asarray(line[:, np.newaxis] * np.ones_like(z), dtype=np.complex128)
            continue
        scale = np.linalg.norm(rising, axis=0)
        line = np.linalg.lstsq(rising / scale, wanted, rcond=1e-9)[0] / scale
        systematic[name] = np.asarray(line.reshape(3, 3) @ course, dtype=np.complex128)
        if np.linalg.norm(rising @ line - wanted) > UNLIKE * np.linalg.norm(wanted):
            systematic[name] = np.stack([shift[used], np.zeros_like(z), np.zeros_like(z)])
    return systematic
