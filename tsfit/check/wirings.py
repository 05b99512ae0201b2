"""A sheet of a driver with two coils: what it prints for both wirings, held against itself and each other."""

from dataclasses import replace

from tsfit.base.figures import in_figures
from tsfit.check.consistency import Consistency, Contradiction, consistency
from tsfit.driver.formulas import wiring_factors
from tsfit.driver.units import display
from tsfit.formats.sheet import Sheet

_SERIES, _PARALLEL = wiring_factors("series"), wiring_factors("parallel")
SERIES_OVER_PARALLEL = {
    **{name: float(a / b) for name, a, b in zip(("Re", "Bl", "Le"), _SERIES, _PARALLEL, strict=True)},
    **dict.fromkeys(("Fs", "Qms", "Qes", "Qts", "Vas", "Mms"), 1.0),
}
"""What two equal coils on one former make of a parameter in series, over that in parallel; coupling cancels."""


def in_both_wirings(sheet: Sheet) -> Consistency:
    """Hold `sheet` against itself, in each wiring that it prints, and these against each other."""
    result, other = consistency(sheet), sheet.rewired
    if other is None:
        return result
    series, parallel = sorted((sheet, other), key=lambda one: one.conditions.wiring != "series")
    found = list(result.contradictions)
    for name, factor in SERIES_OVER_PARALLEL.items():
        if name not in series.figures or name not in parallel.figures:
            continue
        one, half = series.figures[name], parallel.figures[name]
        implied = factor * half.value
        if abs(one.value - implied) > (one.half_digit + factor * half.half_digit) * (1.0 + 1e-9):
            shown, unit = display(name, implied)
            made = f"two equal coils make {in_figures(shown, 4)} {unit}".rstrip() + " of that in series"
            said = f"{name} is printed as {one.text} in series and {half.text} in parallel, but {made}."
            found.append(Contradiction(sentence=said, printed=one.value, implied=implied, figures=(name,)))
    wiring = other.conditions.wiring
    found += (replace(each, sentence=f"In {wiring}: {each.sentence}") for each in consistency(other).contradictions)
    return replace(result, contradictions=tuple(found))
