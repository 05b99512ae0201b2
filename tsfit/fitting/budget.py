"""What contributes how much to the uncertainty of each figure, and what to improve first.

To first order, one linear map leads from everything uncertain (noise of every point, each stated input) to the variables of
the fit, so that the combined variance is the sum of independent parts (JCGM 100:2008, 5.1.2): the columns of the
covariance for the stated inputs, the noise as far as the recordings state it, and for the rest of the data part what the
circuit misses. The choice among models stands beside them, and what a smear of the resonance may have done.
"""

import math
from collections.abc import Mapping, Sequence

import numpy as np

from tsfit.base.arrays import Real
from tsfit.fitting.select import Ranked
from tsfit.fitting.solve import Solved
from tsfit.fitting.uncertainty import Propagated

NOISE, MISFIT, MODELS, SMEAR = "noise", "what the circuit misses", "choice of circuit models", "smeared resonance"
REMEDIES = {
    NOISE: "sweep again longer, louder within the small-signal range, or with repeats",
    MISFIT: "sweep from lower and closer around the resonance, at a small signal and away from walls and rattling things",
    MODELS: "sweep over a wider range, which tells the models apart",
    SMEAR: "sweep slower, with finer resolution and more quietly",
    "coil heat": "let the coil cool between sweeps, sweep at a lower level and state coil_temperature_c",
    "suspension from sweep": "repeat every state: let the driver rest between sweeps, at the same level and warmth",
    "effective area": "measure the diameter on several lines, mid-surround to mid-surround, or take a test box for Vas",
    "sample clock": "calibrate the sound card's clock",
    "mass": "weigh the mass on a better scale, or add a heavier one (half to one times the moving mass)",
    "volume": "measure it by filling, and subtract what the driver displaces in it",
    "losses of the box": "seal the test box and take filling out, or use an added mass instead",
    "air load": "use a larger test box, or an added mass instead",
}
CALIBRATION = "calibrate the rig, with resistors known closely"


def budget(ranked: Sequence[Ranked], figures: Propagated) -> dict[str, dict[str, float]]:
    """Standard uncertainty in SI that each source alone would give each figure, by figure, then by source, largest first.

    The squares of one figure add up to the square of its standard uncertainty.
    """
    best = ranked[0].solved
    model, slopes = best.model, figures.slopes
    parts: dict[str, Real] = {}

    def add(source: str, variance: Real) -> None:
        parts[source] = parts.get(source, 0.0) + variance

    moved = slopes @ best.covariance
    for prior in model.priors:
        add(prior.label, moved[:, model.names.index(prior.key)] ** 2)
    data = np.sum(moved * slopes, axis=1) - sum(parts.values(), np.zeros(len(slopes)))
    noise = np.minimum(_noise(best, moved), np.maximum(data, 0.0))
    add(NOISE, noise)
    add(MISFIT, np.maximum(data - noise, 0.0))
    add(MODELS, np.sum(figures.apart**2, axis=1))
    add(SMEAR, np.sum(figures.smeared**2, axis=1))
    rows = np.sqrt(np.array(list(parts.values()))).T.tolist()
    shares = ([(source, size) for source, size in zip(parts, row, strict=True) if size] for row in rows)
    return {name: dict(sorted(each, key=lambda item: -item[1])) for name, each in zip(figures.names, shares, strict=True)}


def _noise(best: Solved, moved: Real) -> Real:
    """Variance (k,) that the stated noise alone gives the figures."""
    model = best.model
    share = np.concatenate([np.repeat(sweep.noise / best.variance(sweep), 2) for sweep in model.sweeps])
    answer = moved @ best.solution.jacobian[:, : len(share)] / math.sqrt(best.points_per_error)
    return np.asarray(np.sum(answer**2 * share, axis=1))


def shares_of(sources: Mapping[str, float], least: float = 0.01, most: int = 3) -> dict[str, float]:
    """Shares in the variance, the largest `most` of those that are at least `least`."""
    total = sum(value**2 for value in sources.values()) or 1.0
    shares = {source: value**2 / total for source, value in sources.items()}
    return {source: share for source, share in list(shares.items())[:most] if share >= least}


def advice(table: Mapping[str, Mapping[str, float]]) -> str | None:
    """One sentence: what brings most of the uncertainty of Vas (or Qts), and how to lower it."""
    figure = "Vas" if "Vas" in table else "Qts"
    sources = table.get(figure, {})
    if not any(sources.values()):
        return None
    first, share = next(iter(shares_of(sources).items()))
    place = first if first == MISFIT else f"the {first}"
    if first.startswith("volume"):
        place = place.replace("volume", "test box's volume", 1)
    part = "Most" if share > 0.5 else "The largest part"
    return f"{part} of the ± of {figure} comes from {place} ({100.0 * share:.0f} %): {remedy_of(first)}."


def remedy_of(source: str) -> str:
    """What lowers the uncertainty that a source brings."""
    return next((text for start, text in REMEDIES.items() if source.startswith(start)), CALIBRATION)
