"""Boxes by textbook: closed ones by their cutoff or within a volume, vented ones by the named fourth-order families.

The textbook's box has no losses but leaks (Q_L at the tuning), and its driver no coil inductance. A vented box then answers

::

    G(s) = s⁴T⁴/(s⁴T⁴ + a1 s³T³ + a2 s²T² + a3 sT + 1),   T² = 1/(ωs ωb),   h = fb/fs,   α = Vas/Vb
    a1 = 1/(√h Qts) + √h/QL      a2 = (1 + α + h²)/h + 1/(QL Qts)      a3 = √h/Qts + 1/(√h QL)

(Thiele 1961, reprinted JAES 19(5-6), 1971; Small, JAES 21(5), 1973). Each family fixes two of the three coefficients by the
third, so that Qts and Q_L leave one box:

- B4, maximally flat: a1 = a3 = √(4 + 2√2), a2 = 2 + √2; one Qts only.
- QB3, for a smaller Qts: the fourth and the second power of frequency are absent from 1/|G|² as in a third-order
  Butterworth, so that a2 = a1²/2 and a3 = (a2² + 2)/(2 a1) with a1 above that of B4.
- C4, for a larger Qts: the poles of B4, taken as a low-pass, with their real parts times k < 1, which is a Chebyshev filter
  of equal ripple.
- SC4, for a somewhat smaller Qts: the same with k > 1, which has no ripple and falls off earlier.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.box.numbers import BUTTERWORTH_Q
from tsfit.driver.record import Driver

Family = Literal["B4", "QB3", "C4", "SC4"]
Coefficients = tuple[float, float, float]
FAMILIES: tuple[Family, ...] = ("B4", "QB3", "C4", "SC4")
B4_SPAN = 0.01
"""How far Qts may be from that of B4, as a share of it, and the box still be called B4; the response is 0.1 dB off then."""
RAISED = 1.2
"""Qtc per Qts of the closed box for a driver whose Qts leaves no flat one."""
FLATTEST_A1 = math.sqrt(4.0 + 2.0 * math.sqrt(2.0))
EXTREME = 1e3
"""Largest a1 of QB3, largest k of SC4 and smallest 1/k of C4: far beyond what can be built."""

HALVINGS = 46
"""Of the range of the logarithm of a family's parameter, down to 1e-13 of it."""


@dataclass(frozen=True)
class Alignment:
    """A vented box by family, for a driver of that Qts and a box of that leak Q."""

    family: Family
    qts: float
    leak_q: float
    volume: float  # m³
    tuning: float  # Hz
    f3_hz: float  # half-power frequency of the textbook's response
    ripple_db: float  # over the mid-band level
    coefficients: Coefficients  # a1, a2, a3


def chebyshev(k: float) -> Coefficients:
    """Coefficients a1, a2, a3 of the Butterworth low-pass poles, real parts times `k`, turned into a high-pass."""
    angle = math.pi * np.array([1.0, 3.0, 5.0, 7.0]) / 8.0
    _, c3, c2, c1, c0 = np.poly(-k * np.sin(angle) + 1j * np.cos(angle)).real
    return float(c1 / c0**0.75), float(c2 / c0**0.5), float(c3 / c0**0.25)


def quasi_butterworth(a1: float) -> Coefficients:
    """Coefficients of the quasi-Butterworth response of third order with the given `a1` ≥ √(4 + 2√2)."""
    a2 = 0.5 * a1**2
    return a1, a2, (a2**2 + 2.0) / (2.0 * a1)


def chebyshev_ripple(k: float) -> float:
    """Ripple in dB of `chebyshev(k)`: 10·lg(1 + ε²) with k = tanh(¼ arsinh 1/ε); 0 from k = 1 on."""
    return 0.0 if k >= 1.0 else 10.0 * math.log10(1.0 + 1.0 / math.sinh(4.0 * math.atanh(k)) ** 2)


TIGHT = 1e9
"""A leak Q from which a box has no leak: what less would let through is lost in rounding."""


def _box(coefficients: Coefficients, leak_q: float) -> tuple[float, float, float]:
    """α, h and Qts that give `coefficients` with the leak Q; without losses h = a3/a1 and Qts = 1/√(a1 a3).

    With them √h is a root of r⁴ − a1 QL r³ + a3 QL r − 1 = 0 (Small, JAES 21(5), 1973), the one nearest the lossless √h.
    Qts is infinite where the leak alone damps more than the coefficients ask for.
    """
    a1, a2, a3 = coefficients
    loss = 1.0 / leak_q if leak_q < TIGHT else 0.0
    root = math.sqrt(a3 / a1)
    if loss:
        found = np.roots([loss, -a1, 0.0, a3, -loss])
        real = found.real[(np.abs(found.imag) < 1e-9 * np.abs(found)) & (found.real > 0.0)]
        root = float(real[np.argmin(np.abs(np.log(real / root)))])
    damping = (a1 - root * loss) * root
    h = root**2
    qts = 1.0 / damping if damping > 0.0 else math.inf
    return a2 * h - 1.0 - h**2 - h * loss * max(damping, 0.0), h, qts


