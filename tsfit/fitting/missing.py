"""What kind of thing a circuit lacks, by where and how smoothly it misses the curve."""

import math
from collections.abc import Container, Sequence

import numpy as np

from tsfit.base.arrays import Complex, Real
from tsfit.base.figures import in_figures
from tsfit.base.notes import QualityNote
from tsfit.circuit.kramers_kronig import octave_edges, octave_means
from tsfit.fitting.solve import Solved
from tsfit.fitting.validity import ROUGH_SHARE, roughness

COARSE = 0.02
"""RMS misfit over |Z| that is worth a word where it is uneven from point to point, as noise is of which not all is told."""
SMOOTH = 0.5
"""Share of a misfit that may be noise from point to point where the rest is called smooth."""
PLACES = (
    (0.6, "a suspension that yields otherwise than the models (creep), or a leak of the box"),
    (1.7, "friction or stiffness that changes with the level, a coil that rubs, or a loss of the box"),
    (12.0, "a part that swings by itself (surround, dust cap, a panel, the air between walls)"),
    (math.inf, "a coil in its iron (eddy currents) like none of the models, or a cone that breaks up"),
)  # fmt: skip
"""Up to how many times Fs which is the usual cause; common practice, no source."""


def missing_note(best: Solved, peaks_hz: Sequence[float], smeared: Container[int | None] = ()) -> list[QualityNote]:
    """Say of the sweep that is missed most, by more than noise and 1 %, what is likely missing, and where.

    `peaks_hz` are the resonances that the sweeps of the bench show, by their numbers; those `smeared` have it said already.
    """
    worst = max(best.poorly_met, key=lambda sweep: best.sure_misfits[sweep.number], default=None)
    if worst is None:
        return []
    size, known = best.sure_misfits[worst.number], worst.known
    off = np.asarray(best.misfit(worst) / np.abs(worst.impedance_ohm))[known]
    blurred = worst.number in smeared
    message = missing(worst.frequency_hz[known], off, peaks_hz[worst.number], coarse=size > COARSE, smeared=blurred)
    return [] if message is None else [QualityNote("circuit_lacks", "warn", message, worst.number)]


def missing(
    frequency_hz: Real, misfit: Complex, peak_hz: float, *, coarse: bool = True, smeared: bool = False
) -> str | None:
    """Return what is likely missing from a circuit that misses a curve by `misfit` (n,) of |Z|, and where.

    None where it is uneven from point to point and not `coarse`. About a `smeared` peak nothing else is guessed at.
    """
    square = np.abs(misfit) ** 2
    means = octave_means(frequency_hz, square)
    top = int(np.argmax(means))
    low, high = (float(edge[top]) for edge in octave_edges(frequency_hz))
    most = math.sqrt(float(means[top]))
    there = misfit[(frequency_hz >= low) & (frequency_hz <= high)]
    where = (
        f"The circuit misses the curve by {in_figures(100.0 * math.sqrt(float(np.mean(square))), 2)} %, most from "
        f"{in_figures(low, 3)} to "
        f"{in_figures(high, 3)} Hz ({in_figures(100.0 * most, 2)} %)"
    )
    if smeared and low < peak_hz < high:
        return f"{where}, about the resonance, which looks smeared."
    if roughness(there, ROUGH_SHARE) > SMOOTH * most:
        why = (
            f"{where}, unevenly from point to point, as an instrument's steps or noise do; measure again, louder or slower."
        )
        return why if coarse else None
    middle = math.sqrt(low * high) / peak_hz
    cause = next(cause for place, cause in PLACES if middle < place)
    return (
        f"{where}, smoothly, so something is missing from it: most often {cause}; or it changed while that was swept (a "
        "contact, a warming coil, lost samples, another clock). One more sweep at this level and one at another tell more."
    )
