"""Whether the states agree: the moving mass by each added mass and each box alone, against that by all others.

Each state is fitted with the free-air sweeps alone, under the chosen circuit, and so are the remaining ones. Both use the
same free-air sweeps, area and bench, so their errors are correlated: Cov = Ca I Cb with I the information of what they
share (first order, JCGM 100:2008, 5.2.2). What no mass, volume or loss explains, as a hole, shows as a misfit of that
sweep.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures, listed
from tsfit.base.intervals import COVERAGE_FACTOR
from tsfit.base.notes import QualityNote
from tsfit.circuit.kramers_kronig import octave_means
from tsfit.driver.curve import State
from tsfit.driver.fit_result import Agreement
from tsfit.fitting.least_squares import Objective
from tsfit.fitting.model import JointModel
from tsfit.fitting.solve import Solved, solve
from tsfit.fitting.sweep import FitSweep

WELL_CONFIRMED = 1.0
"""Percent of Mms within which one state must confirm another for its mass or volume not to be taken on trust."""
BEYOND = 3.0
"""Standard uncertainties from which two states disagree."""
APART = 2.0
"""Factor between two states from which a size was typed wrong: nobody errs by so much in measuring one."""
ODD_MISFIT = (2.0, 0.005)
"""A sweep's misfit beyond noise over that of free air, and relative to |Z|, from which the sweep is no such state."""
TELLING = ("added mass", "closed box")
"""States that tell Mms beside free air."""

Key = tuple[str, float | None, float | None]


def agreements(best: Solved) -> list[Agreement]:
    """Compare each state that tells Mms with the others; empty with fewer than two such states."""
    sweeps = best.model.sweeps
    shared = [sweep for sweep in sweeps if sweep.state.kind == "free air"]
    keys = list(dict.fromkeys(_key(sweep.state) for sweep in sweeps if sweep.state.kind in TELLING))
    if not shared or "Mms" not in best.model.names:
        return []
    found = []
    # Of two states each is the other's rest; one comparison says it all.
    for key in keys if len(keys) > 2 else keys[1:]:
        chosen = [sweep for sweep in sweeps if _key(sweep.state) == key]
        rest = [sweep for sweep in sweeps if _key(sweep.state) in keys and _key(sweep.state) != key]
        alone, others = (_fitted(best, [*shared, *group]) for group in (chosen, rest))
        if alone.fault is None and others.fault is None:
            found.append(_compared(best, shared, chosen, alone, others))
    return found


def _key(state: State) -> Key:
    return state.kind, state.mass, state.volume


def _fitted(best: Solved, sweeps: Sequence[FitSweep]) -> Solved:
    model = JointModel(sweeps, best.circuit, best.model.sd, True, best.model.demands, best.model.scatter)
    start = best.at(model.names)
    # What all sweeps together make of what was stated may lie far from what these do.
    start[len(start) - model.n_priors :] = 0.0
    return solve(model, start, best.floor)


def _compared(
    best: Solved, shared: Sequence[FitSweep], chosen: Sequence[FitSweep], alone: Solved, others: Solved
) -> Agreement:
    common = JointModel(shared, best.circuit, best.model.sd, True, best.model.demands, best.model.scatter)
    jacobian = Objective(common, best.solution.weights).jacobian(best.at(common.names))
    rows = [_row(candidate, common.names) for candidate in (alone, others)]
    covariance = float((rows[0] @ jacobian) @ (rows[1] @ jacobian))
    logs, variances = [], []
    for candidate in (alone, others):
        k = candidate.model.names.index("Mms")
        logs.append(float(candidate.x[k]))
        variances.append(float(candidate.covariance[k, k]))
    apart = logs[0] - logs[1]
    # Each has a floor of its own, so the covariance is not quite theirs; no two errors are closer than this.
    closest = (math.sqrt(variances[0]) - math.sqrt(variances[1])) ** 2
    spread = math.sqrt(max(sum(variances) - 2.0 * covariance, closest, 1e-12))
    state = chosen[0].state
    return Agreement(
        state=_told(state),
        sweeps=tuple(sweep.number for sweep in chosen),
        Mms=math.exp(logs[0]),
        others=math.exp(logs[1]),
        percent=100.0 * math.expm1(apart),
        percent_stdev=100.0 * spread,
        sigma=apart / spread,
    )


