"""Choose among the circuit models, and weigh those that describe the sweeps about as well.

Coil and suspension models compete by the Bayesian information criterion (Schwarz, Annals of Statistics 6(2), 1978) on the
likelihood with each model's own discrepancy floor; the corrected criterion of Akaike (Hurvich & Tsai, Biometrika 76, 1989)
stands beside it. Where the misfit is smooth, so that many points share one error, both likelihood and number of points are
divided by that many (the quasi-likelihood of Burnham & Anderson, Model Selection and Multimodel Inference, 2002, 2.5): a
thousand points along one bend are no thousand arguments for a model that follows it.
"""

import logging
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.figures import in_figures
from tsfit.circuit.coil import COIL_MODELS
from tsfit.circuit.response import Circuit, impedance
from tsfit.circuit.sprung import parts_among
from tsfit.circuit.suspension import SUSPENSION_MODELS
from tsfit.driver.parameters import Parameter
from tsfit.fitting.demands import BOX_LOSSES, NOTHING, Demands
from tsfit.fitting.least_squares import ROUGH_MISS, START_FLOOR, Objective, Weights, newton_step
from tsfit.fitting.model import LINEAR, JointModel
from tsfit.fitting.solve import UNFINISHED, Solved, solve
from tsfit.fitting.start import coil_start, some_of
from tsfit.fitting.sweep import FitSweep, Known, Scatter

log = logging.getLogger(__name__)
CLOSE_CALL = 6.0
"""Difference of BIC up to which a model is averaged over (Kass & Raftery, JASA 90, 1995: above 6 is strong evidence)."""
LEAST_TOUCH = 1e-3
"""Least share of a touch of a suspension effect from which it is looked for."""
WORTH_ENDING = 5.0
"""Discrepancy floor of a search without an end, over that of the best model, up to which it goes on."""
LAW_SHARE, LAW_MISS = 0.2, 0.01
"""Share of what another law of the suspension would change that is uncertain where a law is needed, for no law of creep is
exact; and the discrepancy from which a law counts for less. Set by drivers whose creep follows none of them: Qes
is then up to 1.3 % off, 0.1 of what the others would change on average and 0.35 at most. No source."""
FARTHEST = math.log(2.0)
"""How far the logarithm of a figure may be from the best model's: a search that ran away tells of no other circuit."""
OUT_OF_REACH = 40.0
"""Difference of BIC from which a coil is fitted with the plainest suspension only; no source."""
ROUNDS, IN_VAIN = 4, 0.1
"""How often a search goes on at most; and what it must gain, in units of BIC, for one behind the best to go on once more:
one that creeps along a level, as of a coil term too many, hardly comes to an end there."""
SCOUT, PLAINEST = "ladder-2", "simple"
"""The coil model that is fitted first, whose Re and Qs then show the others their blocked impedance, and which does so
where that one fails."""


@dataclass(frozen=True)
class Ranked:
    """A candidate among its rivals."""

    solved: Solved
    # aicc, bic: lower is better
    aicc: float
    bic: float
    # its share among the models within `CLOSE_CALL` of the best, exp(−ΔBIC/2) made to sum to 1; 0 beyond
    weight: float

    @property
    def fault(self) -> str | None:
        """Why the candidate cannot stand."""
        return self.solved.fault


def in_doubt(ranked: Sequence[Ranked]) -> list[tuple[Solved, float]]:
    """Return what else may be true than the best: each rival with the weight of its difference squared.

    Rivals are the models that count; and, where the best needs a law for its suspension, the best model of each other law.
    """
    best = ranked[0].solved
    rivals = [(each.solved, each.weight) for each in ranked[1:] if each.weight]
    laws = {"ideal", best.circuit.suspension, *(solved.circuit.suspension for solved, _ in rivals)}
    for each in ranked[1:] if best.circuit.suspension != "ideal" else ():
        if each.fault is None and each.solved.circuit.suspension not in laws:
            laws.add(each.solved.circuit.suspension)
            rivals.append((each.solved, LAW_SHARE**2 / (1.0 + (each.solved.floor / LAW_MISS) ** 2)))
    return rivals


