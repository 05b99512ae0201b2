"""The fit: impedance curves of one driver in known states to its parameters with uncertainty."""

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from tsfit.base.arrays import Mask
from tsfit.base.causes import cause, refused
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.base.notes import QualityNote
from tsfit.circuit.coil import COIL_MODELS
from tsfit.circuit.kramers_kronig import BROKEN_LAW, BROKEN_OCTAVE
from tsfit.circuit.leads import put_back
from tsfit.circuit.load import box_compliance
from tsfit.circuit.suspension import SUSPENSION_MODELS
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.fit_result import FitResult
from tsfit.driver.sizes import UNLIKE_ANY, doubt, fitted_slips
from tsfit.fitting.agreement import Weighed, contradiction, relative_misfit, worst_octave_misfit
from tsfit.fitting.artefacts import narrow_bands
from tsfit.fitting.demands import NOTHING, Demands, check_demands
from tsfit.fitting.harmonic import harmonic_notes
from tsfit.fitting.kinds import begun_late, crossover, no_bare_driver, two_peaks, without_peak
from tsfit.fitting.level_choice import Choice, choose
from tsfit.fitting.levels import fit_levels, level_dependence, level_notes
from tsfit.fitting.missing import missing_note
from tsfit.fitting.rates import rate_notes
from tsfit.fitting.result import Label, assemble, fitted_state
from tsfit.fitting.scatter import scatter_of
from tsfit.fitting.select import Ranked, Task, compete
from tsfit.fitting.smear import smear_notes
from tsfit.fitting.solve import Solved
from tsfit.fitting.sprung import again_with, with_parts
from tsfit.fitting.start import Resonance, TwoPeaks, find_resonance
from tsfit.fitting.sweep import FitSweep, Known, make_sweep
from tsfit.fitting.validity import broken_law, law_note, re_note, refuse_unfit, validity_notes
from tsfit.fitting.wirings import check_other_coil, check_wirings

log = logging.getLogger(__name__)
LOWEST_SHARE = 1.0 / 8.0
"""Lowest frequency used, as a share of Fs: below it an impedance says only Re again, and instruments drift."""
HIGHEST = (2000.0, 40.0)
"""Highest frequency used: the larger of 2 kHz and 40 times Fs; cone break-up beyond it is no matter of the circuit."""
LEAST_SHIFT = 0.01
"""Least relative shift of the resonance that an added mass or a box must show."""
FAR_APART = 2.5
"""Factor between the moving masses of two states, off the peaks alone, from which a size was typed wrong."""
POOR_FLOOR = 0.05
"""Discrepancy from which the circuit does not describe the sweep."""
LAWFUL = 0.5
"""Misfit of a causal circuit, over what counts as breaking the Kramers-Kronig relations, up to which a sweep cannot."""


