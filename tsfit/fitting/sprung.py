"""Sprung parts of cone and box, looked for in what the best circuit misses.

A part of small mass changes the impedance in proportion to that, by a course which its resonance and its Q alone shape: the
course that takes most from the misfit, once what the other variables could do is taken off, begins the search.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import accumulate, pairwise

import numpy as np

from tsfit.base.arrays import Complex, Real
from tsfit.circuit.response import impedance_gradient
from tsfit.circuit.sprung import LABELS, of_box, terms_of
from tsfit.fitting.artefacts import strays
from tsfit.fitting.select import CLOSE_CALL, Ranked, Task, blocked_start, compete
from tsfit.fitting.solve import NEAREST, UNFINISHED, Solved, highest_resonance, solve
from tsfit.fitting.sweep import FitSweep

log = logging.getLogger(__name__)
MOST = 2
"""Parts of the cone at most, and of the box of each sweep one."""
PER_OCTAVE = 16
QS = {1.0: 4, 2.0: 4, 4.0: 4, 8.0: 2, 16.0: 1, 32.0: 1}
"""Q of the parts that are tried, and at each how-many-eth frequency: the course of a dull part is met from farther off."""
LIKELY = 0.3
"""Greatest mass over Mms from which the search begins."""
ROUNDING = 1e-5
"""Least share of a course that is its own."""
SURE, WORTH = 40.0, 0.05
"""Sum of squares that a part must take away: beyond any noise, and as a share of all, or it is a trifle."""


def with_parts(ranked: list[Ranked], task: Task) -> list[Ranked]:
    """Let all circuits compete again with the sprung parts that the best one wants; return `ranked` where it wants none."""
    plain = ranked[0].solved
    best, tried = plain, plain if plain.fault is None else None
    while tried is not None:
        tried = _with_one_more(tried)
        if tried is not None and _worth(plain, tried) > _worth(plain, best) + CLOSE_CALL:
            best = tried
    if best is plain:
        return ranked
    found = compete(replace(task, parts=best.circuit.parts), _reached(best, task))
    return found if found[0].fault is None and _worth(plain, found[0].solved) > CLOSE_CALL else ranked


def again_with(ranked: Sequence[Ranked], task: Task) -> list[Ranked]:
    """Let all circuits compete under another `task`, with the sprung parts of the best of `ranked`, and look for more."""
    best = ranked[0].solved
    task = replace(task, parts=best.circuit.parts)
    return with_parts(compete(task, _reached(best, task)), task)


def _reached(best: Solved, task: Task) -> dict[str, float]:
    """Values of `best`, SI, for others to begin at."""
    values = best.values
    names = ("Re", "Fs", "Qms", "Qes", *(["Mms"] if task.with_mass else []))
    parts = (name for label in best.circuit.parts for name in terms_of(label))
    return {name: values[name] for name in (*names, *parts)}


def _worth(plain: Solved, other: Solved) -> float:
    """By how much the information criterion of `other` is better than that of the `plain` circuit.

    Counted with as many points per error as the one has whose misfit is less of a bend.
    """
    shared = min(plain.points_per_error, other.points_per_error)
    points = 2.0 * sum(len(sweep.frequency_hz) for sweep in plain.model.sweeps) / shared
    closer = (plain.solution.deviance - other.solution.deviance) / shared + plain.strain - other.strain
    return closer - (other.free - plain.free) * math.log(points)


def _with_one_more(best: Solved) -> Solved | None:
    """Fit the circuit of `best` with the part that takes most from its misfit; None where none takes enough."""
    model, taken = best.model, best.circuit.parts
    free = [label for label in LABELS[:MOST] if label not in taken][:1]
    boxed = [sweep for sweep in model.sweeps if sweep.state.kind == "closed box" and of_box(sweep.number) not in taken]
    found = [_best_course(best, label, model.sweeps) for label in free]
    found += [_best_course(best, of_box(sweep.number), [sweep]) for sweep in boxed]
    gain, label, values = max(found, default=(0.0, "", {}), key=lambda each: each[0])
    if not gain:
        return None
    log.info("a sprung part near %.4g Hz may take %.2g %% of the misfit", values[terms_of(label)[0]], 100.0 * gain)
    further = replace(model, circuit=replace(best.circuit, parts=(*taken, label)))
    # The coil has bent itself to the course of the part, and finds no way back from there.
    start = {**best.values, **values}
    x = further.start(start | blocked_start(best.circuit.coil, model.sweeps, start))
    for name in model.names[len(model.names) - model.n_priors :]:
        x[further.names.index(name)] = best.x[model.names.index(name)]
    tried = solve(further, x, best.floor * math.sqrt(1.0 - gain), rough=True)
    # One that creeps along a coil term too many has the part all the same, and the competition judges it.
    return tried if tried.fault in (None, UNFINISHED) else None


def _best_course(best: Solved, label: str, sweeps: Sequence[FitSweep]) -> tuple[float, str, dict[str, float]]:
    """Share of the misfit that one part takes away, and its values; 0 where it is not enough."""
    from scipy.linalg import lapack

    model = best.model
    nearest = NEAREST * highest_resonance(model, best.values["Fs"])
    top = max(float(sweep.frequency_hz[-1]) for sweep in sweeps)
    if top <= nearest:
        return 0.0, label, {}
    count = max(int(PER_OCTAVE * math.log2(top / nearest)), 2)
    hz = nearest * (top / nearest) ** (np.arange(count) / (count - 1))
    weight = np.sqrt(2.0 / np.concatenate(best.solution.weights.variances(model)))
    # A stray reading would look like a part of the highest Q.
    stray = np.concatenate([strays(best.heights[each.number]) for each in model.sweeps])
    weight[stray] = 0.0
    misfit = (np.concatenate(best.solution.misfits) * weight).view(float)
    turned, scales, _, _ = lapack.dgeqrf((best.solution.jacobian[:, : len(misfit)] * np.repeat(~stray, 2)).T, overwrite_a=1)
    basis = lapack.dorgqr(turned[:, : len(scales)], scales, overwrite_a=1)[0].T
    # What the other variables could do of the misfit, and of each course, is taken off.
    others = np.concatenate([[misfit - basis.T @ (basis @ misfit)], basis]).view(complex)
    tried_hz = np.concatenate([hz[::step] for step in QS.values()])
    tried_q = np.repeat(list(QS), [len(hz[::step]) for step in QS.values()])
    size, along = np.zeros(len(tried_hz)), np.zeros((len(tried_hz), len(others)))
    places = pairwise(accumulate((len(sweep.frequency_hz) for sweep in model.sweeps), initial=0))
    for sweep, place in zip(model.sweeps, places, strict=True):
        if any(sweep is one for one in sweeps):
            own, shared = _courses(best, sweep, (hz, tried_hz, tried_q), weight[slice(*place)], others[:, slice(*place)])
            size, along = size + own, along + shared
    size = np.maximum(size - np.einsum("ij,ij->i", along[:, 1:], along[:, 1:]), ROUNDING * size)
    share = -along[:, 0] / size
    gains = np.where((share > 0.0), share**2 * size, 0.0)
    k = int(np.argmax(gains))
    whole = float(misfit @ misfit)
    if gains[k] < max(SURE, WORTH * whole):
        return 0.0, label, {}
    # What is seen is where part and cone together answer most; a heavier part rings below that.
    mass = min(float(share[k]), LIKELY)
    values = (max(float(tried_hz[k]) * math.sqrt(1.0 - mass), nearest), mass, float(tried_q[k]))
    return float(gains[k]) / whole, label, dict(zip(terms_of(label), values, strict=True))


def _courses(
    best: Solved, sweep: FitSweep, tried: tuple[Real, Real, Real], weight: Real, others: Complex
) -> tuple[Real, Real]:
    """Change of Z for the mass of each part that is `tried`, over Mms, in one sweep, times `weight` (n,).

    `tried` holds frequencies, Hz, of which each of `QS` takes its share, and the frequency and the Q of each part that
    makes (k,). Returned are the sum of squares of each (k,), and its products with `others` (m, n), real and imaginary
    parts alike, (k, m). A part answers with 1/(w² − ω² + jωw/Q), which is 1/(ωw) of 1/(t + j/Q) with t = w/ω − ω/w.
    """
    v, (hz, tried_hz, tried_q) = best.values, tried
    p = best.model.circuit_values(v, sweep)
    _, d = impedance_gradient(sweep.frequency_hz, p, best.circuit, best.model.load(v, sweep))
    omega, w = 2.0 * math.pi * sweep.frequency_hz, 2.0 * math.pi * hz[:, None]
    unit = d["added_mass"] * p["Mms"] * omega * weight
    largest = np.abs(unit).max()
    unit /= largest
    products = np.conj(unit) * others
    # Half as many digits take half the time, and tell a course from another.
    real = products.real.T.astype(np.float32)
    other = np.concatenate([products.imag, [np.abs(unit) ** 2]]).T.astype(np.float32)
    t = w.astype(np.float32) / omega.astype(np.float32)
    # In arrays that are there: new ones of this size cost more than what is computed.
    size = 1.0 / t
    t -= size
    lossy, along = (np.empty((len(tried_q), len(others) + k), dtype=np.float32) for k in (1, 0))
    done = 0
    for q, step in QS.items():
        near = t[::step]
        share = np.multiply(near, near, out=size[: len(near)])
        share += 1.0 / q**2
        np.divide(1.0, share, out=share)
        place = slice(done, done := done + len(near))
        np.matmul(share, other, out=lossy[place])
        share *= near
        np.matmul(share, real, out=along[place])
    at = (largest / (2.0 * math.pi) / tried_hz)[:, None]
    return lossy[:, -1] * at[:, 0] ** 2, (along - lossy[:, :-1] / tried_q[:, None]) * at