@dataclass(frozen=True)
class Weighed:
    """What the sweeps in one state, or in all the other ones, say of Mms."""

    Mms: float  # kg
    state: State | None  # None: several states

    def words(self) -> str:
        """Which state that is."""
        return "the other states" if self.state is None else f"the {_told(self.state)} alone"

    def sizes(self, other: float, area: float | None) -> list[str]:
        """What each size that was typed for it would have to be for Mms to be `other`, with the cone's area in m²."""
        factor, state = other / self.Mms, self.state
        if state is None:
            return []
        if state.mass is not None:
            return [_would(f"the mass of {in_figures(1e3 * state.mass, 4)}", 1e3 * state.mass * factor, "g")]
        assert state.volume is not None
        found = [_would(f"the box of {in_figures(1e3 * state.volume, 4)}", 1e3 * state.volume / factor, "l")]
        if area is not None:
            cm = 200.0 * math.sqrt(area / math.pi)
            found.append(_would(f"the effective diameter of {in_figures(cm, 4)}", cm * factor**0.25, "cm"))
        return found


def _would(typed: str, value: float, unit: str) -> str:
    return f"{typed} {unit} would have to be about {float(f'{value:.2g}'):g} {unit}"


def contradiction(one: Weighed, other: Weighed, area: float | None) -> TsfitError:
    """Say that two states contradict each other by more than measuring explains, and what would bring them together."""
    sizes = [*one.sizes(other.Mms, area), *other.sizes(one.Mms, area)]
    return TsfitError(
        f"By {one.words()} Mms is about {in_figures(1e3 * one.Mms, 2)} g, by {other.words()} "
        f"{in_figures(1e3 * other.Mms, 2)} g; no error of "
        f"measuring is so large. To agree, {', or '.join(sizes)}. Look for a decimal point or a unit that went wrong in "
        "the bench file, a mass that fell off or a box that is open.",
        code="states_contradict",
    )


def refuse_slip(best: Solved, found: Sequence[Agreement]) -> None:
    """Refuse states that contradict each other as only a size typed wrong makes them.

    Raises
    ------
    TsfitError
        "states_contradict".
    """
    far = [each for each in found if abs(each.sigma) > BEYOND and abs(math.log(each.Mms / each.others)) > math.log(APART)]
    if not far:
        return
    each = max(far, key=lambda one: abs(one.sigma))
    states = {_key(sweep.state): sweep for sweep in reversed(best.model.sweeps) if sweep.state.kind in TELLING}
    own = next(sweep for sweep in states.values() if sweep.number in each.sweeps)
    rest = [sweep for sweep in states.values() if sweep is not own]
    other = Weighed(each.others, rest[0].state if len(rest) == 1 else None)
    area = None if best.model.sd is None else best.model.sd.value
    raise contradiction(Weighed(each.Mms, own.state), other, area)


def _row(candidate: Solved, names: Sequence[str]) -> Real:
    """Row of the covariance that belongs to ln Mms, at `names`."""
    model = candidate.model
    places = [model.names.index(name) for name in names]
    return np.asarray(candidate.covariance[model.names.index("Mms"), places])


def _told(state: State) -> str:
    size = state.mass or state.volume or math.nan
    return f"{state.kind} of {in_figures(1e3 * size, 4)} {'g' if state.mass else 'l'}"