def fit(
    curves: Sequence[tuple[ImpedanceCurve, State]],
    *,
    name: str = "driver",
    serial: str | None = None,
    sd: Known | None = None,
    coil: str | None = None,
    suspension: str | None = None,
    demands: Demands = NOTHING,
    provenance: Mapping[str, object] | None = None,
) -> FitResult:
    """Fit all sweeps of one driver together.

    Free air alone tells Re, Fs, the Qs and the coil; an added mass or a closed box (with the area `sd`, m²) as a second
    state tells the rest. Vas, efficiency and any box need `sd`. The Bayesian information criterion chooses `coil` and
    `suspension` where they are not given, among circuits that have what `demands` holds or bounds.

    Raises TsfitError ``no_resonance``, ``vented_box``, ``loudspeaker``, ``capacitor``, ``loose_mass``, ``short_range``,
    ``no_phase``, ``phase_unit``, ``mirrored_phase``, ``no_shift``, ``no_free_air``, ``no_area``, ``mixed_wiring``,
    ``other_coil``, ``no_fit``, ``wrong_model``, ``unknown_parameter``, ``wrong_value``.
    """
    _check_request(curves, sd, coil, suspension)
    bench = _bench_of(curves)
    curves = bench.curves
    misses = [_phase_miss(*pair, peak) for pair, peak in zip(curves, bench.peaks, strict=True)]
    check_other_coil(curves, bench.peaks)
    choice = choose([state for _, state in curves])
    start, with_mass = bench.start(choice.kept, sd, demands)
    models = [coil] if coil else list(COIL_MODELS), [suspension] if suspension else list(SUSPENSION_MODELS)
    check_demands(demands, *models, with_mass=with_mass, boxed="closed box" in {curves[k][1].kind for k in choice.kept})
    doubts = [note for k, (curve, _) in enumerate(curves) for note in validity_notes(curve, bench.peaks[k], misses[k], k)]

    def run(sweeps: Sequence[FitSweep]) -> list[Ranked]:
        free_first = sorted(sweeps, key=lambda one: (one.state.kind != "free air", one.state.kind != "infinite baffle"))
        task = Task(free_first, sd, with_mass, coil, suspension, demands)
        plain = compete(task, start)
        # Before sprung parts are looked for, which a second resonance might be taken for.
        _refuse_other(bench, choice.kept, masks, plain[0].solved)
        found = with_parts(plain, task)
        scatter = scatter_of(found[0].solved)
        if scatter is None:
            return found
        return again_with(found, replace(task, scatter=scatter))

    masks = bench.used(start["Fs"])
    ranked, masks, notes = bench.cleaned(run, lambda found: found[0].solved, choice.kept, masks)
    best = ranked[0].solved
    if best.fault is not None or best.floor > POOR_FLOOR:
        raise _other_thing(bench, choice.kept) or why_no_fit(
            best, curves, masks, forced=bool(coil or suspension), demands=demands
        )
    lawless = [k for k in choice.kept if not obeys_the_law(best, _of(best.model.sweeps, k))]
    doubts += [note for k in lawless for note in law_note(curves[k][0], masks[k], k)]
    fitted = tuple(fitted_state(best, _of(best.model.sweeps, k), curves[k][0], masks[k]) for k in choice.kept)
    result = assemble(ranked, fitted, Label(name, serial, provenance or {}), choice.kept)
    doubts += [*_misfit_notes(best, bench), *rate_notes(best)]
    doubts += re_note(curves[best.model.sweeps[0].number][0], result, best.model.sweeps[0].number)
    result = replace(result, quality=(*_unlike_any(result), *choice.notes, *doubts, *notes, *result.quality))
    return result if len(choice.groups) < 2 else _with_levels(result, best, choice, bench, masks)


Found = TypeVar("Found")


