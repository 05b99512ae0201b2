"""Slips of a datasheet that have a name: a decimal point, a unit, a radius, a travel told from peak to peak.

A slip is a factor from the printed to the meant value. Where the printed parameters contradict each other, the slip is
suspected whose undoing makes them agree. A parameter that nothing else checks is suspected only when no driver has such a
value, and then of a factor of 1000 first, because that is what a wrong prefix makes.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from tsfit.circuit.load import air_load_change
from tsfit.driver.units import Printed, display

_TENS = {
    10.0 ** (sign * power): f"its decimal point or unit is off by a factor of {10**power}"
    for power in (3, 1, 2)
    for sign in (1, -1)
}
_OWN: Mapping[str, Mapping[float, str]] = {
    "Vas": {0.3048**3 / 1e-3: "cubic feet were taken for litres", 1e-3 / 0.3048**3: "litres were taken for cubic feet"},
    "Sd": {
        0.0254**2 / 1e-4: "square inches were taken for square centimetres",
        0.25: "it was worked out with the diameter in place of the radius",
        4.0: "it was worked out with the radius in place of the diameter",
    },
    "diameter": {2.0: "it is the radius", 0.5: "it is twice the diameter", 2.54: "inches were taken for centimetres"},
    "Mms": {28.349523125: "ounces were taken for grams", 1.0 / 28.349523125: "grams were taken for ounces"},
    "Xmax": {0.5: "the travel is told from peak to peak"},
}
PLAUSIBLE: Mapping[str, tuple[float, float]] = {
    "Re": (0.3, 100.0), "Znom": (0.3, 100.0), "Fs": (5.0, 3000.0), "Qms": (0.3, 50.0), "Qes": (0.05, 10.0),
    "Qts": (0.05, 10.0), "Vas": (2e-6, 3.0), "Mms": (2e-5, 1.5), "Cms": (5e-6, 2e-2), "Rms": (0.005, 60.0),
    "Bl": (0.2, 60.0), "Le": (2e-6, 2e-2), "Sd": (5e-5, 0.4), "diameter": (0.008, 0.72), "Xmax": (5e-5, 0.06),
    "sensitivity_1W": (60.0, 110.0), "sensitivity_2V83": (60.0, 115.0),
}  # fmt: skip
"""Between these, SI, lies every driver from a telephone's to a 30-inch one (common practice, no source)."""
LONG_TRAVEL = 0.11
"""One-way travel per effective diameter above which it is likelier told from peak to peak (common practice, no source)."""


@dataclass(frozen=True)
class Suspicion:
    """A printed parameter that is probably a slip of a known kind."""

    figure: str
    meant: float  # SI, what would then have been meant
    reason: str  # the slip in words, to follow "probably"

    def sentence(self, label: str, printed: Printed) -> str:
        """Say it in one sentence, the parameter called `label`."""
        value, unit = display(self.figure, self.meant)
        return f"{label} {printed.text.strip()}: probably {self.reason}; {value:.4g} {unit}".rstrip() + " would be meant."


def slips_of(parameter: str, value: float | None = None, area: float | None = None) -> dict[float, str]:
    """Factors from printed to meant with their words; none for a level, of which ten times is not a slip of a digit.

    With the printed `value` and the effective `area` (SI) also that of a mass which is that of the parts alone, without the
    air of a free disc, (8/3)ρa³.
    """
    if parameter.startswith("sensitivity"):
        return {}
    own = dict(_OWN.get(parameter, {}))
    if parameter == "Mms" and value is not None and area is not None:
        own[1.0 + float(air_load_change(area)) / value] = "it is the mass of cone and coil without the air that moves along"
    return {**own, **_TENS}


def implausible(parameters: Mapping[str, Printed], diameter: float | None) -> list[Suspicion]:
    """Suspect parameters that no driver has, or a travel that a cone of `diameter` (m) hardly makes."""
    found = []
    for name, printed in parameters.items():
        low, high = PLAUSIBLE.get(name, (0.0, float("inf")))
        if not low <= printed.value <= high:
            for factor, reason in slips_of(name).items():
                if low <= printed.value * factor <= high:
                    found.append(Suspicion(name, printed.value * factor, reason))
                    break
    travel = parameters.get("Xmax")
    if travel is not None and diameter is not None and LONG_TRAVEL * diameter < travel.value <= PLAUSIBLE["Xmax"][1]:
        found.append(Suspicion("Xmax", 0.5 * travel.value, _OWN["Xmax"][0.5]))
    return found


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
