"""The ratio of two channels as a rational function of frequency, which a linear bench of a few parts always is.

Vector fitting (Gustavsen & Semlyen, IEEE Transactions on Power Delivery 14(3), 1999): with poles p given, both

    σ(s) m(s) = d + Σ r/(s − p)   and   σ(s) = e + Σ c/(s − p)

are linear in r, c, d and e; the zeros of σ are better poles. That σ is 1 in the mean is asked of it, not that e be 1
(Gustavsen, IEEE Transactions on Power Delivery 21(3), 2006): noise would make σ small where it may, and poles beyond the
band would stand where they began. Poles are real or come in conjugate pairs and lie in the left half-plane. How many are
needed is decided by the Bayesian information criterion. Of channels that are late or early by a part of a sample only a
delay beside it makes a function of few.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tsfit.base.arrays import Complex, Real

TURNS = 12
SETTLED = 1e-4
"""Relative change of the poles at which they stand."""
FLOOR = 3e-5
"""Share of the ratio below which nothing is followed: rounding and converters are no better."""
FOLDED = 2
"""Order of the polynomial for what sampling folds back."""
PIECE, ROWS, BLOCK = 1 << 13, 1 << 10, 32
LEAST_CONSTANT = 1e-8
"""Of σ, by which the others are divided."""
NEARLY_ONE = 1e-8
"""Share of the largest on a triangle's diagonal below which its columns are not told apart by it alone."""
SHARPEST = 30.0
"""Q of a resonance from which it is one point that is off, and nothing that a few parts do."""
ORDERS = ((2, 0), (1, 1), (2, 1), (3, 1), (4, 1), (2, 2), (3, 2), (4, 2), (5, 2), (4, 3), (5, 4))
"""Numbers of real poles and of pairs that are tried: coil, couplings and loading; resonances."""
EXPLAINED, IN_VAIN = 2.0, 2
"""Misfit over that of noise alone from which on so many further orders in a row that are no better end the search."""
ROUGH_ORDERS = ((2, 0), (2, 1), (3, 1), (3, 2))
"""Those that are tried for a first look."""
DELAYS, DELAY_TURNS, DELAY_SETTLED, DELAY_HELPS = 2, 8, 1e-9, 0.9
"""How often a delay is looked for, in how many turns, from what change of it (s) it stands, and the share of the misfit to
which it helps."""


@dataclass(frozen=True)
class Rational:
    """exp(−sτ) (d + Σ r/(s − p)), conjugates side by side."""

    poles: Complex  # (n,) rad/s
    residues: Complex  # (n,) in the unit of the ratio times rad/s
    constant: float  # its value far above all poles
    delay: float = 0.0  # τ, s

    def at(self, frequency_hz: Real) -> Complex:
        """Ratio (n,) at `frequency_hz` (n,)."""
        prompt = fractions(frequency_hz, self.poles, self.residues, self.constant)
        return prompt if self.delay == 0.0 else prompt * np.exp(-2j * math.pi * self.delay * frequency_hz)


def fractions(frequency_hz: Real, poles: Complex, residues: Complex, constant: complex) -> Complex:
    """Return d + Σ r/(s − p), shape (n,), at `frequency_hz` (n,)."""
    out = np.empty(len(frequency_hz), dtype=np.complex128)
    # In pieces that stay near the processor, by real numbers: complex ones are divided one by one.
    for start in range(0, len(out), PIECE):
        here, omega = out[start : start + PIECE], 2.0 * math.pi * frequency_hz[start : start + PIECE]
        real, imaginary = np.full(len(omega), constant.real), np.full(len(omega), constant.imag)
        for pole, residue in zip(poles.tolist(), residues.tolist(), strict=True):
            off = omega - pole.imag
            inverse = 1.0 / (off * off + pole.real**2)
            real += (residue.imag * off - residue.real * pole.real) * inverse
            imaginary -= (residue.real * off + residue.imag * pole.real) * inverse
        here.real, here.imag = real, imaginary
    return out


