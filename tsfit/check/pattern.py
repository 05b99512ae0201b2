"""What would explain all deviations of a driver from its sheet at once?

Each cause moves the parameters in a fixed proportion: a softer suspension lowers Fs and every Q together and raises Cms and
Vas twice as much. With y the logarithms of measured over printed, V their covariance (that of the fit in full, the rounding
of the print, and the scatter that each parameter of a sample has on its own) and d the direction of a cause, least squares
gives its amount a and what stays unexplained::

    a = (dᵀV⁻¹y)/(dᵀV⁻¹d)        χ² = (y − a d)ᵀ V⁻¹ (y − a d)

A cause explains the deviations when χ² is one that chance gives at least once in a hundred, while without any cause it is
not. Pairs of causes are tried when no single one does. Inductance stands apart: it moves none of the others.
"""

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import get_args

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.figures import in_figures
from tsfit.driver.covariance import covariance_of
from tsfit.driver.fit_result import Estimate, FitResult
from tsfit.driver.formulas import Wiring, wiring_factors
from tsfit.driver.parameters import LEVELS, MEASURED
from tsfit.formats.sheet import Sheet

SCATTER = 0.01
"""Relative standard deviation of a parameter that no cause explains (common practice, no source)."""
CHANCE = 0.01
CLOSE = 4.0
"""Explanations whose χ² differs by less cannot be told apart: twice the logarithm of a likelihood ratio of 7."""
_LOG = {name: math.log(10.0) / 10.0 for name in LEVELS}

JUDGED = (*MEASURED, *LEVELS)

CAUSES: Mapping[str, tuple[str, str, Mapping[str, float]]] = {
    "suspension": (
        "a softer suspension",
        "a stiffer suspension",
        {"Cms": 1.0, "Vas": 1.0, "Fs": -0.5, "Qms": -0.5, "Qes": -0.5},
    ),
    "motor": (
        "a stronger motor",
        "a weaker motor",
        {"Bl": 1.0, "Qes": -2.0, "sensitivity_1W": 2.0, "sensitivity_2V83": 2.0},
    ),
    "mass": (
        "a heavier cone",
        "a lighter cone",
        {"Mms": 1.0, "Fs": -0.5, "Qms": 0.5, "Qes": 0.5, "sensitivity_1W": -2.0, "sensitivity_2V83": -2.0},
    ),
    "damping": ("more mechanical loss", "less mechanical loss", {"Rms": 1.0, "Qms": -1.0}),
    "resistance": (
        "a hotter coil or leads counted in",
        "a cooler coil or leads left out",
        {"Re": 1.0, "Qes": 1.0, "sensitivity_1W": -1.0, "sensitivity_2V83": -2.0},
    ),
    "air": (
        "a higher barometric pressure than the sheet's",
        "a lower barometric pressure than the sheet's",
        {"Vas": 1.0, "sensitivity_1W": 2.0, "sensitivity_2V83": 2.0},
    ),
    "area": (
        "a larger effective area",
        "a smaller effective area",
        {"Sd": 1.0, "Vas": 2.0, "sensitivity_1W": 2.0, "sensitivity_2V83": 2.0},
    ),
}
"""By name: words for more and for less, and d ln(parameter) for one unit of d ln(cause); a level counts as a power."""

_MOST = {"resistance": math.log(1.4), "air": math.log(1.4)}
"""No coil cold enough to measure, and no place to live, is further away (common practice, no source)."""
_ANYTHING = math.log(30.0)
"""No part of a driver differs by more than this factor: such parameters are not explained by a part."""


@dataclass(frozen=True)
class Pattern:
    """What explains the deviations."""

    causes: tuple[str, ...]  # keys of `CAUSES`, "wiring" or "inductance"; empty when nothing explains them
    amounts: tuple[float, ...]  # relative change of each cause (0.2 is 20 % more)
    sentence: str
    chi2: float  # of what stays unexplained
    degrees: int  # of freedom of it


