"""From ranked candidates to the result that a person reads: parameters, intervals, rivals, remarks."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from tsfit.base.arrays import Complex, Mask, Real
from tsfit.base.causes import cause
from tsfit.base.figures import in_figures
from tsfit.base.notes import QualityNote
from tsfit.circuit.sprung import LABELS, at_the_peak, terms_of
from tsfit.driver.curve import ImpedanceCurve
from tsfit.driver.fit_result import Estimate, FitResult, FittedState, ModelCandidate, MonteCarlo
from tsfit.driver.record import Driver
from tsfit.fitting.agreement import agreement_notes, agreements, refuse_slip, trust_note
from tsfit.fitting.box_losses import box_losses, loss_notes
from tsfit.fitting.budget import advice, budget
from tsfit.fitting.demands import shown
from tsfit.fitting.line import smooth_line
from tsfit.fitting.monte_carlo import Trials, run_trials
from tsfit.fitting.profile import traced_intervals
from tsfit.fitting.reference_conditions import condition_estimates
from tsfit.fitting.scatter import scatter_note
from tsfit.fitting.select import CLOSE_CALL, LAW_SHARE, Ranked, in_doubt, misfit_percent
from tsfit.fitting.solve import Solved, engine_of
from tsfit.fitting.sweep import FitSweep, Prior
from tsfit.fitting.uncertainty import estimates, propagated, systematic_shifts
from tsfit.fitting.wirings import wiring_estimates, wiring_notes

if TYPE_CHECKING:
    from lmfit import Minimizer
    from lmfit.minimizer import MinimizerResult

OTHER_PERCENT = 1.5
"""Difference of Re between sweeps that is worth a word."""
SEEN_AT_PEAK = 0.003
"""Share by which sprung parts change the Q that the peak's width reads, from which that is worth a word."""


@dataclass(frozen=True)
class Rest:
    """The minimum of a fit, of which more can be asked: `tsfit.driver.fit_result.Minimum`."""

    best: Solved

    def lmfit(self) -> tuple[Minimizer, MinimizerResult]:
        """Return the fit as lmfit has it."""
        return engine_of(self.best)

    def run_trials(
        self, trials: Trials, *, workers: int = 1, on_trials: Callable[[int], None] = lambda done: None
    ) -> MonteCarlo:
        """Propagate the distributions of all inputs, as `monte_carlo.run_trials`."""
        return run_trials(self.best, trials, workers=workers, on_trials=on_trials)


def fitted_state(best: Solved, sweep: FitSweep, curve: ImpedanceCurve, mask: Mask) -> FittedState:
    """One sweep beside what the best candidate makes of it, over all its points."""
    noise = np.zeros(len(mask)) if curve.variance_ohm2 is None else curve.variance_ohm2
    sigma = np.sqrt(0.5 * (noise + (best.floor * np.abs(curve.impedance_ohm)) ** 2))
    f, used = curve.frequency_hz, curve.frequency_hz[mask]
    errors = None
    if sweep.systematic:
        # Beside the circuit stands what the fit took for the bench's own errors, such as of a gain never calibrated.
        errors = (curve.impedance_ohm[mask] + best.misfit(sweep)) / best.model.fitted(best.x, sweep, used)
    answer = partial(_as_measured, best, sweep, errors)
    ends = float(f[0]), float(used[0]), float(used[-1]), float(f[-1])
    return FittedState(curve, sweep.state, mask, answer(f), sigma, partial(smooth_line, answer, ends))


def _as_measured(best: Solved, sweep: FitSweep, errors: Complex | None, hz: Real) -> Complex:
    """Impedance (n,) of the best candidate at `hz`, times the bench's own `errors`, which are known at the points alone."""
    z = best.model.fitted(best.x, sweep, hz)
    return z if errors is None else np.asarray(z * np.interp(np.log(hz), np.log(sweep.frequency_hz), errors))


@dataclass(frozen=True)
class Label:
    """Whose fit it is: name and serial number of the driver, and where the sweeps come from."""

    name: str
    serial: str | None
    provenance: Mapping[str, object]