def of_the_ends(frequency_hz: Real, left: Complex, weight: Real, poles: Complex, wanted_hz: Real) -> Complex:
    """What the two ends of a record leave in its lines at `wanted_hz` (k,).

    They add to its spectrum what a difference of initial states would: a sum of the system's own modes (Pintelon &
    Schoukens, System Identification, 2nd ed., 2012, section 2.6.3, from memory), and what sampling folds back, smooth.
    `left` (n,) is what the ratio, whose `poles` are (m,), leaves over in the lines that count, by their `weight` (n,).
    """
    pieces = []
    for start in range(0, len(left), ROWS):
        f, here, by = (x[start : start + ROWS, np.newaxis] for x in (frequency_hz, left, weight))
        powers = np.polynomial.polynomial.polyvander(1j * f[:, 0] / frequency_hz[-1], FOLDED)
        columns = np.concatenate([1.0 / (2j * math.pi * f - poles), powers, here], axis=1) * by
        pieces.append(np.linalg.qr(columns, mode="r"))
    # A triangle of small ones has the singular values, and the columns' lengths, of all rows together.
    triangle: Complex = np.asarray(np.linalg.qr(np.concatenate(pieces), mode="r"))
    scale = np.linalg.norm(triangle[:, :-1], axis=0)
    x = np.linalg.lstsq(triangle[:, :-1] / scale, triangle[:, -1], rcond=1e-10)[0] / scale
    out = fractions(wanted_hz, poles, x[: len(poles)], 0.0)
    folded = x[len(poles) :] * 1j ** np.arange(FOLDED + 1)
    for start in range(0, len(out), PIECE):
        here, place = out[start : start + PIECE], wanted_hz[start : start + PIECE] / frequency_hz[-1]
        here.real += np.polynomial.polynomial.polyval(place, folded.real)
        here.imag += np.polynomial.polynomial.polyval(place, folded.imag)
    return out


def of_tones(
    tones: Sequence[float],
    frequency_hz: Real,
    ratio: Complex,
    left: Complex,
    weight: Real,
    wanted_hz: Real,
    wanted_ratio: Complex,
) -> Complex:
    """What steady `tones` (Hz) in both channels of a record that is else at rest leave in its lines at `wanted_hz` (k,).

    A tone is broken off at both ends, and is no more than an amplitude and a phase: what the first channel has of it goes
    with the `ratio` (n,), at those lines `wanted_ratio` (k,), and no other mode is due. `left` (n,) and `weight` (n,) are
    of lines near the tones, as for `of_the_ends`; where the ratio hardly bends, these cannot tell the channels apart, and
    neither is given more than all.
    """
    omega = 2.0 * math.pi * np.asarray(tones)

    def tuned(f: Real) -> Real:
        """Return 1/(ω² − Ω²) (n, k): ω times it is what the one phase of each tone leaves, jΩ times it the other."""
        return np.asarray(1.0 / ((omega**2)[:, np.newaxis] - (2.0 * math.pi * f) ** 2))

    here = tuned(frequency_hz).T
    phases = np.concatenate([2j * math.pi * frequency_hz[:, np.newaxis] * here, omega * here], axis=1)
    rows = np.concatenate([phases, phases * ratio[:, np.newaxis]], axis=1) * weight[:, np.newaxis]
    right = left * weight
    rows, right = np.concatenate([rows.real, rows.imag]), np.concatenate([right.real, right.imag])
    scale = np.linalg.norm(rows, axis=0)
    held = np.eye(len(scale)) / max(float(np.linalg.norm(right)), 1e-300)
    both = np.concatenate([rows / scale, held]), np.concatenate([right, np.zeros(len(scale))])
    found = (np.linalg.lstsq(*both, rcond=1e-10)[0] / scale).reshape(4, -1)
    found[1::2] *= omega
    out = wanted_ratio.astype(np.complex128)
    for start in range(0, len(out), PIECE):
        f, piece = wanted_hz[start : start + PIECE], out[start : start + PIECE]
        second, second_still, first, first_still = found @ tuned(f)
        turning = 2j * math.pi * f
        piece *= first_still + turning * first
        piece += second_still + turning * second
    return out


def _basis(s: Complex, poles: Complex) -> Complex:
    """Partial fractions (k, n) with real coefficients: of a pair, the sum and j times the difference."""
    out = 1.0 / (s - poles[:, np.newaxis])
    for k in (poles.imag > 0.0).nonzero()[0].tolist():
        first, second = out[k], out[k + 1]
        out[k], out[k + 1] = first + second, 1j * (first - second)
    return out