class Doubt(NamedTuple):
    """What may be true instead: the figures move by `weight`, squared, of the difference of `other` from `than`."""

    other: Solved
    than: Solved
    weight: float


def coils_in_doubt(ranked: Sequence[Ranked]) -> list[Doubt]:
    """Return the other coils, fitted with the best's suspension, with the weight of their difference squared.

    No coil model is exact. Where the best one misses the sweeps by more than their noise, a better one would likely change
    the figures as the others do, in proportion to the misfits: from one that misses by ε' to one that misses by ε they move
    by so much, from ε to none by ε/(ε' − ε) of it, or ε/ε' where chance decides the way. The mean square of that over the
    models is what is uncertain; those within `CLOSE_CALL` have their own weight. A coil that was out of reach is held
    against the best one with the plainest suspension, with which all were fitted.
    """
    best = ranked[0].solved
    if not best.floor > 0.0:
        return []
    main = [name for name in ("Re", "Fs", "Qms", "Qes", "Mms") if name in best.model.names]
    found: dict[str, tuple[Solved, Solved]] = {}
    for suspension in dict.fromkeys((best.circuit.suspension, next(iter(SUSPENSION_MODELS)))):
        alike = [each for each in ranked if each.solved.circuit.suspension == suspension]
        than = next((each.solved for each in alike if each.solved.circuit.coil == best.circuit.coil), None)
        if than is None:
            continue
        for other in (each.solved for each in alike if not each.weight):
            if (
                other.circuit.coil != best.circuit.coil
                and other.circuit.coil not in found
                and other.floor > best.floor
                and np.all(np.abs(other.at(main) - than.at(main)) < FARTHEST)
            ):
                found[other.circuit.coil] = other, than
    if not found:
        return []
    share = best.share_of_floor / len(found)
    return [Doubt(*pair, share * (best.floor / pair[0].floor) ** 2) for pair in found.values()]


def others_in_doubt(ranked: Sequence[Ranked]) -> list[Doubt]:
    """Return all that may be true instead of the best, `in_doubt` and `coils_in_doubt`, for the ± of what is made of it."""
    best = ranked[0].solved
    return [*(Doubt(other, best, weight) for other, weight in in_doubt(ranked)), *coils_in_doubt(ranked)]


@dataclass(frozen=True)
class Task:
    """What every circuit is fitted to."""

    sweeps: Sequence[FitSweep]
    sd: Known | None
    with_mass: bool
    # coil, suspension: names that are forced
    coil: str | None = None
    suspension: str | None = None
    demands: Demands = NOTHING
    parts: tuple[str, ...] = ()  # labels of the sprung parts that every circuit has
    scatter: Scatter | None = None  # of the suspension from sweep to sweep

    @property
    def coils(self) -> list[str]:
        """Coil models that compete: those that have every term of which something is demanded."""
        return _having(self.coil, {name: model.parameters for name, model in COIL_MODELS.items()}, self.demands)

    @property
    def suspensions(self) -> list[str]:
        """The same of suspension models."""
        return _having(self.suspension, {name: model.extra for name, model in SUSPENSION_MODELS.items()}, self.demands)

    @property
    def plain(self) -> str:
        """Suspension model that is fitted first."""
        return self.suspensions[0]

    @property
    def alone(self) -> bool:
        """Whether there is but one choice."""
        return len(self.coils) == len(self.suspensions) == 1

    def attempt(self, coil: str, suspension: str, at: Mapping[str, float], floor: float) -> Solved:
        """Fit one circuit from SI values `at` on."""
        names = ("Re", "Fs", "Qms", "Qes", *(["Mms"] if self.with_mass else []))
        circuit = Circuit(coil, suspension, self.parts)
        demands = self.demands.of({*names, *BOX_LOSSES, *circuit.parameters})
        model = JointModel(self.sweeps, circuit, self.sd, self.with_mass, demands, self.scatter)
        x = model.start(start_of_suspension(at) | dict(at))
        if suspension != self.plain:
            x = _suspension_step(model, x, floor)
        tried = solve(model, x, floor, rough=not self.alone)
        if log.isEnabledFor(logging.INFO):
            told = tried.fault or f"misses by {in_figures(misfit_percent(tried), 2)} %"
            log.info("tried coil %s, suspension %s: %s", coil, suspension, told)
        return tried

    def blocked(self, coil: str, start: Mapping[str, float]) -> dict[str, float]:
        """Start values `start` and those of the coil's terms, from the sweep that is most like free air."""
        return {**start, **blocked_start(coil, self.sweeps, start)}