@dataclass(frozen=True)
class _Bench:
    """The sweeps of a driver, and the resonance that each shows."""

    curves: Sequence[tuple[ImpedanceCurve, State]]
    peaks: Sequence[Resonance]

    def start(self, kept: Sequence[int], sd: Known | None, demands: Demands) -> tuple[dict[str, float], bool]:
        """Return start values, SI, from the sweeps numbered `kept`, and whether Mms is among them."""
        curves, peaks = [self.curves[k] for k in kept], [self.peaks[k] for k in kept]
        reference = free_air_resonance(curves, peaks)
        start = {"Re": reference.Re, "Fs": reference.Fs, "Qms": reference.Qms, "Qes": reference.Qes}
        if len({(state.kind, state.mass, state.volume) for _, state in curves}) > 1:
            return {**start, "Mms": start_of_mass(curves, peaks, reference, sd)}, True
        # A mass that is held makes up for the second state.
        return {**start, **demands.of(["Mms"]).hold}, "Mms" in demands.hold

    def used(self, fs: float) -> list[Mask]:
        """Which points of each curve are used, (n,) each."""
        masks = [points_used(curve, fs) for curve, _ in self.curves]
        for k, ((_, state), mask) in enumerate(zip(self.curves, masks, strict=True), start=1):
            log.info("sweep %d, %s: %d of %d points used", k, state.kind, np.count_nonzero(mask), len(mask))
        return masks

    def cleaned(
        self,
        run: Callable[[Sequence[FitSweep]], Found],
        best_of: Callable[[Found], Solved],
        numbers: Sequence[int],
        masks: Sequence[Mask],
    ) -> tuple[Found, list[Mask], list[QualityNote]]:
        """Fit the sweeps of those `numbers`, and again without narrow bands that no circuit means.

        Return what the last `run` found, which points of each curve it used, and what was left out.
        """
        sweeps = [make_sweep(*self.curves[k], k, masks[k]) for k in numbers]
        found, notes, masks = run(sweeps), [], list(masks)
        best = best_of(found)
        if best.fault is not None:
            return found, masks, []
        for sweep in sweeps:
            k = sweep.number
            for band in narrow_bands(sweep.frequency_hz, best.heights[k], self.peaks[k].Fs):
                if best.circuit.parts and not band.hum:
                    continue
                masks[k] = masks[k] & ~np.isin(self.curves[k][0].frequency_hz, sweep.frequency_hz[band.points])
                where = f"{in_figures(band.low_hz, 4)} to {in_figures(band.high_hz, 4)} Hz"
                message = f"{where} is left out of the fit: it looks like {band.reason}; look for it."
                notes.append(QualityNote("excluded_band", "note", message, k))
        if notes:
            found = run([make_sweep(*self.curves[k], k, masks[k]) for k in numbers])
        return found, masks, notes


def _bench_of(curves: Sequence[tuple[ImpedanceCurve, State]]) -> _Bench:
    peaks = [_resonance(*pair) for pair in curves]
    right = [(put_back(pair[0], points_used(pair[0], peak.Fs)), pair[1]) for pair, peak in zip(curves, peaks, strict=True)]
    return _Bench(right, peaks)


def _resonance(curve: ImpedanceCurve, state: State) -> Resonance:
    found = find_resonance(curve)
    if found is None:
        raise without_peak(curve)
    if isinstance(found, TwoPeaks):
        raise two_peaks(curve, state, *found)
    return found


def _refuse_other(bench: _Bench, kept: Sequence[int], masks: Sequence[Mask], best: Solved) -> None:
    floor = best.floor if best.fault is None else 1.0
    for k in kept:
        other = no_bare_driver(*bench.curves[k], masks[k], bench.peaks[k], floor)
        if other is not None:
            raise other


def _other_thing(bench: _Bench, kept: Sequence[int]) -> TsfitError | None:
    """Say of which of the sweeps that no circuit fits another thing than a driver is seen."""
    return next(filter(None, (crossover(*bench.curves[k], bench.peaks[k]) for k in kept)), None)


def _phase_miss(curve: ImpedanceCurve, state: State, peak: Resonance) -> float:
    try:
        return refuse_unfit(curve, peak)
    except TsfitError as error:
        # A peak at the edge of a sweep may be one of two, of which the other is the cause.
        raise (
            error.code == "short_range" and no_bare_driver(curve, state, points_used(curve, peak.Fs), peak)
        ) or error from None


def _of(sweeps: Sequence[FitSweep], number: int) -> FitSweep:
    return next(sweep for sweep in sweeps if sweep.number == number)