def assemble(ranked: Sequence[Ranked], states: tuple[FittedState, ...], label: Label, numbers: Sequence[int]) -> FitResult:
    """Return the result of a fit whose candidates are `ranked`, best first; `numbers` tells the sweep of each state."""
    best = ranked[0].solved
    figures = propagated(ranked)
    parameters, correlation = estimates(figures)
    conditions = condition_estimates(best)
    traced, traced_notes = traced_intervals(best, {**parameters, **conditions})
    table = budget(ranked, figures)
    carried = tuple(
        QualityNote(note.code, note.severity, note.message, number)
        for number, state in zip(numbers, states, strict=True)
        for note in state.curve.notes
    )
    agreement = agreements(best)
    refuse_slip(best, agreement)
    boxes = tuple(box_losses(best, figures))
    return FitResult(
        driver=_driver(best, label),
        parameters=_traced(parameters, traced),
        correlation_names=figures.names,
        correlation=correlation,
        systematic=systematic_shifts(best.model, best.x, best.covariance),
        quality=(
            *carried,
            *_notes(ranked, states, advice(table)),
            *wiring_notes(best, states),
            *agreement_notes(best, agreement),
            *trust_note(best, agreement, [state.curve.provenance for state in states]),
            *loss_notes(boxes),
            *traced_notes,
        ),
        provenance=label.provenance,
        budget=table,
        candidates=tuple(candidate_of(each, ranked[0]) for each in ranked),
        states=states,
        minimum=Rest(best),
        wirings=wiring_estimates(ranked),
        conditions=_traced(conditions, traced),
        agreement=tuple(agreement),
        boxes=boxes,
    )


def _driver(best: Solved, label: Label) -> Driver:
    model = best.model
    value = best.figures
    extra = [name for name in model.shape if name not in model.coil]
    return Driver(
        name=label.name,
        serial=label.serial,
        Re=value["Re"],
        Fs=value["Fs"],
        Qms=value["Qms"],
        Qes=value["Qes"],
        Mms=value.get("Mms"),
        Sd=value.get("Sd"),
        coil=best.circuit.coil,
        coil_values={name: value[name] for name in model.coil},
        suspension=best.circuit.suspension,
        suspension_values={key: value[key] for key in extra if key in value},
        air=model.air,
        wiring=model.wiring,
        coupling=None if model.wiring is None else float(model.coupling(best.values)),
    )


def _traced(found: Mapping[str, Estimate], traced: Mapping[str, Estimate]) -> dict[str, Estimate]:
    return {name: traced.get(name, estimate) for name, estimate in found.items()}


def candidate_of(each: Ranked, best: Ranked) -> ModelCandidate:
    """Tell one choice of circuits beside the best."""
    candidate = each.solved
    circuit = candidate.circuit
    if not (math.isfinite(each.bic) and np.all(np.isfinite(candidate.x))):
        return ModelCandidate(circuit.coil, circuit.suspension, None, None, 0.0, None, None, None, each.fault)
    with np.errstate(all="ignore"):
        qts, vas = (candidate.figures.get(name, math.nan) for name in ("Qts", "Vas"))
        return ModelCandidate(
            circuit.coil,
            circuit.suspension,
            each.aicc - best.aicc,
            each.bic - best.bic,
            each.weight,
            misfit_percent(candidate),
            qts if math.isfinite(qts) else None,
            vas if math.isfinite(vas) else None,
            each.fault,
        )


NO_CHANGE = 0.1
"""Per cent below which nobody asks how small a change is."""


