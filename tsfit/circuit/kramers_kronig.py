"""Whether an impedance curve can belong to any linear, stable, time-invariant thing: the linear Kramers-Kronig test.

Boukamp, J. Electrochem. Soc. 142, 1995; Schönleber, Klotz & Ivers-Tiffée, Electrochim. Acta 131, 2014. A sum of elements
which each obey the Kramers-Kronig relations is fitted to real and imaginary part together; what stays over breaks them:
drift while sweeping, a dropout, clipping, a wrong phase. The sum is

    Z ≈ R0 + s L + Σ Rk/(1 + s τk) + Σ (rm/(s − pm) + rm*/(s − pm*)),         linear in R0, L, Rk (of either sign) and rm,

with time constants spaced evenly in log frequency over the band. RC elements cannot follow a resonance, hence the last sum;
its few poles are moved, always stable, to where the data want them (Gustavsen & Semlyen, IEEE Trans. Power Delivery 14,
1999), each time by linear least squares. Residuals are relative to |Z|, as is the weight.
"""

import math
from dataclasses import dataclass, replace
from operator import attrgetter

import numpy as np

from tsfit.base.arrays import Complex, Real
from tsfit.circuit.coil import laplace

PER_OCTAVE = 1.5
"""RC elements per octave: enough for eddy currents and creep to 1e-6, too few to follow noise."""
MOST_RESONANCES = 6
ROUNDS = 4
"""Most relocations of the poles; the second already stands within rounding on noise-free data."""
BEYOND = 4.0
"""Factor by which time constants reach beyond the band, for what goes on there."""
WORTHWHILE, PATIENCE = 0.97, 2
"""Factor on the residual by which another round or resonance pays; how many resonances in a row may be in vain."""
START_DAMPING = 0.1
CLOSE = 1e-5
"""RMS residual below which nothing is gained by another resonance."""
BROKEN_LAW, NOISE_FACTOR = 0.03, 4.0
"""Kramers-Kronig residual that real drivers stay below (2.4 % at most of eleven measured by others), and over the noise."""
BROKEN_OCTAVE = 0.05
"""The same within any one octave (3.8 % at most of eight of them)."""


@dataclass(frozen=True)
class KramersKronig:
    """What the test found."""

    fitted_ohm: Complex  # (n,), the sum of elements
    residual: Complex  # (n,), (Z − fitted)/|Z|
    mu: float  # 1 − Σ|Rk < 0|/Σ|Rk ≥ 0| (Schönleber et al. 2014): near 1 where RC elements alone describe the curve well
    poles_hz: Real  # (k,), natural frequencies of the resonances used
    amount: float  # of the fault that was solved for
    rms: float  # RMS of |residual|, the fit's own freedom allowed for


