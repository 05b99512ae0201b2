"""What changed between two fits of one driver, said in causes: compliance, moving mass, motor, losses, coil temperature.

Everything follows from the natural logarithms of Re, Fs, Qms, Qes and Mms, of which the causes are linear combinations
(Small, JAES 20(5), 1972)::

    ln Cms = −2 ln 2πFs − ln Mms          ln Rms = ln 2πFs + ln Mms − ln Qms
    ln Bl  = ½ (ln 2πFs + ln Mms + ln Re − ln Qes)

so that covariances carry over exactly. Re is taken to a coil of 20 °C by what was read or, without a reading, by the air;
Mms to the air load of reference air. What both fits owe to one and the same input (the mass, the cone's area, the rig)
moves both and cancels in the difference: Var(Δ) = Σ₁ + Σ₂ − Σ (s₁ s₂ᵀ + s₂ s₁ᵀ) over the shared inputs, s being the change
for one standard uncertainty. E_n is Δ over its expanded uncertainty, k = 2 (ISO/IEC 17043).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.base.forms import IF_TOLD
from tsfit.base.intervals import COVERAGE_FACTOR
from tsfit.base.notes import QualityNote
from tsfit.circuit.load import air_load_change
from tsfit.drift.entry import Entry, differences
from tsfit.driver.air import REFERENCE_AIR, Air
from tsfit.driver.formulas import COPPER_PER_K

CAUSES = ("compliance", "moving mass", "motor", "losses", "coil temperature")
SEEN_IN = dict(zip(CAUSES, ("Cms", "Mms", "Bl", "Rms", "Re"), strict=True))
USED_UP = {"compliance": 2.0, "moving mass": 1.2, "motor": 1.2, "losses": 3.0, "coil temperature": 1.3}
"""Factor of a change from which use alone is not why: common practice, no source."""
PRIMARY = ("Re", "Fs", "Qms", "Qes", "Mms")
TO_CAUSES = np.array(
    [
        [0.0, -2.0, 0.0, 0.0, -1.0],
        [0.0, 0.0, 0.0, 0.0, 1.0],
        [0.5, 0.5, 0.0, -0.5, 0.5],
        [0.0, 1.0, -1.0, 0.0, 1.0],
        [1.0, 0.0, 0.0, 0.0, 0.0],
    ]
)
OFFSETS = math.log(2.0 * math.pi) * np.array([-2.0, 0.0, 0.5, 1.0, 0.0])
"""Logarithms of the parameters of `CAUSES` are ``TO_CAUSES`` times those of `PRIMARY`, plus these."""
TO_PARAMETERS = {
    "Fs": (-0.5, -0.5, 0.0, 0.0, 0.0),
    "Qms": (-0.5, 0.5, 0.0, -1.0, 0.0),
    "Qes": (-0.5, 0.5, -2.0, 0.0, 1.0),
    "Vas": (1.0, 0.0, 0.0, 0.0, 0.0),
}
"""Logarithms of Thiele-Small parameters from those of the causes, at 20 °C and in reference air."""
COIL_READING_K = 0.5
"""Standard uncertainty of the coil's temperature, read or taken from the air: common practice, no source."""
USUAL = (0.005, 0.003, 0.003, 0.015, 0.002)
"""Relative standard deviation of a repeat, by cause, until the log's own repeats tell: common practice, no source."""
USUAL_FREEDOM = 2.0
"""So many repeats are the usual ones worth."""


@dataclass(frozen=True)
class Causes:
    """Logarithms of one entry's parameters at common conditions, in the order of `CAUSES`."""

    values: Real  # (5,)
    covariance: Real  # (5, 5), shared inputs included
    shared: dict[str, Real]  # (5,) by input, the change for one standard uncertainty; rig inputs carry the rig's name
    mass_known: bool  # False where the moving mass is that of another entry


@dataclass(frozen=True)
class CauseChange:
    """Change of one cause, seen in `parameter`, relative (0.1 is 10 %), with its standard uncertainty and E_n.

    A change of Re at 20 °C is told in kelvin too: how much warmer the coil was than stated; None for the other causes.
    """

    figure: str
    change: float
    stdev: float
    e_n: float
    beyond_repeatability: bool
    kelvin: float | None = field(default=None, metadata=IF_TOLD)

    @property
    def stdev_kelvin(self) -> float:
        """Standard uncertainty of `kelvin`."""
        return self.stdev / COPPER_PER_K


