"""What was found in a finished box, beside its plan, and what to do about it in sentences."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar, Literal

from tsfit.base.arrays import Complex, Read
from tsfit.base.conformity import conformity
from tsfit.base.figures import in_figures
from tsfit.base.intervals import COVERAGE_FACTOR
from tsfit.base.notes import QualityNote
from tsfit.box.enclosure import KIND_NAMES, Enclosure, Kind
from tsfit.box.uncertainty import TUNING_ERROR, VOLUME_ERROR
from tsfit.box.verify.remedies import VOLUMES, WayBack
from tsfit.driver.fit_result import Estimate, FitResult
from tsfit.driver.units import display, shown_decimals, with_decimals

Verdict = Literal["as planned", "close", "off", "undecided"]
WORTH = 0.01
"""Deviation below which nothing is advised. Common practice, no source."""
LEAKY_Q = {"closed": 40.0, "vented": 5.0, "passive": 5.0, "bandpass": 5.0}
"""Leak Q below which a box is called leaky: ordinary vented boxes have 7 to 20. Common practice, no source."""
LARGE_MISFIT = 0.025
MORE = 0.01
"""Share of Re from which what comes on top of it is told."""
RADIATOR_ERROR = 0.15
"""How far a passive radiator's resonance is commonly off its sheet. Common practice, no source."""
TOLERANCES = {**dict.fromkeys(VOLUMES, VOLUME_ERROR), "fb": TUNING_ERROR, "fp": RADIATOR_ERROR}
"""What is held against the plan, and how far a careful builder may be off."""
LABELS = {
    "volume": "net volume",
    "rear_volume": "closed chamber",
    "front_volume": "vented chamber",
    "fp": "fp, radiator alone",
    "radiator_mass": "radiators' mass",
    "qtc": "Qtc",
    "box_q": "QB, all losses",
    "leak_q": "QL, leaks",
    "absorption_q": "QA, absorption",
    "port_q": "QP, port",
    "radiator_q": "Qmp, radiator",
    "rear_leak_q": "QL, closed chamber",
    "rear_absorption_q": "QA, closed chamber",
    "hole": "opening tuned to",
}
"""What tables call the numbers of a box, where that is not their own name."""
SHOWN = {"m³": ("l", 1e3), "kg": ("g", 1e3)}
"""Unit in which tables show an SI unit, and how many of them it has."""


@dataclass(frozen=True)
class Comparison:
    """One number of the box: planned, built, relative deviation with its standard uncertainty, tolerance, verdict."""

    name: str
    planned: float
    built: Estimate
    deviation: float
    stdev: float
    tolerance: float
    verdict: Verdict

    @property
    def worth_changing(self) -> bool:
        """Whether it surely differs, by more than anyone hears or saws off."""
        return abs(self.deviation) > max(COVERAGE_FACTOR * self.stdev, WORTH)


@dataclass(frozen=True)
class Parts:
    """A complex curve (n,)."""

    real: Read
    imag: Read

    @property
    def complex(self) -> Complex:
        """The curve itself."""
        return self.real + 1j * self.imag


@dataclass(frozen=True)
class BuiltCurve:
    """Impedance of a finished box as measured, as fitted and as planned, ohm, at the frequencies that were used."""

    frequency_hz: Read
    measured_ohm: Parts
    fitted_ohm: Parts
    planned_ohm: Parts


@dataclass(frozen=True)
class BuiltBox:
    """What a curve tells of a finished box, SI.

    `built` has the net volume, or rear_volume and front_volume; fc and qtc, or fL, fb and fH; of passive radiators their
    resonance fp with their own compliance alone, and radiator_mass of all; the losses that the curve tells (leak_q,
    absorption_q, port_q or radiator_q, rear_leak_q), and box_q, several of them together at fb.
    """

    KIND: ClassVar = "built box"

    driver: str
    enclosure: str  # "closed", "vented", "passive" or "bandpass"
    built: dict[str, Estimate]
    planned: dict[str, float]  # the same of the plan, with the driver as its fit has it; losses where it states some
    comparisons: tuple[Comparison, ...]  # of volumes, tuning, and resonance of passive radiators
    leak: bool  # whether the box leaks more than is usual
    other_driver: bool  # whether the driver is not as told
    misfit: float  # RMS of the misfit of each of real and imaginary part over |Z|
    advice: tuple[str, ...]  # sentences on what to do, the gravest first
    remedies: tuple[WayBack, ...]  # the ways among them by which the box comes to its plan, one of which is to be taken
    notes: tuple[QualityNote, ...]
    curve: BuiltCurve

    @property
    def outside(self) -> bool:
        """Whether something is surely not as planned."""
        return self.leak or self.other_driver or any(one.verdict == "off" for one in self.comparisons)