def kramers_kronig(
    frequency_hz: Real,
    impedance_ohm: Complex,
    *,
    elements: int | None = None,
    most_resonances: int = MOST_RESONANCES,
    noise: float = 0.0,
    fault: Complex | None = None,
) -> KramersKronig:
    """Test a curve, impedances (n,) in ohm at increasing frequencies (n,), whose relative RMS noise is `noise`.

    There are `elements` RC elements, at least 2; by default 1.5 per octave of a range that goes two octaves beyond the band
    at both ends, and no more than a quarter of the points. When given, they lie within the band as published. Resonances
    are added one by one up to `most_resonances`, while they pay, points last and the residual is above `noise`; 0 gives the
    test as published. Of a `fault` (n,) of the curve, ohm per unit, the amount is solved for with them.
    """
    s = laplace(frequency_hz)
    z = np.asarray(impedance_ohm, dtype=complex)
    points, octaves = len(s), math.log2(BEYOND**2 * frequency_hz[-1] / frequency_hz[0])
    count = max(min(round(PER_OCTAVE * octaves), points // 4), 2) if elements is None else elements
    beyond = BEYOND if elements is None else 1.0
    tau = np.geomspace(1.0 / (beyond * abs(s[-1])), beyond / abs(s[0]), count)
    fixed = np.column_stack([np.ones_like(s), s, 1.0 / (1.0 + s[:, None] * tau)])  # R0, L and the RC elements
    if fault is not None:
        fixed = np.column_stack([fixed, fault])
    best = _test(fixed, s, z, np.zeros(0, dtype=complex))
    in_vain = 0
    for resonances in range(1, most_resonances + 1):
        if best.rms < max(noise, CLOSE) or in_vain == PATIENCE or count + 2 + 4 * resonances > points:
            break
        test = with_resonances(fixed, s, z, resonances)
        in_vain = in_vain + 1 if test.rms > WORTHWHILE * best.rms else 0
        best = min(best, test, key=attrgetter("rms"))
    return best if fault is not None else replace(best, amount=0.0)


def octave_means(frequency_hz: Real, values: Real) -> Real:
    """Mean of `values` (n,) over the octave about each frequency, (n,); near an end the octave is the last one there."""
    octaves = np.log2(frequency_hz)
    low, high = octave_edges(frequency_hz)
    first = np.searchsorted(octaves, np.log2(low) - 1e-9)
    last = np.searchsorted(octaves, np.log2(high) + 1e-9)
    total = np.concatenate([[0.0], np.cumsum(values)])
    return np.asarray((total[last] - total[first]) / (last - first))


def octave_edges(frequency_hz: Real) -> tuple[Real, Real]:
    """Edges, Hz, of the octave about each frequency that lies within the range; of the range where that is less."""
    half = min(math.sqrt(2.0), math.sqrt(frequency_hz[-1] / frequency_hz[0]))
    middle = np.clip(frequency_hz, frequency_hz[0] * half, frequency_hz[-1] / half)
    return middle / half, middle * half


def _resonators(s: Complex, poles: Complex) -> Complex:
    """Columns (n, 2k): for each pole p those of the real and of the imaginary part of its residue, over |p|."""
    plus, minus = np.abs(poles) / (s[:, None] - poles), np.abs(poles) / (s[:, None] - poles.conj())
    return np.stack([plus + minus, 1j * (plus - minus)], axis=-1).reshape(len(s), -1)


def _solve(columns: Complex, z: Complex) -> Real:
    """Real coefficients that bring columns @ x closest to `z` relative to |z|."""
    rows = columns / np.abs(z)[:, None]
    stacked = np.vstack([rows.real, rows.imag])
    scale = np.maximum(np.linalg.norm(stacked, axis=0), 1e-300)
    wanted = np.concatenate([z.real, z.imag]) / np.tile(np.abs(z), 2)
    triangle = np.linalg.qr(np.column_stack([stacked / scale, wanted]))[1]
    return np.asarray(np.linalg.lstsq(triangle[:, :-1], triangle[:, -1], rcond=1e-13)[0] / scale)


def _test(fixed: Complex, s: Complex, z: Complex, poles: Complex) -> KramersKronig:
    columns = np.hstack([fixed, _resonators(s, poles)])
    x = _solve(columns, z)
    fitted = np.asarray(columns @ x, dtype=complex)
    residual = (z - fitted) / np.abs(z)
    rc = x[2 : fixed.shape[1]]
    positive = float(rc[rc > 0.0].sum())
    mu = 1.0 + float(rc[rc < 0.0].sum()) / positive if positive > 0.0 else -math.inf
    freedom = max(len(z) - 0.5 * columns.shape[1], 1.0)
    rms = math.sqrt(float(np.sum(np.abs(residual) ** 2)) / freedom)
    poles_hz = np.sort(np.hypot(poles.real, poles.imag)) / (2.0 * math.pi)
    return KramersKronig(fitted, residual, mu, poles_hz, float(x[fixed.shape[1] - 1]), rms)


def with_resonances(fixed: Complex, s: Complex, z: Complex, resonances: int) -> KramersKronig:
    """Best of a few relocations of as many poles, which start spread over the band; one alone where |Z| stands out."""
    start = np.geomspace(abs(s[0]), abs(s[-1]), resonances + 2)[1:-1]
    if resonances == 1:
        # From amid the band it need not find a resonance far from there that few points tell.
        start = np.abs(s[[int(np.argmax(np.abs(z) / np.sqrt(np.abs(s))))]])
    poles = start * (1j - START_DAMPING)
    best = _test(fixed, s, z, poles)
    for _ in range(ROUNDS):
        poles = _relocated(fixed, s, z, poles)
        test = _test(fixed, s, z, poles)
        settled = test.rms > WORTHWHILE * best.rms
        best = min(best, test, key=attrgetter("rms"))
        if settled:
            break
    return best


def _relocated(fixed: Complex, s: Complex, z: Complex, poles: Complex) -> Complex:
    """Zeros of σ = 1 + Σ c/(s − p), where σ and σZ share their poles: the poles of Z. Real ones are left to RC elements."""
    moving = _resonators(s, poles)
    x = _solve(np.hstack([fixed, moving, -moving * z[:, None]]), z)
    c = x[fixed.shape[1] + moving.shape[1] :] * np.repeat(np.abs(poles), 2)
    state = np.zeros((len(c), len(c)))
    even = np.arange(0, len(c), 2)
    state[even, even] = state[even + 1, even + 1] = poles.real
    state[even, even + 1], state[even + 1, even] = poles.imag, -poles.imag
    zeros = np.linalg.eigvals(state - np.outer(np.tile([2.0, 0.0], len(poles)), c)).astype(complex)
    turning = zeros[zeros.imag > 1e-6 * np.abs(zeros)]
    return np.asarray(1j * turning.imag - np.abs(turning.real))