def agreement_notes(best: Solved, found: Sequence[Agreement]) -> list[QualityNote]:
    """Say whether the states agree, which does not and by how much, and which sweep is unlike its state."""
    notes = []
    for each in found:
        beyond = abs(each.sigma) > BEYOND
        number = each.sweeps[0] + 1
        message = (
            f"By the {each.state} alone (sweep {number}) Mms is {in_figures(1e3 * each.Mms, 4)} g, by the other "
            f"states {in_figures(1e3 * each.others, 4)} g: {in_figures(each.percent, 2, sign='+')} % apart, "
            f"{in_figures(abs(each.sigma), 2)} standard uncertainties of that; "
        )
        message += (
            "they contradict each other, and Vas with them. Weigh the mass, measure the volume and seal the box again."
            if beyond
            else "they agree."
        )
        notes.append(QualityNote("states_disagree" if beyond else "states_agree", "warn" if beyond else "note", message))
    return notes + _odd_sweeps(best)


def trust_note(best: Solved, found: Sequence[Agreement], sources: Sequence[Mapping[str, object]]) -> list[QualityNote]:
    """Say what the sweeps cannot tell, however good they are; `sources` tell where the curves come from."""
    taken = []
    closest = min((each.percent_stdev for each in found), default=0.0)
    if COVERAGE_FACTOR * closest > WELL_CONFIRMED:
        taken.append(
            f"a mass or volume as typed that is less than {BEYOND * closest:.0f} % wrong (weigh and measure once more)"
        )
    keys = {_key(sweep.state) for sweep in best.model.sweeps if sweep.state.kind in TELLING}
    if len(keys) == 1 and "Mms" in best.model.names:
        what = "mass" if {kind for kind, *_ in keys} == {"added mass"} else "volume"
        taken.append(f"the {what} as typed (another would)")
    if best.model.sd is not None and not any(kind == "closed box" for kind, *_ in keys):
        taken.append("the effective area (a box would)")
    if any("calibration" in source for source in sources):
        taken.append("the calibration's standards as stated, its gains and its leads (an ohmmeter's Re would)")
    if any("sample_rate_hz" in source for source in sources):
        taken.append("the sample rate in the headers (compare the sound card's)")
    if not taken:
        return []
    return [QualityNote("on_trust", "note", f"The sweeps cannot show: {listed(taken)}.")]


def _odd_sweeps(best: Solved) -> list[QualityNote]:
    model = best.model

    free = [sweep for sweep in model.sweeps if sweep.state.kind == "free air"]
    others = [sweep for sweep in model.sweeps if sweep.state.kind != "free air"]
    if not free or not others:
        return []

    def missed(sweep: FitSweep) -> float:
        return max(relative_misfit(best, sweep), best.sure_misfits[sweep.number])

    least = min(map(missed, free))
    notes = []
    for sweep in others:
        sure = best.sure_misfits[sweep.number]
        if sure > ODD_MISFIT[1] and sure > ODD_MISFIT[0] * least:
            causes = (
                "a hole that acts as a vent or a panel that gives"
                if sweep.state.kind == "closed box"
                else "a mass that is loose"
            )
            message = (
                f"The circuit misses this sweep by {in_figures(100.0 * missed(sweep), 2)} % RMS and free air by "
                f"{in_figures(100.0 * least, 2)} %, "
                f"which no mass or volume explains; look for {causes}, and sweep again."
            )
            notes.append(QualityNote("odd_sweep", "warn", message, sweep.number))
    return notes


def relative_misfit(best: Solved, sweep: FitSweep) -> float:
    """RMS of the misfit beyond noise, relative to |Z|."""
    return math.sqrt(max(float(np.mean(best.beyond_noise[sweep.number])), 0.0))


def worst_octave_misfit(best: Solved, sweep: FitSweep) -> float:
    """The same over the octave where it is largest."""
    return math.sqrt(max(float(np.max(octave_means(sweep.frequency_hz, best.beyond_noise[sweep.number]))), 0.0))