def _with_levels(result: FitResult, best: Solved, choice: Choice, bench: _Bench, masks: Sequence[Mask]) -> FitResult:
    """Add how the parameters hang on the level of the free-air sweeps."""
    numbers = [number for group in choice.groups for number in group]

    def run(sweeps: Sequence[FitSweep]) -> Solved:
        return fit_levels(best, sweeps, choice.groups, bench.peaks)

    found, _, notes = bench.cleaned(run, lambda solved: solved, numbers, masks)
    assert choice.unit is not None
    levels, why = None, found.fault or "the figures do not lead to a limit"
    if found.fault is None and found.floor > POOR_FLOOR:
        why = f"the circuit misses a level by {100.0 * found.floor:.0f} %, as of a driver that overloads"
    elif found.fault is None:
        levels = level_dependence(found, choice.unit, choice.levels_db, result.parameters.get("Mms"))
    if levels is None:
        message = f"How the figures change with level was not found ({why}); leave the highest level out or sweep lower."
        return replace(result, quality=(*result.quality, QualityNote("no_levels", "warn", message)))
    return replace(result, levels=levels, quality=(*result.quality, *notes, *level_notes(levels)))


def _misfit_notes(best: Solved, bench: _Bench) -> list[QualityNote]:
    """Say what the circuit misses: where, and what kind of thing that is."""
    smears = smear_notes(best)
    lacks = missing_note(best, [peak.Fs for peak in bench.peaks], {note.sweep for note in smears})
    return [*lacks, *harmonic_notes(best), *smears]


def _unlike_any(result: FitResult) -> list[QualityNote]:
    """Say where the driver is like none of its size, with the slip that would explain it."""
    kinds = [state.state for state in result.states]
    slips = fitted_slips(
        mass=any(state.mass is not None for state in kinds), box=any(state.volume is not None for state in kinds)
    )
    told = doubt(result.driver, slips)
    return [] if told is None else [QualityNote(UNLIKE_ANY, "warn", told)]


def obeys_the_law(best: Solved, sweep: FitSweep) -> bool:
    """Whether the best circuit, which obeys the law itself, follows a sweep so closely that the sweep does too."""
    if best.circuit.coil == "four-exponent":
        return False
    if np.max(best.beyond_noise[sweep.number]) <= (LAWFUL * min(BROKEN_LAW, BROKEN_OCTAVE)) ** 2:
        return True  # as no mean is larger
    sure = best.sure_misfits[sweep.number]
    return sure <= LAWFUL * BROKEN_LAW and worst_octave_misfit(best, sweep) <= LAWFUL * BROKEN_OCTAVE


def _check_request(
    curves: Sequence[tuple[ImpedanceCurve, State]], sd: Known | None, coil: str | None, suspension: str | None
) -> None:
    for given, known, what in ((coil, COIL_MODELS, "coil"), (suspension, SUSPENSION_MODELS, "suspension")):
        if given is not None and given not in known:
            raise TsfitError(f"{given!r} is not a {what} model; use one of {', '.join(known)}.", code="wrong_model")
    if not curves:
        raise TsfitError("No sweep to fit; name at least one free-air sweep.", code="no_free_air")
    kinds = {state.kind for _, state in curves}
    if not kinds & {"free air", "infinite baffle"}:
        message = f"{curves[0][0].source}: only {', '.join(sorted(kinds))} was swept; add a free-air sweep to compare with."
        raise TsfitError(message, code="no_free_air", file=curves[0][0].source)
    if sd is None and "closed box" in kinds:
        raise TsfitError(
            "A closed-box sweep needs the effective area of the cone; give effective_diameter_cm or sd_cm2 in [driver].",
            code="no_area",
        )
    if sd is None and {"free air", "infinite baffle"} <= kinds:
        raise TsfitError(
            "An infinite-baffle sweep beside free air needs the cone's area for its air load; give effective_diameter_cm "
            "or sd_cm2 in [driver].",
            code="no_area",
        )
    check_wirings(curves)


def free_air_resonance(curves: Sequence[tuple[ImpedanceCurve, State]], peaks: Sequence[Resonance]) -> Resonance:
    """Resonance of the free-air sweeps, which all other states are held against."""
    return next(
        peak
        for kind in ("free air", "infinite baffle")
        for (_, state), peak in zip(curves, peaks, strict=True)
        if state.kind == kind
    )


