"""lmfit as the engine: a weighted least-squares problem as its Minimizer, whose tools then work on the fit.

Beside data and priors stand two kinds of rows that move nothing. Each free variable is held to within `BOUNDLESS` of where
the search began, so that a direction which the data leave open has an end. And a constant brings the sum of squares at the
minimum to the degrees of freedom, for tools that compare with it: where points share an error they count less, which lmfit,
counting them all, would else take for an overstated noise.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from typing import TYPE_CHECKING, NamedTuple, Self, TypeAlias

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.lean import load_lmfit

if TYPE_CHECKING:
    import lmfit

Limits: TypeAlias = Mapping[str, tuple[float, float]]
"""Lowest and highest value of variables by name."""

FIRST_STEP = 0.1
"""Longest first step, over the length of the vector of variables: some e-fold. Two terms of a coil that do the same leave
a direction without slope, along which a step of free length leads out of the world."""
BOUNDLESS = 30.0
"""Standard deviation of a variable that says nothing, and which none exceeds: results that a dead direction does not touch
would drown in the rounding of a larger one."""
INSIDE = 1e-3
"""Share of the width of its bounds by which a variable begins inside them: at a bound lmfit's variable has no slope."""


@dataclass(frozen=True)
class Target:
    """Residuals and slopes as lmfit asks for them."""

    # residual, jacobian: callables of the variables (n,), that return (m,) and (n, m)
    residual: Callable[[Real], Real]
    jacobian: Callable[[Real], Real]
    names: tuple[str, ...]  # the variables as lmfit calls them, in order
    begun: Real  # (k,) where the free variables began, which come first
    constant: float = 0.0  # row without slope

    def residuals(self, parameters: lmfit.Parameters) -> Real:
        """All rows, (m + k + 1,)."""
        x = self._vector(parameters)
        return np.concatenate([self.residual(x), (x[: len(self.begun)] - self.begun) / BOUNDLESS, [self.constant]])

    def slopes(self, parameters: lmfit.Parameters) -> Real:
        """Derivative of all rows by every parameter that varies; lmfit turns it into that by its bounded variables."""
        rows = np.concatenate([self.jacobian(self._vector(parameters)), self._beside], axis=1)
        free = [parameters[name].vary for name in self.names]
        return rows if all(free) else rows[free]

    @cached_property
    def _beside(self) -> Real:
        n, k = len(self.names), len(self.begun)
        return np.concatenate([np.eye(n, k) / BOUNDLESS, np.zeros((n, 1))], axis=1)

    def _vector(self, parameters: lmfit.Parameters) -> Real:
        return np.array([parameters[name].value for name in self.names])


@cache
def lmfit_name(name: str) -> str:
    """Return the name of a variable as lmfit takes names."""
    return "".join(letter if letter.isalnum() else "_" for letter in name)


def minimizer_of(target: Target, x: Real, limits: Limits, fixed: Mapping[str, float] | None = None) -> lmfit.Minimizer:
    """Return the Minimizer of `target` from `x` on; `limits` and `fixed` by names of variables.

    Without `fixed` it can run once.
    """
    load_lmfit()
    import lmfit

    kinds = _for_one_run()
    listed, free = (kinds.all(), kinds.free) if fixed is None else (lmfit.Parameters(), lmfit.Parameter)
    bounded = {lmfit_name(name): bounds for name, bounds in limits.items()}
    for name, value in zip(target.names, x.tolist(), strict=True):
        if name in bounded:
            low, high = bounded[name]
            value = min(max(value, low + INSIDE * (high - low)), high - INSIDE * (high - low))
            listed[name] = lmfit.Parameter(name, value=value, min=low, max=high)
        else:
            listed[name] = free(name, value)
    for name, value in (fixed or {}).items():
        listed[lmfit_name(name)] = lmfit.Parameter(lmfit_name(name), value=value, vary=False)
    minimizer = kinds.minimizer if fixed is None else lmfit.Minimizer
    return minimizer(
        target.residuals, listed, scale_covar=False, nan_policy="propagate", Dfun=target.slopes, col_deriv=True
    )


class _Kinds(NamedTuple):
    """lmfit's own, but for what is asked of a single run."""

    free: Callable[[str, float], lmfit.Parameter]
    all: type[lmfit.Parameters]
    minimizer: type[lmfit.Minimizer]


@cache
def _for_one_run() -> _Kinds:
    """Without what reads texts, compares bounds that are none and tells errors, which would cost more than a descent."""
    import lmfit

    told = vars(lmfit.Parameter("free"))

    class Free(lmfit.Parameter):  # type: ignore[misc]
        value = 0.0  # nothing but that, in place of a property

        def __init__(self, name: str, value: float) -> None:
            self.__dict__.update(told, name=name, value=value)

        def setup_bounds(self) -> float:
            return self.value

    class All(lmfit.Parameters):  # type: ignore[misc]
        def __init__(self) -> None:
            dict.__init__(self)

        def __setitem__(self, name: str, parameter: lmfit.Parameter) -> None:
            dict.__setitem__(self, name, parameter)

        def __deepcopy__(self, memo: object) -> Self:
            return self

        def update_constraints(self) -> None:
            pass

    class Minimizer(lmfit.Minimizer):  # type: ignore[misc]
        def _calculate_uncertainties_correlations(self) -> None:
            pass

        def leastsq(self, **how: object) -> lmfit.minimizer.MinimizerResult:
            found = super().leastsq(**how)
            found.call_kws.clear()  # which hold what holds them, and with that all arrays of the search
            return found

    return _Kinds(Free, All, Minimizer)


def descended(minimizer: lmfit.Minimizer, near: float, evaluations: int) -> lmfit.minimizer.MinimizerResult:
    """Let `minimizer` run; `near` and `evaluations` as of `least_squares.descend`.

    Out of evaluations, lmfit ends where it was about to look next, which may be a step that misses; here it ends at the
    best that was seen.
    """
    diag = np.ones(sum(parameter.vary for parameter in minimizer.params.values()))
    most, least, seen = max(evaluations, 2), np.inf, dict[str, float]()

    def keep_the_best(parameters: lmfit.Parameters, evaluated: int, residual: Real, *_: object) -> bool:
        nonlocal least, seen
        squares = float(residual @ residual)
        if squares < least:
            least, seen = squares, {name: parameter.value for name, parameter in parameters.items()}
        return evaluated > most

    minimizer.iter_cb = keep_the_best
    found = minimizer.leastsq(ftol=near, xtol=near, diag=diag, factor=FIRST_STEP, max_nfev=most + 1)
    minimizer.iter_cb = None
    if found.aborted:
        for name, value in seen.items():
            found.params[name].value = value
        found.chisqr = least
    return found


def names_of(names: Sequence[str]) -> tuple[str, ...]:
    """Return the names of variables as lmfit takes them."""
    return tuple(lmfit_name(name) for name in names)
