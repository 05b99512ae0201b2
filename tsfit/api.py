"""The three uses from Python: measure on the bench, judge a datasheet, track drift; objects for scripts and notebooks."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any

import tsfit.bench.fit
import tsfit.check.boxes
import tsfit.fitting.fit
from tsfit.bench.sweep import Measurement
from tsfit.check.verdict import CheckResult
from tsfit.drift.history import History
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.fit_result import FitResult
from tsfit.fitting.demands import Demands
from tsfit.fitting.monte_carlo import Trials, check_trials, with_trials
from tsfit.formats.fit import fit_to_dict

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from tsfit.driver.curve import StateKind
    from tsfit.report.blocks import Part

_COUNT = count(1)
"""Pictures of one notebook must not share a name."""


@dataclass(frozen=True)
class Fit(FitResult):
    """A `FitResult` that can draw, print and export itself. `lmfit` gives Minimizer and result."""

    def to_dict(self) -> dict[str, Any]:
        """Return the fixed JSON form, SI units."""
        return fit_to_dict(self)

    def plot(self) -> Figure:
        """Return the figure of measured and fitted impedance."""
        from tsfit.plots.fit import fit_figure

        return fit_figure(self)

    def spice(self) -> str:
        """Return the driver in free air as the text of a SPICE subcircuit."""
        from tsfit.formats.spice import spice_subcircuit

        return spice_subcircuit(self.driver)

    def _repr_html_(self) -> str:
        from tsfit.report.sections import fit_part

        return _shown(fit_part(self, f"shown-{next(_COUNT)}"))


@dataclass(frozen=True)
class Check(CheckResult):
    """A `CheckResult` that a notebook shows as the page does: verdict, figures, and what it means for the box."""

    def _repr_html_(self) -> str:
        from tsfit.report.sections import check_part

        return _shown(check_part(self.to_dict(), f"shown-{next(_COUNT)}"))


@dataclass(frozen=True)
class Drift(History):
    """A `History` in words, as its machine form, and drawn."""

    def sentences(self) -> list[str]:
        """Say what drifted, by how much, and whether it has settled."""
        from tsfit.drift.summary import sentences

        return sentences(self)

    def to_dict(self) -> dict[str, Any]:
        """Return the fixed JSON form."""
        from tsfit.drift.summary import history_to_dict

        return history_to_dict(self)

    def plot(self) -> Figure:
        """Return the figure of every cause against hours of use."""
        from tsfit.plots.drift import drift_figure

        return drift_figure(self)

    def _repr_html_(self) -> str:
        from tsfit.report.comparison import history_part

        return _shown(history_part(self, f"shown-{next(_COUNT)}"))


@dataclass(frozen=True)
class Sweep(Measurement):
    """A `tsfit.bench.sweep.Measurement` that a notebook shows with its verdict."""

    def _repr_html_(self) -> str:
        from tsfit.report.blocks import heading, table, text
        from tsfit.report.page import fragment

        rows = [[octave, f"{percent:.2g}"] for octave, percent in self.verdict.percent_per_octave.items()]
        notes = [text(f"{note.severity}: {note.message}") for note in self.verdict.notes]
        uncertainty = [table("Uncertainty of the impedance", ("octave, Hz", "%"), rows)] if rows else []
        return fragment([heading(self.recording.name), text(self.verdict.action, strong=True), *notes, *uncertainty])


def _shown(part: Part) -> str:
    from tsfit.report.page import fragment

    return fragment([*part.found, *part.sure, *part.box])


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
    hold: Mapping[str, float] | None = None,
    bounds: Mapping[str, tuple[float, float]] | None = None,
    monte_carlo: Trials | None = None,
    workers: int = 1,
    **options: Any,
) -> Fit:
    """Fit all sweeps of one driver together.

    Parameters
    ----------
    curves : sequence of (ImpedanceCurve, State), or one curve, which counts as free air
    hold, bounds : mappings, optional
        Parameters by name that are held at a value, or kept between a lowest and a highest one, SI.
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
    return _tried(
        lambda: tsfit.fitting.fit.fit(pairs, demands=Demands(hold or {}, bounds or {}), **options), monte_carlo, workers
    )


