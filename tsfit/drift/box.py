"""What drift does to the cabinet that was planned: one box, the driver as it was and as it is."""

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
from tsfit.drift.change import logarithms
from tsfit.drift.entry import Entry
from tsfit.driver.air import REFERENCE_AIR
from tsfit.driver.covariance import draw
from tsfit.driver.formulas import circuit_values, electrical_q, mechanical_resistance, resonance
from tsfit.driver.parameters import BASIC
from tsfit.driver.record import Driver

DRAWS = 400


@dataclass(frozen=True)
class BoxedChange:
    """One box with the driver of two entries: both boxes, and what the change amounts to."""

    first: Entry
    other: Entry
    before: BoxResult
    after: BoxResult
    found: Consequence


def boxed_change(plan: BoxPlan, first: Entry, other: Entry, rng: np.random.Generator) -> BoxedChange:
    """Put the driver of two entries into the box that `plan` is, both with a coil of 20 °C and in reference air.

    What both fits owe to one input is drawn once for both, so that it cancels in the difference.

    Raises TsfitError ``incomplete_driver`` when an entry tells no Mms or no Sd; as the box.
    """
    shared = {entry.shared_name(name): rng.standard_normal(DRAWS) for entry in (first, other) for name in entry.systematic}
    draws = [_draws(entry, shared, rng) for entry in (first, other)]
    plan = plan.settled(plan.setup(draws[0].driver))
    before, after = (plan.build(one.driver) for one in draws)
    found = consequence(before.enclosure, draws[0], draws[1], box=plan.name or "")
    return BoxedChange(first, other, before, after, found)


def driver_of(entry: Entry) -> Driver:
    """Return the driver of an entry with a coil of 20 °C and the air load of reference air; else ``incomplete_driver``."""
    for name in ("Mms", "Sd"):
        if name not in entry.parameters:
            raise TsfitError(
                f"The entry at {entry.hours:g} h tells no {name}, which a box needs; log fits with "
                f"{'an added mass or a test box' if name == 'Mms' else 'the area of the cone'}.",
                code="incomplete_driver",
            )
    cms, mms, bl, rms, re = (float(value) for value in np.exp(logarithms([entry], None)[0]))
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
        Sd=entry.parameters["Sd"][0],
        coil=entry.coil,
        coil_values={name: entry.parameters[name][0] for name in coil},
        suspension=entry.suspension,
        suspension_values={name: entry.parameters[name][0] for name in extra},
        air=REFERENCE_AIR,
    )


def _draws(entry: Entry, shared: dict[str, Real], rng: np.random.Generator) -> DriverDraws:
    driver = driver_of(entry)
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
    return DriverDraws(driver, {name: np.asarray(value) for name, value in circuit_values(parameters).items()})


def sentence(boxed: BoxedChange) -> str:
    """Say whether the cabinet planned on the driver as it was still suits it."""
    found, remedy = boxed.found, boxed.found.remedy
    shape, later = found.shape_change_db, f"at {boxed.other.hours:g} h"
    planned = f"The cabinet planned on the driver at {boxed.first.hours:g} h"
    band = f"(95 %: {shape.low:.2f} to {shape.high:.2f} dB)"
    most = f"the shape of its response, level aside, changes by {shape.value:.2f} dB at most {band}"
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