def start_of_mass(
    curves: Sequence[tuple[ImpedanceCurve, State]], peaks: Sequence[Resonance], reference: Resonance, sd: Known | None
) -> float:
    """Mms from the shift of the peaks, kg: the mean of what each state says (Small 1972); refuses what did not move,
    and states that contradict each other.
    """
    found: list[Weighed] = []
    for (curve, state), peak in zip(curves, peaks, strict=True):
        ratio = (peak.Fs / reference.Fs) ** 2
        if state.mass is not None:
            if peak.Fs > (1.0 - LEAST_SHIFT) * reference.Fs:
                raise _no_shift(curve, peak, reference, "fallen", "fix the mass to the cone and check which file is which")
            found.append(Weighed(state.mass / (1.0 / ratio - 1.0), state))
        elif state.volume is not None and sd is not None:
            if peak.Fs < (1.0 + LEAST_SHIFT) * reference.Fs:
                raise _no_shift(curve, peak, reference, "risen", "seal the box or use a smaller one")
            stiffness = sd.value**2 / box_compliance(state.volume, state.air)
            found.append(Weighed(float(stiffness / ((2 * np.pi * reference.Fs) ** 2 * (ratio - 1.0))), state))
    if found:
        least, most = (end(found, key=lambda each: each.Mms) for end in (min, max))
        if most.Mms > FAR_APART * least.Mms:
            raise contradiction(least, most, None if sd is None else sd.value)
        return float(np.exp(np.mean(np.log([each.Mms for each in found]))))
    assert sd is not None  # a second state that is neither mass nor box is a baffle, which needs the area
    return float(20.0 * sd.value**1.5)


def _no_shift(curve: ImpedanceCurve, peak: Resonance, reference: Resonance, verb: str, remedy: str) -> TsfitError:
    return refused(curve.source, "no_shift", verb=verb, free=reference.Fs, peak=peak.Fs, remedy=remedy)


def points_used(curve: ImpedanceCurve, fs: float) -> Mask:
    """Which points (n,) of a curve a fit uses."""
    f = curve.frequency_hz
    return np.asarray((f >= LOWEST_SHARE * fs) & (f <= max(HIGHEST[0], HIGHEST[1] * fs)))


def why_no_fit(
    best: Solved,
    curves: Sequence[tuple[ImpedanceCurve, State]],
    masks: Sequence[Mask],
    *,
    forced: bool,
    demands: Demands = NOTHING,
) -> TsfitError:
    """Say why no circuit fits, with the sweep that misses most, what was demanded, and the remedy."""
    late = next(filter(None, (begun_late(curve) for curve, _ in curves)), None)
    if late is not None:
        return late
    sources = ", ".join(curve.source for curve, _ in curves)
    why = best.fault or f"the circuit misses the sweeps by {100.0 * best.floor:.0f} %"
    if best.fault is None and len(curves) > 1:
        worst = max(best.model.sweeps, key=lambda sweep: relative_misfit(best, sweep))
        why += f", most of all {curves[worst.number][0].source}"
        if worst.state.kind == "closed box":
            why += ", as of a box that leaks or gives"
    for (curve, _), mask in zip(curves, masks, strict=True):
        broken = broken_law(curve, mask)
        if broken is not None:
            why += f"; of {curve.source}, {broken}" if len(curves) > 1 else f"; {broken}"
            break
    remedy = "try other models than the forced ones" if forced else "check states, masses and volumes, or sweep again"
    if any(state.wiring == "one coil" for _, state in curves):
        remedy = "check that the other coil was open, and " + remedy.removeprefix("check ")
    if demands.names:
        why += f", with {demands}"
        remedy = "fit without what is held or bounded, which tells whether that is the reason; " + remedy
    told = cause("no_fit", why=why, remedy=remedy)
    return TsfitError(f"{sources}: {told}", code="no_fit", file=curves[0][0].source)
