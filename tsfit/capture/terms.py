"""What a rig does to the ratio of its channels, as a few smooth terms with what is known of each; standards tell more.

With a, b and c of the rig as drawn (`Rig.bilinear`), its two inputs unlike in gain g, delay τ and coupling corner, and with
a little of each channel heard in the other, the ratio that is measured of an impedance Z is

    m = (h r + x)/(1 + y h r),    r = (aZ + b)/(cZ + 1),    h = exp(−sτ)/g (s + ω2 + δ)/(s + ω2).

Each of lead, input conductance, reference resistor, g, τ, δ, ω2, x and y has a prior; every recorded standard adds its
points; least squares give the terms with their covariance, known resistors and their uncertainties among them. One resistor
alone tells g and τ and leaves the priors on the rest; open, short and resistor tell all that matters.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tsfit.base.arrays import Complex, Real
from tsfit.capture.ratio import Ratio
from tsfit.capture.rig import ASSUMED_GAIN, ASSUMED_LEAD, Bilinear, Rig

UNKNOWN_GAIN = 0.5
"""Prior of ln g of a calibrated rig: whatever a volume knob does."""
DELAY, UNKNOWN_DELAY = 2e-6, 4e-5
"""Prior of τ, s, where nothing tells it (a tenth of a sample at 48 kHz) and where standards do: common practice, no
source."""
UNKNOWN_LEAD, UNKNOWN_INPUT = 0.5, 1e-4
"""Priors of a lead (ohm) and an input conductance (siemens) that standards tell."""
CORNER_HZ, CORNER_SPREAD, CORNER_APART = 2.0, 1.0, 0.3
"""Corner of an input's coupling, spread of its logarithm, and how far the two inputs' are apart, relative."""
CROSSTALK, UNKNOWN_CROSSTALK = 3e-5, 3e-3
"""Prior of crosstalk where nothing tells it (-90 dB), and where standards do: common practice, no source."""
STEP = 1e-4
"""Step of differences, in standard deviations of a prior."""
TURNS = 12
FARTHEST = 20.0
"""Logarithm of a gain or corner that a search does not leave."""
LEAST_ERROR = 2e-5
"""Share of a ratio that no smooth terms describe, at least."""


@dataclass(frozen=True)
class Standard:
    """A known impedance (ohm, infinite for open) with its standard uncertainty, and what was recorded of it."""

    name: str
    ohm: float
    uncertainty_ohm: float
    ratio: Ratio


@dataclass(frozen=True)
class Terms:
    """The smooth terms of a rig: best values in standard deviations of their priors, and how uncertain."""

    rig: Rig  # as drawn
    names: tuple[str, ...]  # causes as a budget names them
    x: Real  # (k,) best values
    covariance: Real  # (k, k)
    misfit: tuple[float, ...] = ()  # RMS of what each standard leaves over, in its stated standard deviations
    known: int = 0  # how many of the names, the last ones, are known resistors
    gain: float = 1.0  # usual value of the channels' gain ratio, with its sign, about which g is told
    cost: float = 0.0  # sum of squares of what standards and priors leave over

    def ratio(self, ohm: Complex | Real | float, frequency_hz: Real) -> Complex:
        """Measured ratio (n,) of an impedance `ohm` at `frequency_hz` (n,)."""
        return _measured(self.rig, self.x, len(self.misfit), ohm, frequency_hz) * self.gain

    def impedance(self, m: Complex, frequency_hz: Real) -> Complex:
        """Impedance (n,) in ohm of the measured ratio `m` (n,)."""
        return _told(self.rig, self.x, len(self.misfit), np.asarray(m / self.gain), frequency_hz)

    def slope(self, m: Complex, frequency_hz: Real) -> Complex:
        """dZ/dm (n,) in ohm."""
        step = 1e-6 * np.maximum(np.abs(m), 1e-6)
        return np.asarray((self.impedance(m + step, frequency_hz) - self.impedance(m - step, frequency_hz)) / (2.0 * step))

    def shifts(self, m: Complex, frequency_hz: Real) -> dict[str, Complex]:
        """Change of Z (n,) at ratio `m` for one standard uncertainty of each independent cause.

        Known resistors come first, each with all that follows from it; what is left of the covariance is taken along its
        own axes, each under the name of what it is most.
        """
        out: dict[str, Complex] = {}
        for name, direction in self._directions():
            above, below = (replace(self, x=self.x + step * direction) for step in (STEP, -STEP))
            out[name] = (above.impedance(m, frequency_hz) - below.impedance(m, frequency_hz)) / (2.0 * STEP)
        return out

    @property
    def strain(self) -> float:
        """Standard deviations of the furthest pull by the standards, on what the drawing or usual practice tells of."""
        return float(np.max(np.abs(self.x[[*STRAINABLE, *range(len(NAMES), len(self.names))]])))

    def _directions(self) -> list[tuple[str, Real]]:
        left = self.covariance.copy()
        found: list[tuple[str, Real]] = []
        for k in range(len(self.names) - self.known, len(self.names)):
            if left[k, k] > 0.0:
                direction = left[:, k] / math.sqrt(left[k, k])
                found.append((self.names[k], direction))
                left = left - np.outer(direction, direction)
        powers, axes = np.linalg.eigh(left)
        for power, axis in zip(powers[::-1], axes.T[::-1], strict=True):
            if power > 1e-12:
                name = self.names[int(np.argmax(np.abs(axis)))]
                taken = sum(other == name or other.startswith(f"{name}, ") for other, _ in found)
                found.append((f"{name}, {taken + 1}" if taken else name, math.sqrt(power) * axis))
        return found


NAMES = (
    "reference resistor", "input impedance", "lead resistance", "channel gain", "channel delay", "coupling corner",
    "coupling difference", "crosstalk into the second channel", "crosstalk into the total channel",
)  # fmt: skip
STRAINABLE = (0, 1, 2, 7, 8)
"""Those that a contradiction shows in; gain, delay and coupling are whatever the standards say."""


def _spreads(rig: Rig, standards: int) -> Real:
    """Standard deviation of each term's prior, in its own unit.

    One standard tells the gain, so that is free; two and three tell leads, inputs and crosstalk as well. What too few could
    tell keeps what the file states of it.
    """
    lead = ASSUMED_LEAD * rig.lead_ohm if rig.lead_uncertainty_ohm is None else rig.lead_uncertainty_ohm
    stated = ASSUMED_GAIN if rig.gain_uncertainty is None else rig.gain_uncertainty
    conductance = rig.input_siemens * rig.input_uncertainty
    return np.array(
        [
            rig.reference_stdev,
            max(conductance, UNKNOWN_INPUT) if standards > 1 else conductance,
            max(lead, UNKNOWN_LEAD) if standards > 1 else lead,
            UNKNOWN_GAIN if standards else stated,
            UNKNOWN_DELAY if standards else DELAY,
            CORNER_SPREAD,
            2.0 * math.pi * CORNER_HZ * CORNER_APART,
            UNKNOWN_CROSSTALK if standards > 2 else CROSSTALK,
            UNKNOWN_CROSSTALK if standards > 2 else CROSSTALK,
        ]
    )


def _parts(rig: Rig, x: Real, standards: int, frequency_hz: Real) -> tuple[Bilinear, Complex, float, float]:
    """a, b and c of the drawn rig with its parts moved, the channels' unlikeness h (n,), and both crosstalks."""
    d = _spreads(rig, standards) * x[: len(NAMES)]
    moved = replace(
        rig,
        reference_ohm=rig.reference_ohm + d[0],
        input_siemens=rig.input_siemens + d[1],
        lead_ohm=rig.lead_ohm + d[2],
    ).bilinear()
    s = 2j * math.pi * frequency_hz
    gain, corner = np.exp(np.clip([-d[3], d[5]], -FARTHEST, FARTHEST)) * [1.0, 2.0 * math.pi * CORNER_HZ]
    # A trim is already in the measured ratio of a rig that is not calibrated.
    h = gain * np.exp(-s * d[4]) * (s + corner + d[6]) / (s + corner)
    return moved, np.asarray(h), float(d[7]), float(d[8])