def _having(forced: str | None, models: Mapping[str, Sequence[Parameter]], demands: Demands) -> list[str]:
    if forced is not None:
        return [forced]
    terms = {name: {each.name for each in parameters} for name, parameters in models.items()}
    wanted = demands.names & set().union(*terms.values())
    return [name for name in models if wanted <= terms[name]]


# A trial step may overflow; what comes of it is judged by the fault of the candidate.
@np.errstate(all="ignore")
def compete(task: Task, start: Mapping[str, float]) -> list[Ranked]:
    """Fit every coil with every suspension model, and return them best first, faulty ones last.

    `start` has SI values of Re, Fs, Qms, Qes and, if the task is `with_mass`, Mms.
    """
    start = {**start, **{name: value for name, value in task.demands.hold.items() if name in start}}
    scout = _scout(task, start)
    if scout.fault is None:
        start = _found_at(scout, start)
    found, began = [], {}
    for name in task.coils:
        base, at = scout, dict(start)
        if name != scout.circuit.coil or scout.fault is not None:
            at = task.blocked(name, start)
            base = scout if name == scout.circuit.coil else task.attempt(name, task.plain, at, scout.floor)
        found.append(base)
        if base.fault is None:
            at = _found_at(base, [*start, *base.model.shape])
        began[base.circuit.coil] = at
    if task.alone:
        return rank([polished(each, leads=True) if each.fault == UNFINISHED else each for each in found])
    for base in _in_reach(found):
        coil = base.circuit.coil
        kinds = (kind for kind in task.suspensions if kind != task.plain)
        found += [task.attempt(coil, kind, began[coil], base.floor) for kind in kinds]
    ranked = rank(found)
    best = ranked[0].bic if ranked[0].fault is None else math.inf
    known = WORTH_ENDING * ranked[0].solved.floor

    def further(each: Ranked) -> bool:
        return worth_polish(each, best) or (each.fault == UNFINISHED and each.solved.floor < known)

    return rank([polished(each.solved, leads=each.bic <= best) if further(each) else each.solved for each in ranked])


def _in_reach(coils: Sequence[Solved]) -> list[Solved]:
    """Those of the `coils`, all with one suspension, that another suspension may bring to the front.

    What it takes from the misfit shows the less the more the coil misses, so that one far behind stays behind.
    """
    ranked = rank(coils)
    return [each.solved for each in ranked if each.bic <= ranked[0].bic + OUT_OF_REACH]


def _scout(task: Task, start: Mapping[str, float]) -> Solved:
    """Fit the coil model that leads; what one of fewer terms shows of Re and the Qs leads there from farther away."""
    leader = task.coil or SCOUT
    scout = task.attempt(leader, task.plain, task.blocked(leader, start), START_FLOOR)
    for name in (each for each in (SCOUT, PLAINEST) if each != leader):
        if scout.fault is None:
            break
        other = task.attempt(name, task.plain, task.blocked(name, start), START_FLOOR)
        if other.fault is None:
            scout = task.attempt(leader, task.plain, task.blocked(leader, _found_at(other, start)), other.floor)
    return scout


