"""Drivers with two coils: which wirings may be fitted together, and what the fit says of each.

Both coils are taken as equal and on one former, so that Re and Bl follow from the wiring alone. How the blocked impedance
goes depends on their coupling, which shows where one coil alone is among the sweeps; otherwise it is assumed, with its
uncertainty. An idle coil that is not open carries a current which brakes the cone: then no Q can be told.
"""

import math
from collections.abc import Sequence

import numpy as np

from tsfit.base.arrays import Number, Real
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.base.notes import QualityNote
from tsfit.circuit.coil import COIL_MODELS
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.fit_result import Estimate, FittedState
from tsfit.driver.formulas import efficiency, electrical_q, equivalent_volume, sensitivity_1w, sensitivity_2v83, total_q
from tsfit.fitting.model import COUPLING, JointModel
from tsfit.fitting.propagation import propagate
from tsfit.fitting.select import Ranked, others_in_doubt
from tsfit.fitting.solve import Solved
from tsfit.fitting.start import Resonance
from tsfit.fitting.uncertainty import parameter_estimate

WIRINGS = ("series", "parallel", "one coil")
BRAKED = 0.5
"""Qms read off one coil, as a share of that in another wiring, below which the idle coil brakes."""
MEASURED = 0.5
"""Standard uncertainty of the coupling, as a share of the assumed one, below which the sweeps have told it."""
OPEN_IT = "leave the ends of the idle coil open and sweep again"


def check_wirings(curves: Sequence[tuple[ImpedanceCurve, State]]) -> None:
    """Refuse sweeps that cannot stand together, or whose idle coil is stated not to be open.

    Raises TsfitError ``mixed_wiring`` when only some state a wiring; ``other_coil``.
    """
    without = [curve.source for curve, state in curves if state.wiring is None]
    if without and len(without) < len(curves):
        message = (
            f"{without[0]}: other sweeps of the driver state a wiring and this one does not; add wiring, one of "
            f"{', '.join(WIRINGS)}."
        )
        raise TsfitError(message, code="mixed_wiring", file=without[0])
    for curve, state in curves:
        if state.other_coil != "open":
            message = (
                f"{curve.source}: the other coil was {state.other_coil}, and its current brakes the cone, so that neither "
                f"Qes nor Qms can be told; {OPEN_IT}."
            )
            raise TsfitError(message, code="other_coil", file=curve.source)


def check_other_coil(curves: Sequence[tuple[ImpedanceCurve, State]], peaks: Sequence[Resonance]) -> None:
    """Refuse one-coil sweeps whose peak is so much lower than in another wiring that the idle coil cannot have been open.

    Raises TsfitError ``other_coil``.
    """
    both = [peak.Qms for (_, state), peak in zip(curves, peaks, strict=True) if state.wiring in ("series", "parallel")]
    for (curve, state), peak in zip(curves, peaks, strict=True):
        if both and state.wiring == "one coil" and peak.Qms < BRAKED * min(both):
            message = (
                f"{curve.source}: through one coil Qms reads {in_figures(peak.Qms, 2)} against "
                f"{in_figures(min(both), 2)} with both coils wired, "
                f"as if the other coil had been shorted or loaded, and then no Qes can be told; {OPEN_IT}."
            )
            raise TsfitError(message, code="other_coil", file=curve.source)


def wiring_parameters(model: JointModel, x: Real, wiring: str) -> dict[str, Number]:
    """What depends on the wiring, SI, by name; variables (..., n_variables) give values of shape (...)."""
    v = model.values(x)
    p = model.rewired(model.circuit_values(v), v, wiring)
    qes = electrical_q(v["Fs"], p["Mms"], p["Re"], p["Bl"])
    figures: dict[str, Number] = {"Re": p["Re"], "Qes": qes, "Qts": total_q(v["Qms"], qes)}
    if model.with_mass:
        figures["Bl"] = p["Bl"]
        if model.sd is not None:
            vas = equivalent_volume(p["Cms"], v["Sd"], model.air)
            figures["eta0"] = efficiency(v["Fs"], vas, qes, model.air)
            figures["sensitivity_1W"] = sensitivity_1w(figures["eta0"], model.air)
            figures["sensitivity_2V83"] = sensitivity_2v83(figures["eta0"], p["Re"], model.air)
    columns = {name: np.asarray(p[name])[..., np.newaxis] for name in model.shape}
    coil, _ = COIL_MODELS[model.circuit.coil].evaluate(np.array([2000j * math.pi]), columns)
    figures["Le_1kHz"] = coil[..., 0].imag / (2000.0 * math.pi)
    return figures


def wiring_estimates(ranked: Sequence[Ranked]) -> dict[str, dict[str, Estimate]]:
    """Estimates of what depends on the wiring, by wiring and name, rival models counted; empty for a single coil."""
    best = ranked[0].solved
    model = best.model
    if model.wiring is None:
        return {}
    found: dict[str, dict[str, Estimate]] = {}
    for wiring in WIRINGS:

        def figures(at: Real, wiring: str = wiring) -> Real:
            return np.stack(list(wiring_parameters(model, at, wiring).values()))

        variance = np.diag(propagate(figures, best.x, best.covariance)).copy()
        for rival, base, weight in others_in_doubt(ranked):
            other, than = (np.stack(list(wiring_parameters(each.model, each.x, wiring).values())) for each in (rival, base))
            variance += weight * (other - than) ** 2
        spread = np.sqrt(variance)
        found[wiring] = {
            name: parameter_estimate(name, float(value), float(stdev))
            for (name, value), stdev in zip(wiring_parameters(model, best.x, wiring).items(), spread, strict=True)
        }
    return found


def wiring_notes(best: Solved, states: Sequence[FittedState]) -> list[QualityNote]:
    """Say for which wiring the parameters hold, what the coupling stands on, and whether the idle coil looks open."""
    model = best.model
    if model.wiring is None:
        return []
    k = model.names.index("coupling")
    spread = math.sqrt(best.covariance[k, k])
    source = "as the sweeps show" if spread < MEASURED else "assumed; sweep one coil beside both to tell it"
    coupling = f"{COUPLING[0] + COUPLING[1] * best.x[k]:.2f} ± {COUPLING[1] * spread:.2f}"
    wired = "one coil, the other open" if model.wiring == "one coil" else f"both coils in {model.wiring}"
    notes = [
        QualityNote("wiring", "note", f"The parameters hold for {wired}; coupling of the coils {coupling}, {source}."),
    ]
    qms, qes = (best.values[name] for name in ("Qms", "Qes"))
    if {one.state.wiring for one in states} == {"one coil"} and qms < qes:
        message = (
            f"Through one coil Qms = {in_figures(qms, 2)} lies below Qes = {in_figures(qes, 2)}, as with the "
            f"other coil shorted or loaded; Qes "
            "holds only if it was open. Check its ends, or sweep both coils in series beside it."
        )
        notes.append(QualityNote("other_coil", "warn", message))
    return notes