@dataclass(frozen=True)
class ParameterChange:
    """Relative change of a parameter with its standard uncertainty."""

    change: float
    stdev: float


@dataclass(frozen=True)
class DriftChange:
    """What changed from one entry to another."""

    # by name; without the moving mass where either fit could not tell it, which is then taken as unchanged
    causes: dict[str, CauseChange]
    figures: dict[str, ParameterChange]  # Fs, Qms, Qes and Vas at 20 °C and in reference air
    notes: tuple[QualityNote, ...]


@dataclass(frozen=True)
class Repeatability:
    """Standard deviation of a repeat, (5,) relative by cause, and from how many repeats of the log it was learnt."""

    stdev: Real
    repeats: int


def reference_mass(entries: Sequence[Entry]) -> float | None:
    """Mms of the first entry that tells it, kg, in reference air."""
    return next((_mass(entry) for entry in entries if "Mms" in entry.parameters), None)


def _mass(entry: Entry) -> float:
    return entry.parameters["Mms"][0] + _air_load_gain(entry)


def _air_load_gain(entry: Entry) -> float:
    """How much more air moves with the cone in reference air than it did, kg."""
    return 0.0 if "Sd" not in entry.parameters else _gain(entry.parameters["Sd"][0], entry.conditions.air)


@lru_cache(maxsize=4096)
def _gain(area: float, air: Air) -> float:
    return float(air_load_change(area, REFERENCE_AIR) - air_load_change(area, air))


def coil_temperature(entry: Entry) -> float:
    """Temperature of the coil as read, else that of the air, °C."""
    read = entry.conditions.coil_temperature_c
    return entry.conditions.temperature_c if read is None else read


def logarithms(entries: Sequence[Entry], mass: float | None) -> Real:
    """Logarithms (n, 5) of the causes' parameters of n entries at common conditions.

    `mass` is Mms in reference air, kg, taken where a fit could not tell it; None for 1 kg, when no fit of the log could.
    """
    logs = np.log([[*(e.parameters[name][0] for name in PRIMARY[:4]), _mass_then(e, mass)] for e in entries])
    out = logs @ TO_CAUSES.T + OFFSETS
    # Bl belongs to the Re of its own sweep, compliance and losses to the mass that moved then; the other two are corrected.
    out[:, 1] = np.log([_mass(e) if "Mms" in e.parameters else mass or 1.0 for e in entries])
    out[:, 4] -= np.log1p(COPPER_PER_K * (np.array([coil_temperature(e) for e in entries]) - 20.0))
    return np.asarray(out)


def _mass_then(entry: Entry, mass: float | None) -> float:
    if "Mms" in entry.parameters:
        return entry.parameters["Mms"][0]
    return 1.0 if mass is None else mass - _air_load_gain(entry)


def causes_of(entry: Entry, mass: float | None = None) -> Causes:
    """Bring one entry to common conditions; `mass`, Mms in reference air, kg, is taken where the fit could not tell it."""
    covariance = TO_CAUSES @ entry.covariance(PRIMARY) @ TO_CAUSES.T
    covariance[4, 4] += (COPPER_PER_K * COIL_READING_K) ** 2
    shared = {}
    for source, shifts in entry.systematic.items():
        moved = [shifts.get(name, 0.0) / entry.parameters[name][0] if name in entry.parameters else 0.0 for name in PRIMARY]
        shared[entry.shared_name(source)] = np.asarray(TO_CAUSES @ np.array(moved))
    return Causes(logarithms([entry], mass)[0], covariance, shared, "Mms" in entry.parameters)


