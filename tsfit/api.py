"""The three uses from Python: measure on the bench, judge a datasheet, track drift; objects for scripts and notebooks."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from importlib import import_module
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

import tsfit.bench.fit
import tsfit.check.boxes
import tsfit.fitting.fit
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.base.views import Maker, register
from tsfit.bench.sweep import Measurement
from tsfit.capture.excitation import Wanted
from tsfit.capture.level_limit import QUIET_DBFS
from tsfit.check.verdict import CheckResult
from tsfit.drift.history import History
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.fit_result import FitResult
from tsfit.driver.heat_result import HeatResult
from tsfit.driver.measured import Measured
from tsfit.driver.record import Driver
from tsfit.driver.travel_result import TravelResult
from tsfit.fitting.demands import Demands
from tsfit.fitting.monte_carlo import Trials, check_trials, with_trials

if TYPE_CHECKING:
    from tsfit.driver.curve import StateKind
    from tsfit.live.notebook import Explorer

Check: TypeAlias = CheckResult
Drift: TypeAlias = History
Fit: TypeAlias = FitResult
Heat: TypeAlias = HeatResult
Sweep: TypeAlias = Measurement
Travel: TypeAlias = TravelResult
"""What a person calls the records that these functions return; each shows itself (`tsfit.base.views`)."""
_COUNT = count(1)
"""Pictures of one notebook must not share a name."""


def _page_of_sweep(measured: Measurement) -> str:
    from tsfit.report.blocks import heading, table, text
    from tsfit.report.page import fragment

    verdict = measured.verdict
    rows = [[octave, in_figures(percent, 2)] for octave, percent in verdict.percent_per_octave.items()]
    notes = [text(f"{note.severity}: {note.message}") for note in verdict.notes]
    uncertainty = [table("Uncertainty of the impedance", ("octave, Hz", "%"), rows)] if rows else []
    return fragment([heading(measured.recording.name), text(verdict.action, strong=True), *notes, *uncertainty])


def _late(place: str) -> Callable[..., Any]:
    """Return the function at "module:name", imported when it is called."""
    module, name = place.split(":")
    return lambda *given: getattr(import_module(f"tsfit.{module}"), name)(*given)


def _page(of_part: str, form: Maker = lambda record: record) -> Maker:
    """Return what makes HTML of a record: of all blocks of the part that the function at `of_part` makes of its `form`."""

    def shown(record: object) -> str:
        from tsfit.report.page import fragment

        part = _late(of_part)(form(record), f"shown-{next(_COUNT)}")
        return fragment([*part.found, *part.sure, *part.box])

    return shown


register(
    FitResult,
    form=_late("formats.fit:fit_to_dict"),
    plot=_late("plots.fit:fit_plot"),
    spice=lambda fitted: _late("formats.spice:spice_subcircuit")(fitted.driver),
    page=_page("report.sections:fit_part"),
)
_CHECKED, _JUDGED = _late("check.forms:check_form"), _late("drift.forms:drift_form")
register(CheckResult, form=_CHECKED, page=_page("report.sections:check_part", _CHECKED))
register(HeatResult, form=lambda found: found, plot=_late("plots.heat:heat_plot"), page=_page("report.power:heat_part"))
register(History, form=_JUDGED, plot=_late("plots.drift:drift_plot"), page=_page("report.comparison:history_part"))
register(Measurement, page=_page_of_sweep)
register(
    TravelResult, form=lambda told: told, plot=_late("plots.travel:travel_plot"), page=_page("report.power:travel_part")
)


def _tried(fitted: Callable[[], FitResult], monte_carlo: Trials | None, workers: int) -> FitResult:
    if monte_carlo is None:
        return fitted()
    check_trials(monte_carlo)
    return with_trials(fitted(), monte_carlo, workers=workers)


def fit(
    curves: Sequence[tuple[ImpedanceCurve, State]] | ImpedanceCurve,
    *,
    hold: Mapping[str, float] | None = None,
    bounds: Mapping[str, tuple[float, float]] | None = None,
    monte_carlo: Trials | None = None,
    workers: int = 1,
    **options: Any,
) -> Fit:
    """Fit all sweeps of one driver together; a lone curve counts as free air.

    Parameters named in `hold` stay at a value, those in `bounds` between a lowest and a highest one, SI. `monte_carlo` is
    how many trials propagate the distributions of all inputs (`tsfit.fitting.monte_carlo`), or "auto", in so many processes
    as `workers`; a script that asks for several needs the guard ``if __name__ == "__main__":``. The `options` are keywords
    of `tsfit.fitting.fit.fit`: name, serial, sd (a `Known`, m²), coil, suspension, provenance.
    Raises what `tsfit.fitting.fit.fit` refuses; ``few_trials``, ``trials_failed``.
    """
    pairs = [(curves, State())] if isinstance(curves, ImpedanceCurve) else curves
    demands = Demands(hold or {}, bounds or {})
    return _tried(lambda: tsfit.fitting.fit.fit(pairs, demands=demands, **options), monte_carlo, workers)


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
    Raises whatever is wrong with the file, a recording, or the fit.
    """
    demands = Demands(hold or {}, bounds or {})
    return _tried(lambda: tsfit.bench.fit.fit_bench(Path(path), demands=demands, **options), monte_carlo, workers)


def heat(path: str | Path) -> Heat:
    """Fit the coil's heat of the power run that a bench file names; raises whatever is wrong with the file or recording."""
    from tsfit.bench.heat import heat_bench

    return heat_bench(Path(path))


