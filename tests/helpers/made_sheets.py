"""Generated sheets: a true driver, some of its figures printed with few digits, and perhaps one of them wrong."""

import math
from dataclasses import dataclass

import numpy as np

from tsfit.check.consistency import relations_of
from tsfit.driver.formulas import complete
from tsfit.driver.parameters import LEVELS, PARAMETERS
from tsfit.driver.units import parse_printed
from tsfit.formats.sheet import Sheet

PRINT = {"Re": ("ohm", 1), "Fs": ("Hz", 1), "Qms": ("", 1), "Qes": ("", 1), "Qts": ("", 1), "Vas": ("l", 1e3),
         "Mms": ("g", 1e3), "Cms": ("mm/N", 1e3), "Rms": ("N*s/m", 1), "Bl": ("T*m", 1), "Sd": ("cm^2", 1e4),
         "EBP": ("Hz", 1), "sensitivity_1W": ("dB", 1), "sensitivity_2V83": ("dB", 1)}  # fmt: skip


@dataclass(frozen=True)
class MadeSheet:
    """A sheet, what was planted in it, whether by more than twice what rounding allows, and who could be blamed."""

    sheet: Sheet
    planted: str | None = None
    beyond: bool = False
    blamable: frozenset[str] = frozenset()


def printed(name: str, si: float, digits: int):
    """Print `si` with so many significant digits; levels to a tenth."""
    unit, factor = PRINT[name]
    if name in LEVELS:
        return parse_printed(f"{si:.1f} dB", "dB", name)
    return parse_printed(f"{si * factor:.{digits - 1}e} {unit}", PARAMETERS[name].unit, name)


def drawn_driver(rng: np.random.Generator) -> dict[str, float]:
    """A driver with a cone area, a resonance and a motor that belong together, log-uniform in wide bounds."""
    sd = math.exp(rng.uniform(math.log(0.005), math.log(0.13)))
    fs = 30.0 * (0.05 / sd) ** 0.5 * rng.uniform(0.6, 1.6)
    mms = 0.07 * (sd / 0.05) ** 1.3 * rng.uniform(0.6, 1.6)
    figures = {"Re": rng.uniform(2.5, 12.0), "Fs": fs, "Qms": rng.uniform(2.0, 12.0), "Qes": rng.uniform(0.2, 1.1)}
    return {name: float(value) for name, value in complete({**figures, "Mms": mms, "Sd": sd}).items()}


def made_sheet(rng: np.random.Generator, *, wrong: bool) -> MadeSheet:
    """Print eight figures or more of a drawn driver with two to four digits; plant one error, 0.1 % to a factor of 3."""
    true = drawn_driver(rng)
    names = [name for name in PRINT if rng.random() < 0.8]
    digits = {name: int(rng.integers(2, 5)) for name in names}
    if len(names) < 8 or not relations_of(dict.fromkeys(names)):
        return made_sheet(rng, wrong=wrong)
    figures = {name: printed(name, true[name], digits[name]) for name in names}
    if not wrong:
        return MadeSheet(Sheet("made", figures))
    touched = [name for name in names if any(name in chain for chain in relations_of(figures))]
    planted = str(rng.choice(touched))
    size = math.exp(rng.uniform(math.log(0.001), math.log(math.log(3.0)))) * rng.choice([-1.0, 1.0])
    moved = true[planted] + 10.0 / math.log(10.0) * size if planted in LEVELS else true[planted] * math.exp(size)
    figures[planted] = printed(planted, moved, digits[planted])
    beyond = _is_beyond(planted, moved, true, figures)
    sets = [frozenset(chain) for chain in relations_of(figures)]
    same = [name for name in names if all((name in one) == (planted in one) for one in sets)]
    return MadeSheet(Sheet("made", figures), planted, beyond, frozenset(same))


def _is_beyond(name, moved, true, figures):
    """Whether one relation moves by more than twice what rounding explains when `name` is `moved`.

    Rounding of all figures of the relation is worked out here from the relative half digits, each times its exponent, to
    first order; slack for air and levels as the check grants it.
    """

    def half(other):
        item = figures[other]
        return item.half_digit * math.log(10.0) / 10.0 if other in LEVELS else item.half_digit / item.value

    for figure, *needs in relations_of(figures):
        if name not in (figure, *needs):
            continue
        allowed = 0.5 * math.log(10.0) / 10.0 if figure in LEVELS else 0.015 if "Vas" in (figure, *needs) else 0.0
        allowed += half(figure) + sum(abs(_exponent(figure, needs, other, true)) * half(other) for other in needs)
        values = {other: np.float64(true[other]) for other in needs}
        before = _log(figure, complete(values)[figure])
        if name == figure:
            shift = _log(name, moved) - before
        else:
            shift = _log(figure, complete({**values, name: np.float64(moved)})[figure]) - before
        if abs(shift) > 2.0 * allowed:
            return True
    return False


def _log(name, value):
    return value * math.log(10.0) / 10.0 if name in LEVELS else math.log(value)


def _exponent(figure, needs, other, true):
    """d ln(figure)/d ln(other); a level counts as the power it stands for."""

    def log_of(step):
        values = {name: np.float64(true[name]) for name in needs}
        values[other] = values[other] + 10 / math.log(10) * step if other in LEVELS else values[other] * math.exp(step)
        return _log(figure, complete(values)[figure])

    return (log_of(1e-4) - log_of(-1e-4)) / 2e-4