def _equations(basis: Complex, weight: Real, right: Complex, *, sigma: bool) -> Real:
    """Real equations, a row (2n + 2,) for each unknown, real and imaginary parts side by side; last comes the right side.

    Unknown are the parts of a sum of `basis` (k, n) and a constant, which equal `right` (n,), or with `sigma` σ times that;
    of the parts of σ and of its constant then, that the mean of σ be 1 is the last equation. All but `right` is weighted.
    """
    k, n = basis.shape
    out = np.zeros(((2 * k + 3) if sigma else (k + 2), n + 1), dtype=np.complex128)
    np.multiply(basis, weight, out=out[:k, :n])
    out[k, :n] = weight
    if sigma:
        np.multiply(basis, -right, out=out[k + 1 : -2, :n])
        out[-2, :n] = -right
        # As heavy as all others together are in the mean.
        heavy = float(np.linalg.norm(right)) / n
        out[k + 1 : -2, n], out[-2:, n] = heavy * basis.sum(axis=1).real, heavy * n
    else:
        out[-1, :n] = right
    return out.view(np.float64)


def _solved(equations: Real) -> Real:
    """Least-squares solution of real `equations`, which are overwritten, and whose sizes differ by many decades."""
    from scipy.linalg import lapack

    count = len(equations) - 1
    scale = np.sqrt(np.einsum("ij,ij->i", equations, equations))[:count]
    scale[scale == 0.0] = 1.0
    equations[:count] *= (1.0 / scale)[:, np.newaxis]
    # Householder's triangle is several times as quick as singular values, which only columns that are nearly one need.
    triangle = lapack.dgeqrf(equations.T, lwork=BLOCK * (count + 1), overwrite_a=1)[0][: count + 1]
    sizes = np.abs(triangle.diagonal())[:count]
    if len(triangle) > count and sizes.min() > NEARLY_ONE * sizes.max():
        # Of what stands below the diagonal nothing is read.
        found: Real = np.asarray(lapack.dtrtrs(triangle[:count, :count], triangle[:count, count])[0])
    else:
        triangle = np.triu(triangle)
        found = np.asarray(np.linalg.lstsq(triangle[:, :count], triangle[:, count], rcond=1e-12)[0])
    return np.asarray(found / scale)


def _zeros(poles: Complex, coefficients: Real) -> Complex:
    """Zeros of 1 + Σ c/(s − p), mirrored into the left half-plane; conjugates stand side by side."""
    from scipy.linalg import lapack

    # A pair is told by the sum of both and j times their difference.
    ones = 1.0 + np.sign(poles.imag)
    matrix = ones[:, np.newaxis] * -coefficients
    matrix.flat[:: len(poles) + 1] += poles.real
    for k in (poles.imag > 0.0).nonzero()[0].tolist():
        matrix[k, k + 1] += poles[k].imag
        matrix[k + 1, k] -= poles[k].imag
    if not np.isfinite(matrix).all():
        return np.full(len(poles), np.nan, dtype=np.complex128)
    real, imaginary, *_ = lapack.dgeev(matrix, compute_vl=0, compute_vr=0)
    found = -np.abs(real) + 1j * imaginary
    straight = np.abs(imaginary) < 1e-9 * np.abs(found)
    upper = found[~straight & (imaginary > 0.0)]
    both = np.empty(2 * len(upper), dtype=np.complex128)
    both[::2], both[1::2] = upper, upper.conj()
    return np.concatenate([found[straight].real.astype(np.complex128), both])


def _vector_fit(s: Complex, m: Complex, weight: Real, poles: Complex) -> tuple[Rational, float]:
    """Best function with as many poles as `poles`, from there, and its weighted sum of squares."""
    right = m * weight
    for _ in range(TURNS):
        *parts, constant = _solved(_equations(_basis(s, poles), weight, right, sigma=True))[len(poles) + 1 :]
        better = _zeros(poles, np.array(parts) / (constant if abs(constant) > LEAST_CONSTANT else LEAST_CONSTANT))
        if len(better) != len(poles) or not np.isfinite(better).all():
            break
        moved = np.max(np.abs(np.sort(np.abs(better)) / np.sort(np.abs(poles)) - 1.0))
        poles = better
        if moved < SETTLED:
            break
    basis = _basis(s, poles)
    x = _solved(_equations(basis, weight, right, sigma=False))
    residues = x[:-1].astype(np.complex128)
    for k in np.flatnonzero(poles.imag > 0.0):
        residues[k], residues[k + 1] = x[k] + 1j * x[k + 1], x[k] - 1j * x[k + 1]
    misfit = (x[:-1] @ basis + x[-1] - m) * weight
    return Rational(poles, residues, float(x[-1])), float(np.sum(np.abs(misfit) ** 2))