def _measured(rig: Rig, x: Real, standards: int, ohm: Complex | Real | float, frequency_hz: Real) -> Complex:
    drawn, h, into_second, into_total = _parts(rig, x, standards, frequency_hz)
    z = np.broadcast_to(np.asarray(ohm, dtype=np.complex128), frequency_hz.shape)
    open_ = ~np.isfinite(z)
    z = np.where(open_, 0.0, z)
    r = np.where(open_, drawn.a / drawn.c, drawn.ratio(z))
    return np.asarray((h * r + into_second) / (1.0 + into_total * h * r))


def _told(rig: Rig, x: Real, standards: int, m: Complex, frequency_hz: Real) -> Complex:
    drawn, h, into_second, into_total = _parts(rig, x, standards, frequency_hz)
    r = (m - into_second) / (h * (1.0 - into_total * m))
    return drawn.impedance(r)


def drawn_terms(rig: Rig) -> Terms:
    """Terms of a rig that no standard told anything of: those drawn, with what the file states of them."""
    spreads = _spreads(rig, 0)
    return Terms(rig, NAMES, np.zeros(len(NAMES)), np.diag((spreads > 0.0).astype(float)))


def fitted_terms(rig: Rig, standards: Sequence[Standard], ease: float = 1.0) -> Terms:
    """Terms that the standards tell, by least squares beside priors `ease` times as wide (Gauss-Newton, halved steps)."""
    # One resistor that was recorded twice is off by the same both times.
    known = list(dict.fromkeys(standard.name for standard in standards if standard.uncertainty_ohm > 0.0))
    names = (*NAMES, *known)
    gain = _usual_gain(rig, standards)
    count = len(names)

    def residual(x: Real) -> Real:
        rows = [x / ease]
        for standard in standards:
            ohm = standard.ohm
            if standard.uncertainty_ohm > 0.0:
                ohm += standard.uncertainty_ohm * float(x[len(NAMES) + known.index(standard.name)])
            expected = gain * _measured(rig, x, len(standards), ohm, standard.ratio.frequency_hz)
            rows.append(_weighed(standard.ratio, expected))
        return np.concatenate(rows)

    x = np.zeros(count)
    found = residual(x)
    jacobian = np.empty((len(found), count))
    for _ in range(TURNS):
        for k in range(count):
            step = np.zeros(count)
            step[k] = STEP
            jacobian[:, k] = (residual(x + step) - residual(x - step)) / (2.0 * STEP)
        move = -np.linalg.lstsq(jacobian, found, rcond=None)[0]
        share, before = 1.0, float(found @ found)
        while share > 1e-3 and not float(np.sum(residual(x + share * move) ** 2)) <= before:
            share *= 0.5
        x, found = x + share * move, residual(x + share * move)
        if np.max(np.abs(move)) < 1e-4 or before - float(found @ found) < 1e-6:
            break
    covariance = np.linalg.inv(jacobian.T @ jacobian)
    places = np.cumsum([count, *(2 * len(standard.ratio.value) for standard in standards)])
    misfit = tuple(math.sqrt(float(np.mean(found[start:stop] ** 2))) for start, stop in itertools.pairwise(places))
    return Terms(rig, names, x, np.asarray(covariance), misfit, len(known), gain, float(found @ found))


def _usual_gain(rig: Rig, standards: Sequence[Standard]) -> float:
    """Ratio of the channels' gains, with its sign, by the standard that is loudest in the second channel."""
    loudest = max(standards, key=lambda standard: float(np.median(np.abs(standard.ratio.value))))
    drawn = _measured(rig, np.zeros(len(NAMES)), 0, loudest.ohm, loudest.ratio.frequency_hz)
    return float(np.median((loudest.ratio.value / drawn).real))


def _weighed(ratio: Ratio, expected: Complex) -> Real:
    """What is left over at the points, real and imaginary parts in standard deviations of each."""
    sigma = np.sqrt(0.5 * (ratio.variance + (LEAST_ERROR * np.maximum(np.abs(expected), 1e-3)) ** 2))
    off = (ratio.value - expected) / sigma
    return np.concatenate([off.real, off.imag])