def compare(name: str, planned: float, built: Estimate, tolerance: float) -> Comparison:
    """Judge a deviation with its expanded uncertainty (k = 2), as ISO 14253-1 does; a sure one is never "as planned"."""
    deviation, stdev = built.value / planned - 1.0, built.stdev / planned
    judged = conformity(deviation, tolerance, COVERAGE_FACTOR * stdev)
    words: dict[str, Verdict] = {"inside": "as planned", "outside": "off", "undecided": "undecided"}
    one = Comparison(name, planned, built, deviation, stdev, tolerance, words[judged])
    return replace(one, verdict="close") if one.verdict == "as planned" and one.worth_changing else one


def deviations(found: Mapping[str, Estimate], before: Mapping[str, float]) -> tuple[Comparison, ...]:
    """Judge what is `found` of a box that was planned as `before`."""
    return tuple(compare(name, before[name], found[name], most) for name, most in TOLERANCES.items() if name in found)


def leaks(kind: Kind, found: Mapping[str, Estimate]) -> str | None:
    """Say where a box surely leaks more than is usual."""
    if "hole" in found:
        return (
            "The curve has a second, low resonance, as an opening gives that tunes the box to "
            f"{in_figures(found['hole'].value, 3)} Hz: look for a hole at the terminals, the driver's seal and "
            f"the joints, close it, "
            "and measure again."
        )
    for name, most in (("leak_q", LEAKY_Q[kind]), ("rear_leak_q", LEAKY_Q["closed"])):
        if name in found and found[name].interval95[1] < most:
            where = "closed chamber" if name.startswith("rear") else "box"
            remedy = "seal driver, terminals and joints, and measure again before anything else is changed."
            return f"The {where} leaks (QL {in_figures(found[name].value, 2)}): {remedy}"
    return None


def other_driver(moved: Mapping[str, tuple[float, float]], fitted: bool) -> str | None:
    """Say which of the driver's parameters are not as told, each with that and what the curve wants."""
    if not moved:
        return None
    named = ", ".join(
        f"{name} {in_figures(display(name, found)[0], 3)} instead of {' '.join((f'{in_figures(value, 3)}', unit)).rstrip()}"
        for name, (told, found) in moved.items()
        for value, unit in (display(name, told),)
    )
    measured = "measured" if fitted else "its sheet tells"
    return (
        f"The driver is not as {measured}: the curve wants {named}. It is another one, it has changed, or its wiring is "
        "not as planned; measure it again before anything is changed on the box."
    )


def more_resistance(told: float, found: float) -> list[QualityNote]:
    """Say what resistance (ohm) the curve has beyond that of the driver."""
    if found - told < MORE * told:
        return []
    said = (
        f"The curve has {in_figures(found - told, 2)} ohm more than the driver's Re of {in_figures(told, 3)}: "
        f"leads, or a warm coil; "
    )
    return [QualityNote("more_resistance", "note", f"{said}its Q counts them, volumes and tuning do not.")]


def radiators_suspension(planned: Enclosure, built: Enclosure, found: Mapping[str, Estimate], fp: float) -> str | None:
    """Say that a passive radiator's suspension is not as planned, beyond what radiators differ."""
    yields = float(built.load.passive_compliance / planned.load.passive_compliance)
    # Small changes of fp come with those of the mass, of which the tuning has told.
    if "fp" not in found or abs(yields - 1.0) <= RADIATOR_ERROR:
        return None
    return (
        f"The radiator's own resonance is {in_figures(found['fp'].value, 3)} instead of {in_figures(fp, 3)} Hz: "
        f"its suspension yields "
        f"{yields:.2f} times as much as planned."
    )