def rank(found: Sequence[Solved]) -> list[Ranked]:
    """Best first, faulty ones last."""
    sound = [candidate for candidate in found if candidate.fault is None]
    # The model that comes closest shows best what no model follows.
    shared = min(sound or found, key=lambda candidate: candidate.solution.deviance).points_per_error

    def criteria(candidate: Solved) -> Ranked:
        points = 2.0 * sum(len(sweep.frequency_hz) for sweep in candidate.model.sweeps) / shared
        unlikely = candidate.solution.deviance / shared + candidate.strain
        if not math.isfinite(unlikely):
            return Ranked(candidate, math.inf, math.inf, 0.0)
        free = candidate.free
        corrected = 2.0 * free * (1.0 + (free + 1.0) / max(points - free - 1.0, 1.0))
        return Ranked(candidate, unlikely + corrected, unlikely + free * math.log(points), 0.0)

    ranked = sorted((criteria(candidate) for candidate in found), key=lambda each: (each.fault is not None, each.bic))
    if ranked[0].fault is not None:
        return ranked
    best = ranked[0].bic
    shares = [
        math.exp(-0.5 * (each.bic - best)) if each.fault is None and each.bic - best <= CLOSE_CALL else 0.0
        for each in ranked
    ]
    return [replace(each, weight=share / sum(shares)) for each, share in zip(ranked, shares, strict=True)]


def worth_polish(each: Ranked, best: float) -> bool:
    """Whether a rough search may hide a model that counts."""
    return each.bic <= best + CLOSE_CALL + ROUGH_MISS


def polished(candidate: Solved, *, leads: bool) -> Solved:
    """Go on from where the candidate stopped, to the last digit; one that does not lead, as long as that gains."""
    if candidate.as_one and not leads:
        # Where rungs are alike what tells them apart has no slope: a search halves it for ever.
        return replace(candidate, fault=candidate.fault or "two rungs of the coil are one")
    for turn in range(ROUNDS):
        found = solve(candidate.model, candidate.x, candidate.floor)
        closer = (candidate.solution.deviance - found.solution.deviance) / found.points_per_error
        gained = closer + candidate.strain - found.strain
        candidate = replace(found, pinned=(*candidate.pinned, *found.pinned))
        # The first round's gain is that of a finer end.
        if candidate.fault != UNFINISHED or (turn and not leads and gained < IN_VAIN):
            break
    return candidate


def misfit_percent(candidate: Solved) -> float:
    """RMS of misfit over |Z|, percent."""
    square = np.abs(np.concatenate(candidate.solution.misfits)) ** 2
    return 100.0 * math.sqrt(float(np.mean(square / np.concatenate(candidate.model.size))))


def _found_at(candidate: Solved, names: Iterable[str]) -> dict[str, float]:
    """SI values of `names` that a candidate ended at."""
    return {name: candidate.values[name] for name in names}


def start_of_suspension(start: Mapping[str, float]) -> dict[str, float]:
    """A mild touch of each suspension effect, for a tenth of the friction or less."""
    fs, qms, mms = start["Fs"], start["Qms"], start.get("Mms", 1.0)
    structural = 0.1 * (2.0 * math.pi * fs) ** 2 * mms / qms
    return {"creep": 0.1 / qms, "order": 0.9, "Lambda": structural}


def _suspension_step(model: JointModel, x: Real, floor: float) -> Real:
    """Take the step to the least squares in the suspension's terms as they are: their logarithms go to zero by e-folds."""
    step, _ = newton_step(Objective(model, Weights(floor)), x)
    moved = x.copy()
    for term in SUSPENSION_MODELS[model.circuit.suspension].extra:
        if term.name not in LINEAR:
            k = model.names.index(term.name)
            moved[k] += math.log(1.0 + step[k]) if step[k] > LEAST_TOUCH - 1.0 else math.log(LEAST_TOUCH)
    return moved


def blocked_start(coil: str, sweeps: Sequence[FitSweep], start: Mapping[str, float]) -> dict[str, float]:
    """Coil terms from the blocked impedance of the sweep most like free air: above resonance, less Re and the motion."""
    sweep = next((sweep for sweep in sweeps if sweep.state.kind == "free air"), sweeps[0])
    bare = JointModel([sweep], Circuit("simple", parts=parts_among(start)), None, with_mass=False)
    plain = {"Mms": 1.0, **start, "Le": 1e-9}
    high = np.flatnonzero(sweep.frequency_hz > min(3.0 * start["Fs"], 0.3 * sweep.frequency_hz[-1]))
    some = high[some_of(len(high))]
    f = sweep.frequency_hz[some]
    # What is left of it without Re and the motion.
    return coil_start(coil, f, sweep.impedance_ohm[some] - impedance(f, bare.circuit_values(plain), bare.circuit))