def half_power(coefficients: Coefficients) -> float:
    """Highest ωT at which the response with `coefficients` is 3.01 dB down.

    |G|² = y⁴/(y⁴ + A1 y³ + A2 y² + A3 y + 1), y = (ωT)², A1 = a1² − 2a2, A2 = a2² + 2 − 2a1a3, A3 = a3² − 2a2.
    """
    a1, a2, a3 = coefficients
    roots = np.roots([1.0, 2.0 * a2 - a1**2, 2.0 * a1 * a3 - a2**2 - 2.0, 2.0 * a2 - a3**2, -1.0])
    return math.sqrt(float(np.max(roots.real[np.abs(roots.imag) < 1e-6 * np.abs(roots)])))


_RANGES: dict[Family, tuple[Callable[[float], Coefficients], float, float]] = {
    "B4": (chebyshev, 1.0, 1.0),
    "QB3": (quasi_butterworth, FLATTEST_A1, EXTREME),
    "C4": (chebyshev, 1.0, 1.0 / EXTREME),
    "SC4": (chebyshev, 1.0, EXTREME),
}
"""Response of a family, the value of its parameter that is B4, and the one farthest from it."""


def _parameter(family: Family, qts: float, leak_q: float) -> float | None:
    """Value of the family's parameter that suits `qts`; None when none does."""
    respond, near, far = _RANGES[family]

    def excess(log_parameter: float) -> float:
        return 1.0 / _box(respond(math.exp(log_parameter)), leak_q)[2] - 1.0 / qts

    if family == "B4":
        return 1.0 if abs(excess(0.0)) * qts <= B4_SPAN else None
    low, high = math.log(near), math.log(far)
    begins = excess(low)
    if begins * excess(high) > 0.0:
        return None
    # By halves: SciPy, which needs fewer steps, takes as long to load as all of a check.
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if excess(middle) * begins > 0.0 else (low, middle)
    return math.exp(0.5 * (low + high))


def usual_qtc(qts: float) -> float:
    """Qtc of the closed box to begin with: 0.707, maximally flat (Small, JAES 20(10), 1972), more where Qts is high."""
    return BUTTERWORTH_Q if qts < 0.95 * BUTTERWORTH_Q else RAISED * qts


LEAST_ALPHA = 0.01
"""Vas over the volume of what still is a box: common practice, no source. At the end of a family it goes to nothing."""


def possible_alignments(driver: Driver, leak_q: float = math.inf) -> dict[Family, Alignment]:
    """Return every family that has a box for `driver` with leak Q `leak_q`, and that box; an empty dict when none has."""
    found: dict[Family, Alignment] = {}
    for family in FAMILIES:
        parameter = _parameter(family, driver.Qts, leak_q)
        if parameter is None:
            continue
        coefficients = _RANGES[family][0](parameter)
        alpha, h, _ = _box(coefficients, leak_q)
        if alpha <= LEAST_ALPHA:
            continue
        found[family] = Alignment(
            family=family,
            qts=driver.Qts,
            leak_q=leak_q,
            volume=driver.Vas / alpha,
            tuning=h * driver.Fs,
            f3_hz=half_power(coefficients) * math.sqrt(h) * driver.Fs,
            ripple_db=chebyshev_ripple(parameter) if family == "C4" else 0.0,
            coefficients=coefficients,
        )
    return found


def needed_qts(family: Family, leak_q: float = math.inf) -> tuple[float, float]:
    """Smallest and largest Qts for which `family` has a box (B4 within 1 % of one value)."""
    respond, near, far = _RANGES[family]
    ends = sorted(_box(respond(parameter), leak_q)[2] for parameter in (near, far))
    return (ends[0] * (1.0 - B4_SPAN), ends[1] * (1.0 + B4_SPAN)) if family == "B4" else (ends[0], ends[1])


def align(driver: Driver, family: Family, leak_q: float = math.inf) -> Alignment:
    """Return the vented box of `family` for `driver`.
    Raises ``no_alignment`` with the Qts that the family needs and the families that do exist for this driver.
    """
    found = possible_alignments(driver, leak_q)
    if family not in found:
        low, high = needed_qts(family, leak_q)
        needs = (
            f"at least {in_figures(low, 3)}"
            if high > 100.0
            else f"up to {in_figures(high, 3)}"
            if low < 0.01
            else f"{in_figures(low, 3)} to {in_figures(high, 3)}"
        )
        leak = "no leaks" if math.isinf(leak_q) else f"leak Q {leak_q:g}"
        others = " or ".join(found)
        remedy = f"take {others}" if others else "no fourth-order family has one; take a closed box"
        raise TsfitError(
            f"{driver.name}: there is no {family} box, which with {leak} needs a Qts of {needs} and the driver has "
            f"{in_figures(driver.Qts, 3)}; {remedy}.",
            code="no_alignment",
        )
    return found[family]