SUMMED = (*VOLUMES, "fb", "fc", "qtc", "fp", "radiator_mass")
"""What a sentence tells of a box."""


def _untold(built: BuiltBox, name: str) -> bool:
    """Whether a number of the box would be wrong, for it hangs on a driver that is another one."""
    return built.other_driver and name in (*VOLUMES, "radiator_mass")


def verdict(built: BuiltBox) -> str:
    """Say first whether the box is as planned, and what is not."""
    off = [
        _beside(built, one.name, "instead of")
        for one in built.comparisons
        if one.verdict == "off" and not _untold(built, one.name)
    ]
    said = ["another driver than the one told"] * built.other_driver + ["it leaks"] * built.leak + off
    if said:
        return f"Not as planned: {', '.join(said)}."
    judged = [f"{LABELS.get(one.name, one.name)} within {100.0 * one.tolerance:g} %" for one in built.comparisons]
    unsure = [LABELS.get(one.name, one.name) for one in built.comparisons if one.verdict == "undecided"]
    if unsure:
        return f"Undecided: the curve is not sure enough to tell {', '.join(unsure)}."
    return f"As planned: {', '.join(judged)}."


def _beside(built: BuiltBox, name: str, between: str, end: str = "") -> str:
    """A number of the box, and that of its plan."""
    unit, scale = SHOWN.get(built.built[name].unit, (built.built[name].unit, 1.0))
    found, planned = f"{in_figures(scale * built.built[name].value, 3)} {unit}".rstrip(), scale * built.planned[name]
    return f"{LABELS.get(name, name)} {found} {between} {in_figures(planned, 3)}{end}"


def summary(built: BuiltBox) -> str:
    """Say in one sentence what was built, beside what was planned."""
    told = [_beside(built, name, "(planned", ")") for name in SUMMED if name in built.built and not _untold(built, name)]
    if built.other_driver:
        told.append("no volume, which hangs on the driver")
    return f"{built.driver}, finished {KIND_NAMES[built.enclosure]}: {', '.join(told)}."


def number_rows(found: BuiltBox) -> list[list[str]]:
    """Rows of a table: what, planned, built, 95 % from, to, unit, verdict."""
    verdicts = {one.name: str(one.verdict) for one in found.comparisons}
    rows = []
    for name, estimate in found.built.items():
        if _untold(found, name):
            continue
        unit, scale = SHOWN.get(estimate.unit, (estimate.unit, 1.0))
        own = found.planned.get(name)
        decimals = shown_decimals(scale * estimate.value, scale * estimate.stdev, unit, full=False)
        numbers = [with_decimals(scale * value, decimals) for value in (estimate.value, *estimate.interval95)]
        planned = "" if own is None else in_figures(scale * own, 4)
        rows.append([LABELS.get(name, name), planned, *numbers, unit, verdicts.get(name, "")])
    return rows


def remarks(
    misfit: float, fit: FitResult | None, found: Mapping[str, Estimate], untold: Sequence[str]
) -> tuple[QualityNote, ...]:
    """What limits trust in the result; `untold` are numbers left out."""
    notes = []
    if untold:
        named = ", ".join(LABELS.get(name, name) for name in untold)
        said = f"The curve does not tell: {named}. It is too little to show, or something else looks alike; see the plot."
        notes.append(QualityNote("not_told", "note", said))
    if fit is None:
        said = "The driver comes without a fit, so the common spread of datasheets was assumed for it; the volume is "
        notes.append(QualityNote("driver_assumed", "warn", f"{said}only as good as that. Name a fit of it."))
    if misfit > LARGE_MISFIT:
        said = f"The fit misses the curve by {100.0 * misfit:.1f} %; look at the plot for resonances of panels or a "
        notes.append(QualityNote("misfit", "warn", f"{said}driver that changed before believing the numbers."))
    if "qtc" not in found and "fb" not in found:
        notes.append(QualityNote("no_resonance", "warn", "The losses leave the box without a resonance; look for a leak."))
    return tuple(notes)