def pattern(fit: FitResult, measured: Mapping[str, Estimate], sheet: Sheet) -> Pattern:
    """Explain how `measured` (the parameters of `fit` at the sheet's conditions) differs from the parameters of `sheet`."""
    names = [name for name in JUDGED if name in measured and name in sheet.figures]
    inductance = _inductance(measured, sheet)
    if len(names) < 2:
        return Pattern((), (), inductance or "Too few parameters are printed and measured to explain anything.", 0.0, 0)
    y, inverse = _deviations(fit, measured, sheet, names)
    null = float(y @ inverse @ y)
    if by_chance(null, len(names)) > CHANCE:
        words = "Together, the small-signal deviations are no larger than uncertainty and rounding allow."
        return Pattern(("inductance",) if inductance else (), (), _joined(words, inductance), null, len(names))
    single = _explained(y, inverse, names, measured, 1)
    found = single or _explained(y, inverse, names, measured, 2)
    if not found:
        words = "Together, the deviations are beyond chance, and no one or two causes explain them."
        return Pattern((), (), _joined(words, inductance), null, len(names))
    chi2, degrees, causes, amounts = found[0]
    told = _words(causes, amounts, sheet, dict(zip(names, np.expm1(y).tolist(), strict=True)) if single else {})
    words = f"All small-signal figures tell of {told}"
    others = [item for item in found[1:] if item[0] - chi2 < CLOSE]
    if others:
        words += f"; {' or '.join(_words(item[2], item[3], sheet) for item in others[:2])} would explain them as well"
    return Pattern(causes, amounts, _joined(words + ".", inductance), chi2, degrees)


def _joined(*sentences: str) -> str:
    return " ".join(sentence for sentence in sentences if sentence)


def _deviations(fit: FitResult, measured: Mapping[str, Estimate], sheet: Sheet, names: list[str]) -> tuple[Real, Real]:
    """Logarithms of measured over printed (k,), and the inverse of their covariance (k, k)."""
    y, spread, rounding = [], [], []
    for name in names:
        estimate, printed = measured[name], sheet.figures[name]
        if name in LEVELS:
            y.append(_LOG[name] * (estimate.value - printed.value))
            spread.append(_LOG[name] * estimate.stdev)
            rounding.append(_LOG[name] * printed.half_digit)
        else:
            y.append(math.log(estimate.value / printed.value))
            spread.append(estimate.stdev / estimate.value)
            rounding.append(printed.half_digit / printed.value)
    covariance = covariance_of(fit, names, spread) + np.diag(np.square(rounding) / 3.0 + SCATTER**2)
    return np.array(y), np.asarray(np.linalg.inv(covariance), dtype=np.float64)


def _direction(cause: str, names: list[str], measured: Mapping[str, Estimate]) -> Real:
    moves = dict(CAUSES[cause][2])
    moves["Qts"] = _through_q(measured, moves.get("Qms", 0.0), moves.get("Qes", 0.0))
    return np.array([moves.get(name, 0.0) for name in names])


def _through_q(measured: Mapping[str, Estimate], by_qms: float, by_qes: float) -> float:
    """Logarithmic change of Qts = Qms Qes/(Qms + Qes) for those of Qms and Qes."""
    if not {"Qms", "Qes"} <= measured.keys():
        return by_qes
    qms, qes = measured["Qms"].value, measured["Qes"].value
    return (by_qms * qes + by_qes * qms) / (qms + qes)


def _explained(
    y: Real, inverse: Real, names: list[str], measured: Mapping[str, Estimate], count: int
) -> list[tuple[float, int, tuple[str, ...], tuple[float, ...]]]:
    """Sets of `count` causes that chance does not refute: χ², degrees of freedom, causes, amounts; the best first."""
    directions = {cause: _direction(cause, names, measured) for cause in CAUSES}
    possible = [cause for cause, direction in directions.items() if np.count_nonzero(direction) > 0]
    found: list[tuple[float, int, tuple[str, ...], tuple[float, ...]]] = []
    for causes in itertools.combinations(possible, count):
        d = np.column_stack([directions[cause] for cause in causes])
        weight = d.T @ inverse @ d
        if len(names) <= count or np.linalg.cond(weight) > 1e8:
            continue
        amounts = np.linalg.solve(weight, d.T @ inverse @ y)
        if any(abs(amount) > _MOST.get(cause, _ANYTHING) for cause, amount in zip(causes, amounts, strict=True)):
            continue
        rest = y - d @ amounts
        found.append((float(rest @ inverse @ rest), len(names) - count, causes, tuple(np.expm1(amounts).tolist())))
    if count == 1:
        found += [(*_wired(y, inverse, names, step, measured), ("wiring",), step) for step in _wiring_steps()]
    return sorted(item for item in found if by_chance(item[0], item[1]) > CHANCE)