def compare(first: Entry, other: Entry, repeatability: Repeatability) -> DriftChange:
    """Tell what changed from `first` to `other`. Raises TsfitError ``other_driver``, for another wiring also."""
    if first.driver != other.driver:
        message = "The two entries are of different drivers, serials or wirings; compare entries of one."
        raise TsfitError(message, code="other_driver")
    mass = reference_mass((first, other))
    one, two = causes_of(first, mass), causes_of(other, mass)
    told = one.mass_known and two.mass_known
    if not told:
        # One mass for both: what one of the fits says of it is no change.
        one, two = (causes_of(_without_mass(entry), mass) for entry in (first, other))
    covariance = one.covariance + two.covariance
    for name in sorted(one.shared.keys() & two.shared.keys()):
        both = np.outer(one.shared[name], two.shared[name])
        covariance = covariance - both - both.T
    random = sum(_random(part) for part in (one, two))
    covariance = covariance + np.diag(np.maximum(2.0 * repeatability.stdev**2 - random, 0.0))
    delta = two.values - one.values
    stdev = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    causes = {
        cause: CauseChange(
            figure=parameter,
            change=math.expm1(delta[k]),
            stdev=float(stdev[k]) * math.exp(delta[k]),
            e_n=float(delta[k] / (COVERAGE_FACTOR * stdev[k])),
            beyond_repeatability=bool(abs(delta[k]) > COVERAGE_FACTOR * stdev[k]),
            kelvin=math.log1p(math.expm1(delta[k])) / COPPER_PER_K if parameter == "Re" else None,
        )
        for k, (cause, parameter) in enumerate(SEEN_IN.items())
        if told or cause != "moving mass"
    }
    parameters = {}
    for name, row in TO_PARAMETERS.items():
        weights = np.array(row)
        change = math.exp(float(weights @ delta))
        spread = change * math.sqrt(max(float(weights @ covariance @ weights), 0.0))
        parameters[name] = ParameterChange(change - 1.0, spread)
    return DriftChange(causes, parameters, (*_beyond_use(causes), *_notes(first, other, told=told)))


def _beyond_use(causes: Mapping[str, CauseChange]) -> list[QualityNote]:
    """Warn of changes that no use makes, as of another driver or rig."""
    told = [
        f"{one.figure} by {in_figures(100.0 * one.change, 3, sign='+')} %"
        for name, one in causes.items()
        if one.beyond_repeatability and abs(math.log1p(one.change)) > math.log(USED_UP[name])
    ]
    if not told:
        return []
    message = (
        f"No use changes a healthy driver so much: {', '.join(told)}. It is damaged or another one, or rig, wiring, mass "
        "or area differ between the fits; look for that before believing a drift."
    )
    return [QualityNote("beyond_use", "warn", message)]


def _without_mass(entry: Entry) -> Entry:
    if "Mms" not in entry.parameters:
        return entry
    order = list(entry.parameters)
    rows = np.tril_indices(len(order))
    triangle = np.array(entry.correlation)
    kept = [k for k, name in enumerate(order) if name != "Mms"]
    inside = np.isin(rows[0], kept) & np.isin(rows[1], kept)
    return replace(
        entry,
        parameters={name: pair for name, pair in entry.parameters.items() if name != "Mms"},
        correlation=tuple(triangle[inside].tolist()),
    )


def _random(part: Causes) -> Real:
    """Variance (5,) that no shared input explains."""
    explained = sum((shift**2 for shift in part.shared.values()), np.zeros(len(CAUSES)))
    return np.maximum(np.diag(part.covariance) - explained, 0.0)


def _notes(first: Entry, other: Entry, *, told: bool) -> list[QualityNote]:
    notes = differences(first, other)
    if not told:
        message = (
            "Not both fits tell the moving mass; it is taken as unchanged, so a change of mass would pass for others: "
            "sweep with a mass each time."
        )
        notes.append(QualityNote("mass_assumed", "note", message))
    if not (first.systematic and other.systematic):
        message = (
            "A fit was made by an older version that does not tell what both share; the uncertainties are too wide by it: "
            "fit again."
        )
        notes.append(QualityNote("shared_unknown", "note", message))
    return notes


def learn_repeatability(entries: Sequence[Entry], values: Real) -> Repeatability:
    """Learn from n entries at the same hours on the same rig, whose `values` (n, 5) are as `Causes.values`.

    What they tell is pooled with `USUAL`, which is worth `USUAL_FREEDOM` repeats.
    """
    groups: dict[tuple[float, str | None], list[int]] = {}
    for k, entry in enumerate(entries):
        groups.setdefault((entry.hours, entry.rig), []).append(k)
    squares, freedom = np.zeros(len(CAUSES)), 0
    for members in groups.values():
        if len(members) > 1:
            group = values[members]
            squares += np.sum((group - group.mean(axis=0)) ** 2, axis=0)
            freedom += len(members) - 1
    pooled = (USUAL_FREEDOM * np.array(USUAL) ** 2 + squares) / (USUAL_FREEDOM + freedom)
    return Repeatability(np.sqrt(pooled), freedom)