def sweep(
    rig: str | Path,
    recording: str | Path,
    state: StateKind = "free air",
    *,
    excitation: str = "exponential sweep",
    seconds: float = 8.0,
    level_dbfs: float | None = None,
    confirmed_dbfs: float = QUIET_DBFS,
    **given: Any,
) -> Sweep:
    """Play a sweep on a rig, record it, judge it, and turn it into a curve beside the recording.

    Before sound: the amplifier's minus terminal may not be ground, line inputs die of speaker level, and ears come first.
    It plays at −30 dBFS, or at the rig's own level, unless `level_dbfs` says otherwise; what is louder than −30 dBFS only
    when `confirmed_dbfs`, the loudest peak that is meant, allows it.

    `rig` is a rig file (TOML), `recording` the name of the new recording (.wav); `state` is "free air", "added mass",
    "closed box" or "infinite baffle", `excitation` "exponential sweep", "multisine", "odd multisine" or "stepped sine".
    `given` is more of the excitation: low_hz (5), high_hz (20000), periods (4); and what a bench file's ``[[sweep]]`` says
    of the state: mass_g, volume_l, wiring, air_temperature_c, …
    Raises as `tsfit.bench.sweep.measure`; ``confirm`` for a level above `confirmed_dbfs`; ``wrong_value`` for what does not
    belong to the state.
    """
    from tsfit.bench.file import SweepTable
    from tsfit.bench.sweep import choose_level, measure, plan
    from tsfit.capture.rig import read_rig
    from tsfit.formats.toml import validated

    read = read_rig(Path(rig))
    more = {name: given.pop(name) for name in ("low_hz", "high_hz", "periods") if name in given}
    table = validated(Path(rig), {"recording": "-", "state": state, **given}, SweepTable, "sweep")
    level = choose_level(read, level_dbfs, None)
    if not level <= confirmed_dbfs:
        message = f"{rig}: would play at {level:.1f} dBFS; when that is meant, add confirmed_dbfs={level:g}."
        raise TsfitError(message, code="confirm", file=Path(rig))
    played = plan(read, Wanted(excitation, seconds, level_dbfs=level, **more))
    return measure(read, Path(recording), table, played)


def travel_bench(path: str | Path) -> Travel:
    """Tell how far a driver goes, from a bench file with recordings of state "full travel".

    Raises as `tsfit.bench.travel.travel_bench`.
    """
    from tsfit.bench.travel import travel_bench as told

    return told(Path(path))


def check_sheet(
    fitted: FitResult | str | Path, sheet: str | Path, *, travel: TravelResult | str | Path | None = None,
    heat: HeatResult | str | Path | None = None, **options: Any,
) -> Check:  # fmt: skip
    """Judge a published datasheet against a fit, and put both drivers into the same boxes.

    The fit may be named by its file, as what `travel` and `heat` found of the same driver may, by which Xmax, Pe and Ppeak
    are judged; the sheet is a file (TOML). `options` are `rules` and `plans` of `tsfit.check.boxes.check_sheet`.
    Raises what is wrong with a file; as `tsfit.check.verdict.judge`.
    """
    from tsfit.formats.sheet import read_sheet

    limits = _measured(travel, heat)
    return tsfit.check.boxes.check_sheet(_fit_of(fitted), read_sheet(Path(sheet)), limits=limits, **options)


def _measured(travel: TravelResult | str | Path | None, heat: HeatResult | str | Path | None) -> Measured:
    from tsfit.formats.measured import read_measured

    files = [Path(one) if isinstance(one, (str, Path)) else None for one in (travel, heat)]
    read = read_measured(*files)
    return Measured(
        travel if isinstance(travel, TravelResult) else read.travel, heat if isinstance(heat, HeatResult) else read.heat
    )


def explore(*drivers: FitResult | Driver | str | Path, box: str | Path | None = None) -> Explorer:
    """Show the knobs of a box in a notebook, for one driver or several: fits, drivers, or their files.

    It begins with the planned `box` (a file), or with closed boxes. Raises ``usage`` without a driver, ``missing_package``
    without ipywidgets, and what is wrong with a file.
    """
    from tsfit.box.file import read_box
    from tsfit.formats.driver import read_driver_or_fit
    from tsfit.live.notebook import Explorer
    from tsfit.live.state import Tried, first_state, state_of

    if not drivers:
        raise TsfitError("explore takes a driver; give a fit, a driver, or the file of one.", code="usage")
    tried = []
    for one in drivers:
        if isinstance(one, FitResult):
            tried.append(Tried(one.driver.name, one.driver, one))
        elif isinstance(one, Driver):
            tried.append(Tried(one.name, one))
        else:
            tried.append(Tried(str(one), *read_driver_or_fit(Path(one))))
    return Explorer(tried, first_state(tried) if box is None else state_of(read_box(Path(box))))


def log_fit(fitted: FitResult | str | Path, log: str | Path, hours: float) -> int:
    """Add a fit, or its file, to a driver's log after that many `hours` of use, and return the number of its entry.

    The log is made where it is missing. Raises ``usage`` for hours that cannot be; as `tsfit.drift.log.add_entry`.
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
    Raises as `tsfit.drift.log.read_log` and `tsfit.drift.history.history`.
    """
    from tsfit.drift.history import history
    from tsfit.drift.log import read_log

    return history(read_log(Path(log)))


def _fit_of(fitted: FitResult | str | Path) -> FitResult:
    from tsfit.formats.fit import read_fit

    return fitted if isinstance(fitted, FitResult) else read_fit(Path(fitted))
