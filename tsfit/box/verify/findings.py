"""What was found in a finished box, beside its plan, and what to do about it in sentences."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar, Literal

from tsfit.base.arrays import Complex, Read
from tsfit.base.conformity import conformity
from tsfit.base.intervals import COVERAGE_FACTOR
from tsfit.base.notes import QualityNote
from tsfit.box.enclosure import Enclosure
from tsfit.box.kinds import BandPassPlan, PassivePlan, VentedPlan
from tsfit.box.plan import BoxPlan
from tsfit.box.told import LITRE
from tsfit.box.uncertainty import TUNING_ERROR, VOLUME_ERROR
from tsfit.driver.fit_result import Estimate, FitResult
from tsfit.driver.units import rounded

Verdict = Literal["as planned", "off", "undecided"]
WORTH = 0.01
"""Deviation below which nothing is advised. Common practice, no source."""
LARGE_MISFIT = 0.025
RADIATOR_ERROR = 0.15
"""How far a passive radiator's resonance is commonly off its sheet. Common practice, no source."""
VOLUMES = {"volume": "The volume", "rear_volume": "The closed chamber", "front_volume": "The vented chamber"}
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
        return abs(self.deviation) > max(2.0 * self.stdev, WORTH)


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
    misfit: float  # RMS of the misfit of each of real and imaginary part over |Z|
    advice: tuple[str, ...]  # sentences on what to change
    notes: tuple[QualityNote, ...]
    curve: BuiltCurve

    @property
    def outside(self) -> bool:
        """Whether something is surely not as planned."""
        return self.leak or any(one.verdict == "off" for one in self.comparisons)


def compare(name: str, planned: float, built: Estimate, tolerance: float) -> Comparison:
    """Judge a deviation with its expanded uncertainty (k = 2), as ISO 14253-1 does."""
    deviation, stdev = built.value / planned - 1.0, built.stdev / planned
    judged = conformity(deviation, tolerance, COVERAGE_FACTOR * stdev)
    words: dict[str, Verdict] = {"inside": "as planned", "outside": "off", "undecided": "undecided"}
    return Comparison(name, planned, built, deviation, stdev, tolerance, words[judged])


def advice(
    plan: BoxPlan,
    boxes: tuple[Enclosure, Enclosure],
    before: Mapping[str, float],
    numbers: Mapping[str, Estimate],
    off_plan: Mapping[str, float],
    leak: bool,
) -> tuple[str, ...]:
    """Sentences on leaks, volumes, and the port or passive radiator.

    `boxes` are the planned and the built one, `before` and `numbers` what describes them, `off_plan` the numbers that
    surely differ, relative.
    """
    sentences = _leaks(numbers) if leak else []
    for name, words in VOLUMES.items():
        if name in off_plan:
            sentences.append(_volume(words, before[name], numbers[name].value, filled=name != "front_volume"))
    if "fb" in off_plan:
        tuned = f"The tuning is {numbers['fb'].value:.3g} instead of {before['fb']:.3g} Hz"
        sentences.append(f"{tuned}: {(_radiator if plan.kind == 'passive' else _port)(plan, *boxes, before['fb'])}.")
    if "fp" in off_plan:
        planned, built = (float(box.load.passive_compliance) for box in boxes)
        # Small changes of fp come with those of the mass, of which the tuning has told.
        if abs(built / planned - 1.0) > RADIATOR_ERROR:
            sentences.append(
                f"The radiator's own resonance is {numbers['fp'].value:.3g} instead of {before['fp']:.3g} Hz: its "
                f"suspension yields {built / planned:.2f} times as much as planned."
            )
    return tuple(sentences)


def _leaks(numbers: Mapping[str, Estimate]) -> list[str]:
    if "hole" in numbers:
        tuned = (
            f"The curve has a second, low resonance, as an opening gives that tunes the box to {numbers['hole'].value:.3g}"
        )
        where = "look for a hole at the terminals, the driver's seal and the joints, close it, and measure again."
        return [f"{tuned} Hz: {where}"]
    chamber, q = ("closed chamber", "rear_leak_q") if "rear_leak_q" in numbers else ("box", "leak_q")
    remedy = "seal driver, terminals and joints, and measure again before anything else is changed."
    return [f"The {chamber} leaks (QL {numbers[q].value:.2g}): {remedy}"]