def rivals_of_the_best(ranked: Sequence[Ranked]) -> QualityNote | None:
    """What the runner-up would change, and what the average over the models that count would."""
    sound = [each for each in ranked if each.fault is None]
    if len(sound) < 2:
        return None
    best, other = sound[0], sound[1]
    counted = sum(each.weight > 0.0 for each in sound)
    weighed = sound[: max(counted, 2)]
    at = [each.solved.figures for each in weighed]
    names = [name for name in ("Qts", "Vas") if name in at[0]]

    def change(name: str, value: float) -> str:
        percent = 100.0 * (value / at[0][name] - 1.0)
        return (
            f"{name} by {in_figures(percent, 2, sign='+')} %"
            if abs(percent) >= NO_CHANGE
            else f"{name} by less than {NO_CHANGE:g} %"
        )

    apart = " and ".join(change(name, at[1][name]) for name in names)
    circuit = other.solved.circuit
    message = (
        f"Runner-up: coil {circuit.coil}, suspension {circuit.suspension}, BIC "
        f"{in_figures(other.bic - best.bic, 3)} above the "
        f"chosen; it would change {apart}."
    )
    if counted == 1:
        return QualityNote("runner_up", "note", f"{message} That is too far to count, but for what the misfits leave open.")
    mean = " and ".join(
        change(name, sum(each.weight * value[name] for each, value in zip(weighed, at, strict=True))) for name in names
    )
    return QualityNote(
        "close_call",
        "note",
        f"{message} The average over the {counted} models within {CLOSE_CALL:g} of BIC, weighted by it, would change "
        f"{mean}; their spread is part of the stated uncertainty.",
    )


def _law_note(ranked: Sequence[Ranked]) -> list[QualityNote]:
    """Say that laws of the suspension beside those that count are in the uncertainty."""
    if len(in_doubt(ranked)) == sum(each.weight > 0.0 for each in ranked[1:]):
        return []
    message = (
        f"The suspension asks for a law ({ranked[0].solved.circuit.suspension}), and none is exact: "
        f"{100.0 * LAW_SHARE:.0f} % of what the other laws would change is part of the stated uncertainty."
    )
    return [QualityNote("law_of_suspension", "note", message)]


def _demand_notes(best: Solved, alone: bool) -> list[QualityNote]:
    """Say what was held, and what ran into its bounds; free air `alone` says nothing of a mass."""
    demands = best.model.demands
    held = [f"{name} at {shown(name, value)}" for name, value in demands.hold.items() if name not in best.pinned]
    notes = []
    if held:
        free = "" if alone and "Mms" in demands.hold else "; leave it free to see what the sweeps say"
        message = f"Held, not fitted: {', '.join(held)}; the uncertainty of everything else takes that for exact{free}."
        notes.append(QualityNote("held", "note", message))
    for name in best.pinned:
        message = (
            f"{name} ran into its bound of {shown(name, demands.hold[name])} and is held there: the sweeps want it beyond, "
            "and no uncertainty of it is known. Widen the bound, or look for what is wrong with sweeps or circuit."
        )
        notes.append(QualityNote("at_bound", "warn", message))
    return notes


def _resistance_notes(best: Solved, prior: Prior, pull: float) -> list[QualityNote]:
    """Say by how much Re differs from the first sweep's, where that is beyond what the sweeps leave open."""
    k = best.model.names.index(prior.key)
    percent = 100.0 * math.expm1(prior.at(pull))
    if abs(percent) < OTHER_PERCENT or abs(pull) < 3.0 * math.sqrt(float(best.covariance[k, k])):
        return []
    number = int(prior.key.removeprefix("drift:"))
    if abs(pull) > 3.0:
        return [QualityNote("other_resistance", "warn", cause("other_resistance", percent=percent), number)]
    return [QualityNote("other_resistance", "note", cause("other_resistance, a little", percent=percent), number)]


def _circuit_notes(best: Solved) -> list[QualityNote]:
    """Say how closely the circuit follows the sweeps, and which it is."""
    circuit, floor = best.circuit, 100.0 * best.floor
    return [
        QualityNote(
            "model_floor",
            "warn" if floor > 2.0 else "note",
            f"The fitted circuit follows the sweeps {'only ' * (floor > 2.0)}to "
            + (f"{in_figures(floor, 2)} %" if floor >= 0.01 else "better than 0.01 %")
            + " of the impedance (RMS, beyond noise)"
            + ("; look for a rattle, a contact or a mass that moves, and sweep again." if floor > 2.0 else "."),
        ),
        QualityNote("circuit", "note", f"Circuit: coil {circuit.coil}, suspension {circuit.suspension}."),
    ]


