"""The fit from Python: what the command line gives, as an object for scripts and notebooks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import tsfit.bench
import tsfit.fitting.fit
from tsfit.fit_file import fit_to_dict
from tsfit.fitting.monte_carlo import Trials, check_trials, with_trials
from tsfit.records import FitResult, ImpedanceCurve, State

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_PAGE = """<table><caption>{{ name }}</caption>
<thead><tr><th>figure</th><th>value</th><th>±1σ</th><th>unit</th></tr></thead>
<tbody>{% for row in rows %}<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>{% endfor %}</tbody></table>
<ul>{% for note in notes %}<li>{{ note.severity }}: {{ note.message }}</li>{% endfor %}</ul>"""


@dataclass(frozen=True)
class Fit(FitResult):
    """A `FitResult` that can draw, print and export itself. `minimizer()` gives the lmfit result."""

    def to_dict(self) -> dict[str, Any]:
        """Return the fixed JSON form, SI units."""
        return fit_to_dict(self)

    def plot(self) -> Figure:
        """Return the figure of measured and fitted impedance."""
        from tsfit.figures.fit import fit_figure

        return fit_figure(self)

    def spice(self) -> str:
        """Return the driver in free air as the text of a SPICE subcircuit."""
        from tsfit.spice import spice_subcircuit

        return spice_subcircuit(self.driver)

    def _repr_html_(self) -> str:
        from jinja2 import Environment

        rows = []
        for name, estimate in self.parameters.items():
            told = estimate.shown(name)
            rows.append((name, told.value, told.spread, told.unit))
        page = Environment(autoescape=True).from_string(_PAGE)
        return page.render(name=self.driver.name, rows=rows, notes=self.quality)


def _lifted(result: FitResult) -> Fit:
    return Fit(**{field.name: getattr(result, field.name) for field in fields(result)})


def _tried(fitted: Callable[[], FitResult], monte_carlo: Trials | None, workers: int) -> Fit:
    if monte_carlo is None:
        return _lifted(fitted())
    check_trials(monte_carlo)
    return _lifted(with_trials(fitted(), monte_carlo, workers=workers))


def fit(
    curves: Sequence[tuple[ImpedanceCurve, State]] | ImpedanceCurve,
    *,
    monte_carlo: Trials | None = None,
    workers: int = 1,
    **options: Any,
) -> Fit:
    """Fit all sweeps of one driver together.

    Parameters
    ----------
    curves : sequence of (ImpedanceCurve, State), or one curve, which counts as free air
    monte_carlo : int or "auto", optional
        Number of trials that propagate the distributions of all inputs (`tsfit.fitting.monte_carlo`).
    workers : int
        Processes for the trials; a script that asks for several needs the guard ``if __name__ == "__main__":``.
    options : keywords of `tsfit.fitting.fit.fit`: name, serial, sd (a `Known`, m²), coil, suspension, provenance

    Raises
    ------
    TsfitError
        What `tsfit.fitting.fit.fit` refuses; ``few_trials``, ``trials_failed``.
    """
    pairs = [(curves, State())] if isinstance(curves, ImpedanceCurve) else curves
    return _tried(lambda: tsfit.fitting.fit.fit(pairs, **options), monte_carlo, workers)


def fit_bench(path: str | Path, *, monte_carlo: Trials | None = None, workers: int = 1, **options: Any) -> Fit:
    """Fit everything that a bench file names, or a lone curve.

    `monte_carlo` and `workers` are those of `fit`, the `options` those of `tsfit.bench.fit_bench`.

    Raises
    ------
    TsfitError
        Whatever is wrong with the file, a recording, or the fit.
    """
    return _tried(lambda: tsfit.bench.fit_bench(Path(path), **options), monte_carlo, workers)