def _volume(words: str, planned: float, built: float, *, filled: bool) -> str:
    litres = abs(planned - built) / LITRE
    if built > planned:
        return f"{words} is {litres:.3g} l too large: put solid blocks of that size inside."
    filling = planned / built
    remedy = "take out what is inside or build larger"
    if filled and filling <= 1.2:
        remedy = f"light filling acts like more volume, here {filling:.2f} times would do"
    elif filled:
        remedy = f"no filling makes that good; {remedy}"
    return f"{words} is {litres:.3g} l too small: {remedy}."


def _port(plan: BoxPlan, planned: Enclosure, built: Enclosure, fb: float) -> str:
    """How much longer or shorter the port must be in the volume that is there; the end corrections cancel."""
    part = built.load.outlet
    is_mass, wanted = float(part.port_mass), float(part.port_mass * (part.tuning / fb) ** 2)
    port = plan.opening.port if isinstance(plan, VentedPlan | BandPassPlan) else None
    if port is None:
        return f"the air in the port must weigh {100.0 * (wanted / is_mass - 1.0):+.0f} % of what it does"
    change = 1e3 * (wanted - is_mass) * port.area / planned.driver.air.density
    each = "each port" if port.count > 1 else "the port"
    return f"make {each} {abs(change):.0f} mm {'longer' if change > 0.0 else 'shorter'}"


def _radiator(plan: BoxPlan, planned: Enclosure, built: Enclosure, fb: float) -> str:
    """How much mass each radiator needs, or has too much, in the volume and with the compliance that are there."""
    assert isinstance(plan, PassivePlan)
    assert built.port_area is not None
    count = plan.radiator.count
    per_acoustic = float(built.port_area) ** 2 / count
    change = 1e3 * per_acoustic * float(built.load.port_mass * ((built.load.tuning / fb) ** 2 - 1.0))
    added = 1e3 * (per_acoustic * float(planned.load.port_mass) - plan.radiator.mass)
    each = "each radiator" if count > 1 else "the radiator"
    if change > 0.0:
        return f"fix {change:.3g} g more to {each}"
    if -change <= added + 0.05:
        return f"take {-change:.3g} g off {each}"
    return f"{each} is {-change:.3g} g too heavy for that, and {added:.3g} g are all that was added; take a lighter one"


def number_rows(found: BuiltBox) -> list[list[str]]:
    """Rows of a table: what, planned, built, 95 % from, to, unit, verdict."""
    verdicts = {one.name: str(one.verdict) for one in found.comparisons}
    rows = []
    for name, estimate in found.built.items():
        unit, scale = SHOWN.get(estimate.unit, (estimate.unit, 1.0))
        own = found.planned.get(name)
        numbers = [rounded(scale * value, scale * estimate.stdev) for value in (estimate.value, *estimate.interval95)]
        planned = "" if own is None else f"{scale * own:.4g}"
        rows.append([LABELS.get(name, name), planned, *numbers, unit, verdicts.get(name, "")])
    return rows


def remarks(
    moved: str | None, misfit: float, fit: FitResult | None, numbers: Mapping[str, Estimate], untold: tuple[str, ...] = ()
) -> tuple[QualityNote, ...]:
    """What limits trust in the result; `moved` is the driver's parameter that left its fit, `untold` numbers left out."""
    notes = []
    if untold:
        named = ", ".join(LABELS.get(name, name) for name in untold)
        said = f"The curve does not tell: {named}. Other values of it fit as well."
        notes.append(QualityNote("not_told", "note", said))
    if fit is None:
        said = "The driver comes without a fit, so the common spread of datasheets was assumed for it; the volume is "
        notes.append(QualityNote("driver_assumed", "warn", f"{said}only as good as that."))
    if moved is not None:
        said = f"The curve fits a driver that is not as measured, most of all in {moved}: it has changed, it is another "
        said += "one, or something else is in the box; the numbers allow for that, but measure it again."
        notes.append(QualityNote("driver_differs", "warn", said))
    if misfit > LARGE_MISFIT:
        said = f"The fit misses the curve by {100.0 * misfit:.1f} %; look at the plot for resonances of panels or a "
        notes.append(QualityNote("misfit", "warn", f"{said}driver that changed before believing the numbers."))
    if "qtc" not in numbers and "fb" not in numbers:
        notes.append(QualityNote("no_resonance", "warn", "The losses leave the box without a resonance."))
    return tuple(notes)