def _part_notes(best: Solved) -> list[QualityNote]:
    """Name the sprung parts, and what those of the cone make of the peak that a hand reads Fs and Qms off."""
    notes, values = [], best.values
    for label in best.circuit.parts:
        hz, share, q = (values[name] for name in terms_of(label))
        whose = "the cone (surround, dust cap or edge)" if label in LABELS else "the test box (a wall or a standing wave)"
        message = (
            f"A sprung part of {whose} rings near {in_figures(hz, 3)} Hz, with "
            f"{in_figures(100.0 * share, 2)} % of Mms and a Q of {in_figures(q, 2)}."
        )
        notes.append(QualityNote("sprung_part", "note", message))
    place, width = at_the_peak(values, values["Fs"], values["Qms"])
    if abs(width - 1.0) > SEEN_AT_PEAK:
        message = (
            f"What rings on the cone already bends the impedance peak: read off by hand, it stands "
            f"{in_figures(100.0 * (1.0 - place), 1)} % below Fs, and its width gives a Q "
            f"{in_figures(100.0 * abs(width - 1.0), 1)} % {'above' if width > 1.0 else 'below'} Qms. Design boxes with the "
            "Fs and Qms given here, and allow for that difference beside figures read off a peak."
        )
        notes.append(QualityNote("parts_at_peak", "note", message))
    return notes


def _notes(ranked: Sequence[Ranked], states: Sequence[FittedState], improve: str | None) -> list[QualityNote]:
    best = ranked[0].solved
    circuit = best.circuit
    notes = _circuit_notes(best)
    if circuit.coil == "four-exponent":
        notes.append(
            QualityNote(
                "not_causal",
                "note",
                "The four-exponent coil describes the sweeps but no real part does just that: it answers before it is "
                "driven, so take its impedance within the range swept only, and no step response or transient from it.",
            )
        )
    if best.open_terms:
        notes.append(
            QualityNote(
                "open_coil_terms",
                "warn",
                f"The sweeps leave {', '.join(best.open_terms)} of the coil open by more than a factor of e, which is "
                "why no uncertainty is stated for them; within the range swept the coil is known. Sweep higher to tell.",
            )
        )
    alone, held = all(one.state.kind == "free air" for one in states), best.model.demands.hold.get("Mms")
    notes += [*_demand_notes(best, alone), *scatter_note(best.model.scatter)]
    notes += _part_notes(best)
    rivalry = rivals_of_the_best(ranked)
    if rivalry is not None:
        notes.append(rivalry)
    notes += _law_note(ranked)
    if improve is not None:
        notes.append(QualityNote("budget", "note", improve))
    for prior in best.model.priors:
        pull = float(best.x[best.model.names.index(prior.key)])
        if prior.kind == "drift":
            notes += _resistance_notes(best, prior, pull)
        elif abs(pull) > 3.0 and prior.kind not in ("suspension", "air load", "loss"):
            way = "larger" if pull > 0.0 else "smaller"
            told = cause("strained_input", label=prior.label, sigma=in_figures(abs(pull), 2), way=way)
            notes.append(QualityNote("strained_input", "warn", told))
    if alone:
        message = "Free air alone tells Re, Fs and the Qs; for Mms, Bl and Vas add a sweep with a mass or in a closed box."
        if held is not None:
            message = (
                f"Bl and Vas are as true as the {shown('Mms', held)} of Mms that are held; a sweep with a mass or in a "
                "closed box measures it."
            )
        notes.append(QualityNote("free_air_only", "note", message))
    if best.model.sd is None and (held is not None or not alone):
        message = (
            "Without the effective diameter there is no Vas and no level; measure it from mid-surround to mid-surround."
        )
        notes.append(QualityNote("no_area", "note", message))
    return notes