def fit_rational(
    frequency_hz: Real, ratio: Complex, variance: Real, orders: Iterable[tuple[int, int]] = ORDERS
) -> Rational:
    """Rational function of a ratio (n,) with `variance` (n,) E|δm|²; `orders` are numbers of real poles and pairs."""
    weight = 1.0 / np.sqrt(variance + (FLOOR * np.abs(ratio)) ** 2)
    s = np.asarray(2j * math.pi * frequency_hz, dtype=np.complex128)
    found, tried = _of_best_order(s, ratio, weight, orders)
    for _ in range(DELAYS):
        if found.squares < EXPLAINED * len(s):
            break
        at_once = ratio * np.exp(s * found.rational.delay)
        more = next((more for one in tried if (more := _delay(s, at_once, weight, one))), 0.0)
        if more == 0.0:
            break
        delay = found.rational.delay + more
        other, tried = _of_best_order(s, ratio * np.exp(s * delay), weight, orders)
        if other.criterion > found.criterion:
            break
        found = replace(other, rational=replace(other.rational, delay=delay))
    return found.rational


@dataclass(frozen=True)
class _Tried:
    """A rational function, its weighted sum of squares, and the information criterion, infinite where there is none."""

    rational: Rational
    squares: float = math.inf
    criterion: float = math.inf


def _of_best_order(
    s: Complex, ratio: Complex, weight: Real, orders: Iterable[tuple[int, int]]
) -> tuple[_Tried, list[_Tried]]:
    """The best function, and all that were tried, the closest first."""
    # Where the ratio stands out most against its usual value is the main resonance, or near enough.
    turns = s.imag / (2.0 * math.pi)
    peak = turns[int(np.argmax(np.abs(ratio - np.median(ratio)) / np.sqrt(turns)))]
    best, in_vain = _Tried(Rational(np.zeros(0, complex), np.zeros(0, complex), float(np.median(ratio.real)))), 0
    tried = []
    for reals, pairs in orders:
        if 2 * (2 * pairs + reals) + 1 > len(s):
            continue
        found, squares = _vector_fit(s, ratio, weight, _started(peak, float(turns[-1]), reals, pairs))
        criterion = 2.0 * squares + (2 * len(found.poles) + 1) * math.log(2 * len(s))
        tried.append(_Tried(found, squares, criterion))
        if criterion < best.criterion and np.all(np.abs(found.poles.imag) < 2.0 * SHARPEST * np.abs(found.poles.real)):
            best, in_vain = tried[-1], 0
        else:
            in_vain += 1
        # What is explained counts, not by what was refused: a pair that is one point off may hide that another is wanted.
        if in_vain > IN_VAIN and best.squares < EXPLAINED * len(s):
            break
    return best, sorted(tried, key=lambda one: one.squares)


def _delay(s: Complex, ratio: Complex, weight: Real, found: _Tried) -> float:
    """Delay (s) with which the function `found` explains a ratio (n,) better, 0 for none: a linear unknown, in turns."""
    delay, poles, squares = 0.0, found.rational.poles, found.squares
    for _ in range(DELAY_TURNS):
        prompt = ratio * np.exp(s * delay)
        columns = np.concatenate([_basis(s, poles), (-s * prompt)[np.newaxis]])
        move = float(_solved(_equations(columns, weight, prompt * weight, sigma=False))[-2])
        function, left = _vector_fit(s, ratio * np.exp(s * (delay + move)), weight, poles)
        if left > DELAY_HELPS * squares:
            break
        delay, poles, squares = delay + move, function.poles, left
        if abs(move) < DELAY_SETTLED:
            break
    return delay


def _started(peak: float, highest: float, reals: int, pairs: int) -> Complex:
    """First poles (n,), rad/s: real ones to beyond the `highest` frequency, pairs from the `peak` up (Hz)."""
    upper = peak * 1.7 ** np.arange(pairs) * (-0.1 + 1j)
    rest = np.geomspace(min(3.0 * peak, highest), 1.5 * highest, reals)
    both = np.stack([upper, upper.conj()], axis=1).ravel()
    return np.asarray(2.0 * math.pi * np.concatenate([both, -rest]), dtype=np.complex128)
