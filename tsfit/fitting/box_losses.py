"""What closed test boxes lose by themselves: leak and absorption of each box sweep, and what that says of the box."""

from collections.abc import Sequence

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.figures import in_figures
from tsfit.base.intervals import NORMAL_95
from tsfit.base.notes import QualityNote
from tsfit.driver.fit_result import BoxLosses, Estimate
from tsfit.driver.parameters import PLAIN
from tsfit.fitting.demands import BOX_LOSSES
from tsfit.fitting.propagation import propagate
from tsfit.fitting.solve import Solved
from tsfit.fitting.sweep import FitSweep
from tsfit.fitting.uncertainty import Propagated

SOUND_Q = 10.0
"""Leak Q or absorption Q that a sound test box has at least. Common practice, no source."""
SEEN = 3.0
"""Standard uncertainties by which a loss stands off zero that is told, or that no box can have."""
CAUSES = {
    "leak_q": "it leaks; seal joints, terminals and the rim of the driver",
    "absorption_q": "something in it absorbs; take filling out and stiffen its panels",
    "box_q": "it leaks or something in it absorbs, which this sweep cannot tell apart; seal it and take filling out",
}


def box_losses(best: Solved, figures: Propagated) -> list[BoxLosses]:
    """Loss factors of the test box of each box sweep, as far as they are seen."""
    return [_losses_of(best, sweep, figures) for sweep in best.model.sweeps if sweep.resonance_hz is not None]


def _losses_of(best: Solved, sweep: FitSweep, figures: Propagated) -> BoxLosses:
    model = best.model

    def reciprocals(x: Real) -> Real:
        """1/Q of leaks, of absorption, and of both."""
        v = model.values(x)
        each = [np.broadcast_to(model.box_loss(v, sweep, name), x.shape[:-1]) for name in BOX_LOSSES]
        return np.stack([*each, each[0] + each[1]])

    rates, stdev = reciprocals(best.x), np.sqrt(np.diag(propagate(reciprocals, best.x, best.covariance)))
    leak, absorption, box = (_factor(*each) for each in zip(rates.tolist(), stdev.tolist(), strict=True))
    assert sweep.resonance_hz is not None
    return BoxLosses(
        sweep=sweep.number,
        hz=sweep.resonance_hz,
        leak_q=leak,
        absorption_q=absorption,
        box_q=box,
        least_q=1.0 / float(max(rates[2], 0.0) + NORMAL_95 * stdev[2]) if stdev[2] else None,
        sigma=float(rates[2] / stdev[2]) if stdev[2] else None,
        share_of_vas=_share(best, sweep, figures),
    )


def _factor(rate: float, stdev: float) -> Estimate | None:
    """Loss factor of which 1/Q is `rate`; None where none is seen."""
    if not rate > SEEN * stdev:
        return None
    ends = (1.0 / (rate + NORMAL_95 * stdev), 1.0 / (rate - NORMAL_95 * stdev))
    return Estimate(1.0 / rate, stdev / rate**2, ends, PLAIN)


def _share(best: Solved, sweep: FitSweep, figures: Propagated) -> float:
    """Share of the variance of Vas that would go if the losses of a box were known."""
    places = [k for k, name in enumerate(best.model.names) if name in [f"{loss}:{sweep.number}" for loss in BOX_LOSSES]]
    row = figures.names.index("Vas")
    along = figures.slopes[row] @ best.covariance[:, places]
    return float(along @ np.linalg.solve(best.covariance[np.ix_(places, places)], along) / figures.covariance[row, row])


def loss_notes(found: Sequence[BoxLosses]) -> list[QualityNote]:
    """Tell losses that are seen, warn of a box that is not sound, and of one that seems to feed the cone."""
    notes = []
    for each in found:
        seen = {name: getattr(each, name) for name in CAUSES if getattr(each, name) is not None}
        told = ", ".join(
            f"{LABELS[name]} {in_figures(factor.value, 3)} ± {in_figures(factor.stdev, 2)}" for name, factor in seen.items()
        )
        share = f"they make {100.0 * each.share_of_vas:.0f} % of the variance of Vas"
        poor = next((name for name, factor in seen.items() if factor.value < SOUND_Q), None)
        if poor is not None:
            message = (
                f"The test box is not sound ({told} at {in_figures(each.hz, 3)} Hz, a sound one has {SOUND_Q:g} or more): "
                f"{CAUSES[poor]}, and sweep again. The losses are counted to this sweep alone, not to Qms; {share}."
            )
            notes.append(QualityNote("lossy_box", "warn", message, each.sweep))
        elif seen:
            message = (
                f"The test box has losses of its own, {told} at {in_figures(each.hz, 3)} Hz, counted to "
                f"this sweep alone; {share}."
            )
            notes.append(QualityNote("box_losses", "note", message, each.sweep))
        elif each.sigma is not None and each.sigma < -SEEN:
            message = (
                f"In the box the cone loses less than in the other sweeps, by {in_figures(-each.sigma, 2)} "
                f"standard uncertainties, "
                "which no box can do; sweep all states at one level and with the coil as warm."
            )
            notes.append(QualityNote("box_feeds", "warn", message, each.sweep))
    return notes


LABELS = {"leak_q": "leak QL", "absorption_q": "absorption QA", "box_q": "together QB"}
