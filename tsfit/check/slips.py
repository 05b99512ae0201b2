"""Slips of a datasheet that have a name: a decimal point, a unit, a radius, a travel told from peak to peak.

A slip is a factor from the printed to the meant value. Where the printed parameters contradict each other, the slip is
suspected whose undoing makes them agree. A parameter that nothing else checks is suspected only when no driver has such a
value, and then of a factor of 1000 first, because that is what a wrong prefix makes.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from tsfit.base.figures import in_figures
from tsfit.circuit.load import air_load_change
from tsfit.driver.sizes import LONG_TRAVEL, plain_slips, range_of
from tsfit.driver.units import Printed, display
from tsfit.formats.sheet import Sheet

INCH_FOR_MM = 1.0 / 25.4
INCHES = ("in", "inch", "inches", '"')
GROSS = 1.5
"""Factor from which what is printed is no other opinion of a driver, but a slip of the pen."""
SWAPPED = (("Qms", "Qes"), ("Qms", "Qts"), ("Qes", "Qts"))


@dataclass(frozen=True)
class Suspicion:
    """A printed parameter that is probably a slip of a known kind."""

    figure: str
    meant: float  # SI, what would then have been meant
    reason: str  # the slip in words, to follow "probably"

    def sentence(self, label: str, printed: Printed) -> str:
        """Say it in one sentence, the parameter called `label`."""
        value, unit = display(self.figure, self.meant)
        return (
            f"{label} {printed.text.strip()}: probably {self.reason}; {in_figures(value, 4)} {unit}".rstrip()
            + " would be meant."
        )


def slips_of(parameter: str, value: float | None = None, area: float | None = None) -> dict[float, str]:
    """Factors from printed to meant with their words, as `plain_slips`.

    With the printed `value` and the effective `area` (SI) also that of a mass which is that of the parts alone, without the
    air of a free disc, (8/3)ρa³.
    """
    if parameter != "Mms" or value is None or area is None:
        return plain_slips(parameter)
    alone = 1.0 + float(air_load_change(area)) / value
    return {alone: "it is the mass of cone and coil without the air that moves along", **plain_slips(parameter)}


def implausible(parameters: Mapping[str, Printed], diameter: float | None) -> list[Suspicion]:
    """Suspect parameters that no driver has, or a travel that a cone of `diameter` (m) hardly makes."""
    found = []
    for name, printed in parameters.items():
        low, high = range_of(name, diameter if name == "Pe" else None)
        if name == "Xmax" and diameter is not None:
            high = min(high, LONG_TRAVEL * diameter)
        if not low <= printed.value <= high:
            inches = {INCH_FOR_MM: "inches were written for millimetres"} if printed.text.rstrip().endswith(INCHES) else {}
            for factor, reason in {**inches, **slips_of(name)}.items():
                if low <= printed.value * factor <= high:
                    found.append(Suspicion(name, printed.value * factor, reason))
                    break
    power, peak = (parameters.get(name) for name in ("Pe", "Ppeak"))
    if power is not None and peak is not None and peak.value < power.value:
        found.append(Suspicion("Pe", peak.value, "swapped with the short-term power"))
    return found


def swapped(printed: Mapping[str, Printed]) -> Iterator[tuple[Suspicion, Suspicion]]:
    """Yield each two of the printed parameters that are easily swapped, as suspicions of both."""
    for one, other in SWAPPED:
        if one in printed and other in printed:
            yield (
                Suspicion(one, printed[other].value, f"swapped with {other}"),
                Suspicion(other, printed[one].value, f"swapped with {one}"),
            )


def towards(
    parameter: str, printed: Printed, measured: float, tolerance: float, area: float | None = None
) -> Suspicion | None:
    """Suspect the slip that would bring what is `printed` within `tolerance` (a fraction) of the `measured` one (SI)."""
    slips = slips_of(parameter, printed.value, area)
    near = {factor: abs(measured / (printed.value * factor) - 1.0) for factor in slips}
    best = min(near, key=near.__getitem__, default=None)
    if best is None or near[best] > tolerance:
        return None
    return Suspicion(parameter, printed.value * best, slips[best])


def as_meant(sheet: Sheet, suspicions: Sequence[Suspicion]) -> tuple[Sheet, tuple[str, ...]]:
    """Return the sheet with its `GROSS` slips undone, and the parameters of which that was done."""
    mended = {}
    for item in suspicions:
        printed = sheet.figures[item.figure]
        factor = item.meant / printed.value
        if not 1.0 / GROSS < factor < GROSS:
            mended[item.figure] = replace(printed, value=item.meant, half_digit=printed.half_digit * factor)
    return replace(sheet, figures={**sheet.figures, **mended}), tuple(mended)
