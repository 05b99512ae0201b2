"""What drift does to the cabinet that was planned: one box, the driver as it was and as it is."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.box.compare.consequence import Consequence, DriverDraws, consequence
from tsfit.box.plan import BoxPlan
from tsfit.box.result import BoxResult
from tsfit.circuit.coil import COIL_MODELS
from tsfit.circuit.sprung import parts_among, terms_of
from tsfit.circuit.suspension import SUSPENSION_MODELS
from tsfit.drift.change import logarithms, reference_mass
from tsfit.drift.entry import Entry
from tsfit.driver.air import REFERENCE_AIR
from tsfit.driver.covariance import draw
from tsfit.driver.formulas import circuit_values, electrical_q, mechanical_resistance, resonance
from tsfit.driver.parameters import BASIC
from tsfit.driver.record import Driver

DRAWS = 400
TAKEN = frozenset(("Mms", "Sd"))
"""What a box needs and a sweep in free air does not tell; it hardly changes with use."""


@dataclass(frozen=True)
class BoxedChange:
    """One box with the driver of two entries: both boxes, and what the change amounts to."""

    first: Entry
    other: Entry
    before: BoxResult
    after: BoxResult
    found: Consequence


def boxed_change(
    plan: BoxPlan, first: Entry, other: Entry, rng: np.random.Generator, log: Sequence[Entry] = ()
) -> BoxedChange:
    """Put the driver of two entries into the box that `plan` is, both with a coil of 20 °C and in reference air.

    What both fits owe to one input is drawn once for both, so that it cancels in the difference. Moving mass and area that
    an entry does not tell are those of the first of its `log` that tells both, taken as unchanged.

    Raises TsfitError ``incomplete_driver`` when no entry tells Mms and Sd; as the box.
    """
    whole = None
    if not all(entry.parameters.keys() >= TAKEN for entry in (first, other)):
        whole = next((entry for entry in log if entry.parameters.keys() >= TAKEN), None)
    entries = [first, other, *([] if whole is None else [whole])]
    shared = {entry.shared_name(name): rng.standard_normal(DRAWS) for entry in entries for name in entry.systematic}
    taken = None if whole is None else _Taken(whole, _spread(whole, driver_of(whole), shared, rng))
    draws = [_draws(entry, shared, rng, taken) for entry in (first, other)]
    plan = plan.settled(plan.setup(draws[0].driver))
    before, after = (plan.build(one.driver) for one in draws)
    found = consequence(before.enclosure, draws[0], draws[1], box=plan.name or "")
    return BoxedChange(first, other, before, after, found)


@dataclass(frozen=True)
class _Taken:
    """The entry whose moving mass and area stand for those of others, and what was drawn of it, (1 + DRAWS,)."""

    entry: Entry
    drawn: dict[str, Real]


def driver_of(entry: Entry, whole: Entry | None = None) -> Driver:
    """Return the driver of an entry with a coil of 20 °C and the air load of reference air; else ``incomplete_driver``.

    Moving mass and area that it does not tell are those of the `whole` one.
    """
    for name in ("Mms", "Sd"):
        if name not in (whole or entry).parameters:
            raise TsfitError(
                f"The entry at {entry.hours:g} h tells no {name}, which a box needs; log a fit with "
                f"{'an added mass or a test box' if name == 'Mms' else 'the area of the cone'}, at the hours it then has.",
                code="incomplete_driver",
            )
    mass = None if whole is None else reference_mass([whole])
    cms, mms, bl, rms, re = (float(value) for value in np.exp(logarithms([entry], mass)[0]))
    fs = float(resonance(mms, cms))
    coil = [parameter.name for parameter in COIL_MODELS[entry.coil].parameters]
    extra = [parameter.name for parameter in SUSPENSION_MODELS[entry.suspension].extra]
    extra += [name for label in parts_among(entry.parameters) for name in terms_of(label)]
    return Driver(
        name=f"{entry.driver.name} after {entry.hours:g} h",
        serial=entry.driver.serial,
        Re=re,
        Fs=fs,
        Qms=float(mechanical_resistance(fs, mms, rms)),
        Qes=float(electrical_q(fs, mms, re, bl)),
        Mms=mms,
        Sd=(entry if "Sd" in entry.parameters else whole or entry).parameters["Sd"][0],
        coil=entry.coil,
        coil_values={name: entry.parameters[name][0] for name in coil},
        suspension=entry.suspension,
        suspension_values={name: entry.parameters[name][0] for name in extra},
        air=REFERENCE_AIR,
    )


def _draws(entry: Entry, shared: dict[str, Real], rng: np.random.Generator, taken: _Taken | None) -> DriverDraws:
    driver = driver_of(entry, None if taken is None else taken.entry)
    if taken is None:
        parameters = _spread(entry, driver, shared, rng)
    elif taken.entry is entry:
        parameters = taken.drawn
    else:
        parameters = _spread(entry, driver, shared, rng)
        for name in sorted(TAKEN - entry.parameters.keys()):
            parameters[name] = parameters[name] * taken.drawn[name] / taken.drawn[name][0]
    return DriverDraws(driver, {name: np.asarray(value) for name, value in circuit_values(parameters).items()})


def _spread(entry: Entry, driver: Driver, shared: dict[str, Real], rng: np.random.Generator) -> dict[str, Real]:
    """Return the parameters of an entry's `driver`, the best estimate first, then draws of what the entry tells."""
    best = {name: float(getattr(driver, name)) for name in BASIC}
    best |= {**driver.coil_values, **driver.suspension_values}
    names = tuple(name for name in best if name in entry.parameters and best[name] > 0.0)
    covariance, steps = entry.covariance(names), np.zeros((DRAWS, len(names)))
    for source, shifts in entry.systematic.items():
        step = np.array([shifts.get(name, 0.0) / entry.parameters[name][0] for name in names])
        covariance = covariance - np.outer(step, step)
        steps += np.outer(shared[entry.shared_name(source)], step)
    steps += draw(covariance, DRAWS, rng)
    parameters = {name: np.full(1 + DRAWS, value) for name, value in best.items()}
    for k, name in enumerate(names):
        parameters[name][1:] *= np.exp(steps[:, k])
    return parameters


def sentence(boxed: BoxedChange) -> str:
    """Say whether the cabinet planned on the driver as it was still suits it."""
    found, remedy = boxed.found, boxed.found.remedy
    shape, later = found.shape_change_db, f"at {boxed.other.hours:g} h"
    planned = f"The cabinet planned on the driver at {boxed.first.hours:g} h"
    band = f"(95 %: {shape.low:.2f} to {shape.high:.2f} dB)"
    most = f"from f3/1.4 up its response changes in shape, level aside, by {shape.value:.2f} dB at most {band}"
    if found.outcome == "holds":
        return f"{planned} still holds {later}: {most}."
    if found.outcome == "undecided":
        return f"{planned} may still hold {later}: {most}, and the fits cannot tell more."
    if remedy is None or found.outcome == "differs":
        return f"{planned} no longer suits {later}: {most}, and no other volume or tuning mends it."
    tuning = "" if remedy.tuning_hz is None else f", tuned to {in_figures(remedy.tuning_hz, 3)} Hz,"
    return (
        f"{planned} needs {in_figures(remedy.volume_l, 3)} l{tuning} {later} to sound as planned: left as it is, "
        f"{most}; so "
        f"changed, {remedy.left_db:.2f} dB remain."
    )