def _wiring_steps() -> list[tuple[float, float]]:
    """Factors of Re and Bl from every wiring of two coils to every other."""
    pairs = itertools.permutations([wiring_factors(wiring) for wiring in get_args(Wiring)], 2)
    return sorted({(after[0] / before[0], after[1] / before[1]) for before, after in pairs})


def _wired(
    y: Real, inverse: Real, names: list[str], step: tuple[float, float], measured: Mapping[str, Estimate]
) -> tuple[float, int]:
    re, bl = math.log(step[0]), math.log(step[1])
    moves: dict[str, float] = {"Re": re, "Bl": bl, "Qes": re - 2.0 * bl, "sensitivity_1W": 2.0 * bl - re}
    moves["sensitivity_2V83"] = 2.0 * (bl - re)
    moves["Qts"] = _through_q(measured, 0.0, moves["Qes"])
    rest = y - np.array([moves.get(name, 0.0) for name in names])
    return float(rest @ inverse @ rest), len(names)


def by_chance(chi2: float, degrees: int) -> float:
    """Probability that chance gives as large a χ²; without SciPy, which takes as long to load as all of a check.

    Q(a, x) of a = ½ or 1, and from there Q(a + 1, x) = Q(a, x) + xᵃe⁻ˣ/Γ(a + 1) (Abramowitz & Stegun 6.5.21, from memory).
    """
    x = 0.5 * chi2
    if not x > 0.0 or math.isinf(x):
        return 1.0 if x == 0.0 else 0.0
    beyond, order = (math.erfc(math.sqrt(x)), 0.5) if degrees % 2 else (math.exp(-x), 1.0)
    while order < 0.5 * degrees:
        beyond += math.exp(order * math.log(x) - x - math.lgamma(order + 1.0))
        order += 1.0
    return beyond


def _words(
    causes: tuple[str, ...], amounts: tuple[float, ...], sheet: Sheet, by_itself: Mapping[str, float] | None = None
) -> str:
    """Name the causes; what a parameter deviates `by_itself` stands beside what all of them tell, where the two differ."""
    if causes == ("wiring",):
        return f"the two coils wired in another way than for the sheet (Re times {amounts[0]:g}, Bl times {amounts[1]:g})"
    said = []
    for cause, amount in zip(causes, amounts, strict=True):
        more, less, moves = CAUSES[cause]
        name = next(iter(moves))
        told, alone = f"{name} {100.0 * amount:+.0f} %", 100.0 * (by_itself or {}).get(name, amount)
        if abs(alone - 100.0 * amount) >= 0.5:
            told = f"{name} {alone:+.1f} %; by all {100.0 * amount:+.0f} %"
        said.append(f"{more if amount > 0.0 else less} ({told})")
    return " and ".join(said)


def _inductance(measured: Mapping[str, Estimate], sheet: Sheet) -> str:
    """Say that the printed inductance is off beyond uncertainty and rounding, "" when it is not or nobody knows."""
    estimate = measured.get("Le_1kHz")
    printed = sheet.figures.get("Le")
    if estimate is None or printed is None or estimate.value <= 0.0:
        return ""
    spread = math.hypot(estimate.stdev, printed.half_digit / math.sqrt(3.0), SCATTER * printed.value)
    ratio = estimate.value / printed.value
    if abs(estimate.value - printed.value) <= 3.0 * spread or abs(ratio - 1.0) < 0.1:
        return ""
    way = "underestimates" if ratio > 1.0 else "overestimates"
    return f"The sheet {way} the inductance: at 1 kHz it is {in_figures(ratio, 2)} times the printed one."