def fit_bench(
    path: str | Path,
    *,
    hold: Mapping[str, float] | None = None,
    bounds: Mapping[str, tuple[float, float]] | None = None,
    monte_carlo: Trials | None = None,
    workers: int = 1,
    **options: Any,
) -> Fit:
    """Fit everything that a bench file names, or a lone curve.

    `hold`, `bounds`, `monte_carlo` and `workers` are those of `fit`, the `options` those of `tsfit.bench.fit.fit_bench`.

    Raises
    ------
    TsfitError
        Whatever is wrong with the file, a recording, or the fit.
    """
    return _tried(
        lambda: tsfit.bench.fit.fit_bench(Path(path), demands=Demands(hold or {}, bounds or {}), **options),
        monte_carlo,
        workers,
    )


def sweep(
    rig: str | Path,
    recording: str | Path,
    state: StateKind = "free air",
    *,
    excitation: str = "exponential sweep",
    seconds: float = 8.0,
    level_dbfs: float | None = None,
    **given: Any,
) -> Sweep:
    """Play a sweep on a rig, record it, judge it, and turn it into a curve beside the recording.

    Before sound: the amplifier's minus terminal may not be ground, line inputs die of speaker level, and ears come first.
    It starts at −30 dBFS, or at the rig's own level, unless `level_dbfs` says otherwise.

    Parameters
    ----------
    rig : rig file (TOML)
    recording : name of the new recording (.wav)
    state : "free air", "added mass", "closed box" or "infinite baffle"
    excitation : "exponential sweep", "multisine", "odd multisine" or "stepped sine"
    given : more of the excitation: low_hz (5), high_hz (20000), periods (4); and what a bench file's ``[[sweep]]`` says of
        the state: mass_g, volume_l, wiring, air_temperature_c, …

    Raises
    ------
    TsfitError
        As `tsfit.bench.sweep.measure`; ``wrong_value`` for what does not belong to the state.
    """
    from tsfit.bench.file import SweepTable
    from tsfit.bench.sweep import choose_level, measure, plan
    from tsfit.capture.excitation import Wanted
    from tsfit.capture.rig import read_rig
    from tsfit.formats.toml import validated

    read = read_rig(Path(rig))
    more = {name: given.pop(name) for name in ("low_hz", "high_hz", "periods") if name in given}
    table = validated(Path(rig), {"recording": "-", "state": state, **given}, SweepTable, "sweep")
    level = choose_level(read, level_dbfs, None)
    played = plan(read, Wanted(excitation, seconds, level_dbfs=level, **more))
    return Sweep(**vars(measure(read, Path(recording), table, played)))


def check_sheet(fitted: FitResult | str | Path, sheet: str | Path, **options: Any) -> Check:
    """Judge a published datasheet against a fit, and put both drivers into the same boxes.

    Parameters
    ----------
    fitted : a fit, or its file
    sheet : sheet file (TOML)
    options : keywords of `tsfit.check.boxes.check_sheet`: rules, plans

    Raises
    ------
    TsfitError
        What is wrong with a file; as `tsfit.check.verdict.judge`.
    """
    from tsfit.formats.sheet import read_sheet

    return Check(**vars(tsfit.check.boxes.check_sheet(_fit_of(fitted), read_sheet(Path(sheet)), **options)))


def log_fit(fitted: FitResult | str | Path, log: str | Path, hours: float) -> int:
    """Add a fit to a driver's log, which is made where it is missing, and return the number of its entry.

    Parameters
    ----------
    fitted : a fit, or its file
    hours : hours of use so far

    Raises
    ------
    TsfitError
        ``usage`` for hours that cannot be; as `tsfit.drift.log.add_entry`.
    """
    from tsfit.base.files import sha256
    from tsfit.drift.entry import entry_of
    from tsfit.drift.log import add_entry

    file = None
    if not isinstance(fitted, FitResult):
        path = Path(fitted)
        fitted, file = _fit_of(path), {"file": str(path.resolve()), "sha256": sha256(path)}
    return len(add_entry(Path(log), entry_of(fitted, hours, file=file)).entries)


def track(log: str | Path) -> Drift:
    """Tell what a driver's hours of use moved, from its log.

    Raises
    ------
    TsfitError
        As `tsfit.drift.log.read_log` and `tsfit.drift.history.history`.
    """
    from tsfit.drift.history import history
    from tsfit.drift.log import read_log

    return Drift(**vars(history(read_log(Path(log)))))


def _fit_of(fitted: FitResult | str | Path) -> FitResult:
    from tsfit.formats.fit import read_fit

    return fitted if isinstance(fitted, FitResult) else read_fit(Path(fitted))
