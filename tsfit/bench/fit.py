"""From a bench file, or a lone curve, to the fit."""

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from tsfit.base.causes import refused
from tsfit.base.copies import copies
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.base.files import sha256
from tsfit.base.intervals import COVERAGE_FACTOR
from tsfit.base.notes import QualityNote
from tsfit.bench.file import BenchTable, SweepTable, area_of, assumed_in, assumption, known_or_assumed, state_of, untouched
from tsfit.capture.impedance import GainTrim, Heard, hear, impedance_of, with_standards
from tsfit.capture.recorder import played
from tsfit.capture.recording import Recording, read_recording
from tsfit.capture.rig import Rig, read_rig
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.fit_result import FitResult
from tsfit.driver.record import Driver
from tsfit.driver.sizes import odd_size
from tsfit.fitting.demands import NOTHING, Demands, demands_of
from tsfit.fitting.fit import fit, points_used
from tsfit.fitting.start import Resonance, find_resonance
from tsfit.fitting.sweep import Known
from tsfit.formats.curve import read_curve
from tsfit.formats.toml import read_toml

FAR_ABOVE, OTHER_SCALE = 8.0, 3.0
"""Over the resonance, from where all states of a driver look alike, and by how many percent they do not."""
LEAST_USED = 8
"""Points of a curve that a fit needs about the resonance alone."""


def fit_bench(
    path: Path,
    *,
    coil: str | None = None,
    suspension: str | None = None,
    points_per_octave: int = 48,
    demands: Demands = NOTHING,
    columns: str | None = None,
    on_step: Callable[[str], None] = lambda step: None,
) -> FitResult:
    """Fit everything that a bench file names, or a lone impedance curve (text or Touchstone), which counts as free air.

    `coil` and `suspension` force a circuit model. Curves of recordings have `points_per_octave`. `demands` go before those
    of the bench file. `columns` says what those of a lone text curve are ("Hz, ohm, degrees"). `on_step` is told what is
    being done.

    Raises TsfitError for whatever is wrong with the file, a recording, or the fit.
    """
    if path.suffix.lower() != ".toml":
        return _fit_curve(path, coil, suspension, demands, columns)
    if columns is not None:
        message = f'{path}: is a bench file; write columns = "{columns}" in the sweep of the curve that is meant.'
        raise TsfitError(message, code="usage", file=path)
    table, left_out = _once(path, small_signal(path, read_toml(path, BenchTable, "bench")))
    rig = None if table.rig is None else read_rig(path.parent / table.rig)
    read = read_sweeps(path, table, rig, points_per_octave, on_step)
    states, notes = _states(path, table)
    sd, area_notes = area_of(table.driver)
    area_notes += untouched(path, table.driver)
    demands = demands.over(demands_of(table.hold, table.bounds, str(path)))

    def run(gain: GainTrim) -> FitResult:
        curves = [one if isinstance(one, ImpedanceCurve) else impedance_of(one, gain) for one in read]
        on_step("fitting")
        for curve in curves:
            refuse_few(curve)
        try:
            return fit(
                list(zip(curves, states, strict=True)),
                name=table.driver.name,
                serial=table.driver.serial,
                sd=sd,
                coil=coil,
                suspension=suspension,
                demands=demands,
                provenance=_provenance(path, table, curves),
            )
        except TsfitError as error:
            raise _with_likely_cause(error, path, table, curves) from None

    result, meter_notes = _held_against_meter(run, table, rig)
    return replace(result, quality=(*left_out, *notes, *area_notes, *meter_notes, *result.quality))


def _with_likely_cause(error: TsfitError, path: Path, table: BenchTable, curves: Sequence[ImpedanceCurve]) -> TsfitError:
    """Return the refusal, with what is typed in the bench file and hardly meant, or sweeps that differ in scale."""
    if error.code != "no_fit":
        return error
    odd = _odd_sizes(table)
    message = f"{error.message} In {path.name}, {', and '.join(odd)}." if odd else error.message
    if not odd and len({(sweep.wiring, sweep.other_coil) for sweep in table.sweep}) == 1:
        message += "".join(_other_scale(curves[0], curve) for curve in curves[1:])
    return TsfitError(message, code=error.code, file=error.file)


def _odd_sizes(table: BenchTable) -> list[str]:
    area, _ = area_of(table.driver)
    cm = None if area is None else float(f"{200.0 * math.sqrt(area.value / math.pi):.4g}")
    typed = [odd_size("diameter", cm)] if cm is not None else []
    for sweep in table.sweep:
        if sweep.mass_g is not None:
            typed.append(odd_size("mass", sweep.mass_g, cm if typed[:1] == [None] else None))
        if sweep.volume_l is not None:
            typed.append(odd_size("volume", sweep.volume_l, cm if typed[:1] == [None] else None))
    return list(dict.fromkeys(filter(None, typed)))


def _other_scale(first: ImpedanceCurve, other: ImpedanceCurve) -> str:
    """Say that a curve differs from the first in scale: far above both resonances no mass or box moves anything."""
    f = first.frequency_hz
    peaks = [found.Fs for found in map(find_resonance, (first, other)) if isinstance(found, Resonance)]
    above = (f > FAR_ABOVE * max(peaks, default=math.inf)) & (f <= other.frequency_hz[-1])
    if len(peaks) < 2 or np.count_nonzero(above) < LEAST_USED:
        return ""
    size = np.interp(f[above], other.frequency_hz, np.abs(other.impedance_ohm))
    percent = 100.0 * (size / np.abs(first.impedance_ohm[above]) - 1.0)
    middle, low, high = np.quantile(percent, (0.5, 0.1, 0.9))
    if abs(middle) < OTHER_SCALE or low * high <= 0.0:
        return ""
    return (
        f" Far above the resonance, where no mass or box moves anything, {other.source} shows "
        f"{in_figures(middle, 2, sign='+')} % of impedance "
        f"against {first.source}: a gain, a resistor or a contact was changed between them."
    )


def refuse_few(curve: ImpedanceCurve) -> None:
    """Refuse a curve of which too few points are a fit's, before circuits of more parameters are tried on them.

    Raises TsfitError ``short_range``.
    """
    found = find_resonance(curve)
    if not isinstance(found, Resonance):
        return
    used = curve.frequency_hz[points_used(curve, found.Fs)]
    if len(used) < LEAST_USED:
        ends = {"low": float(curve.frequency_hz[0]), "high": float(curve.frequency_hz[-1])}
        raise refused(curve.source, "short_range", **ends, near=len(used), peak=found.Fs)


def _once(path: Path, table: BenchTable) -> tuple[BenchTable, list[QualityNote]]:
    """Return the bench with each sweep once: copies of a file tell nothing new, and would shrink every uncertainty."""
    names = [sweep.recording or sweep.curve or "" for sweep in table.sweep]
    files = [path.parent / name for name in names]
    hashes = [sha256(file) if file.is_file() else name for file, name in zip(files, names, strict=True)]
    rest = [str(sweep.model_dump(exclude={"recording", "curve"})) for sweep in table.sweep]
    left = copies([frozenset({both}) for both in zip(hashes, rest, strict=True)])
    if not left:
        return table, []
    twice = ", ".join(names[k] for k in left)
    message = f"The same sweep stands there more than once and counts once; left out: {twice}; name each once."
    kept = [sweep for k, sweep in enumerate(table.sweep) if k not in left]
    return table.model_copy(update={"sweep": kept}), [QualityNote("same_sweep", "warn", message)]


def small_signal(path: Path, table: BenchTable) -> BenchTable:
    """Return the bench with what is to be fitted alone.

    Raises TsfitError ``nothing_to_fit`` where all of it was driven hard, or the cone held aside.
    """
    quiet = [sweep for sweep in table.sweep if sweep.at_rest]
    if not quiet:
        message = f"{path}: holds no small-signal sweep at rest to fit; add one, or ask 'tsfit travel' or 'tsfit heat'."
        raise TsfitError(message, code="nothing_to_fit", file=path)
    return table.model_copy(update={"sweep": quiet})


def _fit_curve(path: Path, coil: str | None, suspension: str | None, demands: Demands, columns: str | None) -> FitResult:
    curve = read_curve(path, columns)
    swept = played(path).state
    if swept is not None and swept not in ("free air", "infinite baffle"):
        raise TsfitError(
            f"{path}: was swept in the state {swept!r}, as the conditions beside it say, and a lone curve counts as free "
            "air; name the bench file that has it beside the free-air sweep.",
            code="no_free_air",
            file=path,
        )
    refuse_few(curve)
    result = fit(
        [(curve, State())],
        name=path.stem,
        coil=coil,
        suspension=suspension,
        demands=demands,
        provenance={"curve": dict(curve.provenance)},
    )
    counts = (
        f"{path.name} counts as free air at the driver's own terminals: in a closed box Fs and the Qs would be those of "
        "the box system, and leads or a resistor within it would count to Re: name it in a bench file with its state."
    )
    if "sample_rate_hz" not in curve.provenance:
        counts += " What its instrument is off in gain and phase is not in the ±: measure a known resistor with it too."
    notes = [QualityNote("state_assumed", "note", counts)]
    if swept is not None:
        message = (
            f"The ± is that of noise and circuit alone: {path.name} carries nothing of what its rig leaves open; fit the "
            "recording by a bench file for the whole."
        )
        notes.insert(0, QualityNote("rig_left_out", "warn", message))
    return replace(result, quality=(*notes, *result.quality))


def read_sweeps(
    path: Path, table: BenchTable, rig: Rig | None, points_per_octave: int, on_step: Callable[[str], None]
) -> list[Heard | ImpedanceCurve]:
    """Read every recording and curve once."""
    read: list[Heard | ImpedanceCurve] = []
    for sweep in table.sweep:
        on_step(f"reading {sweep.recording or sweep.curve}")
        if sweep.recording is not None and rig is not None:
            # Not kept here: of a long recording the samples are let go once its lines hold them.
            read.append(hear(_recorded(path.parent, sweep, sweep.recording, rig), rig, points_per_octave))
        else:
            read.append(read_curve(path.parent / (sweep.curve or ""), sweep.columns))
    heard = iter(with_standards([one for one in read if isinstance(one, Heard)]))
    return [next(heard) if isinstance(one, Heard) else one for one in read]


def _recorded(folder: Path, sweep: SweepTable, name: str, rig: Rig) -> Recording:
    recording = read_recording(folder / name)
    if sweep.excitation is None:
        return recording
    from tsfit.capture.known import played_in

    return played_in(recording, rig.total, folder / sweep.excitation)


def _states(path: Path, table: BenchTable) -> tuple[list[State], list[QualityNote]]:
    """States with the levels that the conditions beside the recordings tell, where the bench file tells none; remarks."""
    notes = [note for number, sweep in enumerate(table.sweep) for note in assumed_in(sweep, number)]
    states = [state_of(sweep) for sweep in table.sweep]
    told = [played(path.parent / (sweep.recording or sweep.curve or "")) for sweep in table.sweep]
    kinds = {each.kind for each in told if each.kind is not None}
    if len(kinds) > 1:
        told_kinds = " and ".join(sorted(kinds))
        message = f"The sweeps used {told_kinds}, whose peaks do not compare; they count as one level. Keep to one."
        return states, [*notes, QualityNote("mixed_excitation", "note", message)]
    with_levels = [
        state
        if (state.level_v, state.level_dbfs) != (None, None)
        else replace(state, level_v=each.level_v, level_dbfs=each.level_dbfs)
        for state, each in zip(states, told, strict=True)
    ]
    return with_levels, notes


def described(path: Path, table: BenchTable, on_step: Callable[[str], None]) -> tuple[Driver, FitResult | None]:
    """Return the driver at little travel, by its name in the bench, and the fit that tells it.

    That is the file which ``from`` of its ``[driver]`` names, else the bench's own small-signal sweeps; raises as these.
    """
    if table.driver.described_in is not None:
        from tsfit.formats.driver import read_driver_or_fit

        driver, fit = read_driver_or_fit(path.parent / table.driver.described_in)
    else:
        on_step("fitting the small-signal sweeps")
        fit = fit_bench(path, on_step=on_step)
        driver = fit.driver
    return replace(driver, name=table.driver.name, serial=table.driver.serial or driver.serial), fit


def made_from(path: Path) -> dict[str, object]:
    """What every result of a bench says of where it comes from."""
    from importlib.metadata import version

    return {"software": f"tsfit {version('tsfit')}", "bench": {"file": path.name, "sha256": sha256(path)}}


def _provenance(path: Path, table: BenchTable, curves: list[ImpedanceCurve]) -> dict[str, object]:
    return {
        **made_from(path),
        "sweeps": [
            {**sweep.model_dump(exclude_none=True), **curve.provenance}
            for sweep, curve in zip(table.sweep, curves, strict=True)
        ],
    }


def _held_against_meter(
    run: Callable[[GainTrim], FitResult], table: BenchTable, rig: Rig | None
) -> tuple[FitResult, tuple[QualityNote, ...]]:
    """Fit, and compare Re with an ohmmeter's reading or trim the channels' gains by it; say so."""
    result, driver = run(GainTrim()), table.driver
    if driver.dc_resistance_ohm is None:
        return result, ()
    meter = known_or_assumed(driver.dc_resistance_ohm, driver.dc_resistance_uncertainty_ohm, "dc resistance")
    notes = assumption(driver.dc_resistance_uncertainty_ohm, "dc resistance", "dc_resistance_uncertainty_ohm")
    if table.trim is None:
        return result, (*notes, _compared(result, meter, rig))
    if rig is None:
        return result, notes
    result, note = _trimmed(run, result, meter, rig)
    return result, (*notes, note)


def _compared(result: FitResult, meter: Known, rig: Rig | None) -> QualityNote:
    """Whether an ohmmeter's reading and the fitted Re agree within both uncertainties (k = 2); if not, why that may be."""
    estimate = result.parameters["Re"]
    re, apart = estimate.value, meter.value - estimate.value
    if abs(apart) <= COVERAGE_FACTOR * math.hypot(meter.uncertainty, estimate.stdev):
        message = (
            f"The ohmmeter's {in_figures(meter.value, 4)} ohm and the fitted Re of {in_figures(re, 4)} ohm "
            f"agree within their uncertainties."
        )
        return QualityNote("dc_resistance", "note", message)
    causes = "a wrong reference value, leads that one of them includes, or a coil at another temperature"
    if rig is not None:
        gain = _gain(rig, meter.value, re)
        causes = (
            f"channel gains that differ by {100.0 * (gain - 1.0):+.1f} %, a reference resistor of "
            f"{in_figures(rig.reference_ohm * meter.value / re, 4)} ohm instead of {in_figures(rig.reference_ohm, 4)}, "
            f"{in_figures(abs(apart), 2)} ohm of leads that only one of them includes, or a channel that hears the other"
        )
    message = (
        f"The ohmmeter reads {in_figures(meter.value, 4)} ohm but the sweeps say Re = {in_figures(re, 4)} ohm, "
        f"{100.0 * apart / re:+.1f} %: "
        f"beyond both uncertainties. The usual causes would be {causes}. Swap the channels' cables and sweep again to "
        'tell, calibrate the rig, or trust the meter with trim = "dc resistance" in the bench file.'
    )
    return QualityNote("dc_resistance", "warn", message)


def _gain(rig: Rig, meter: float, re: float) -> float:
    """Factor on the measured channel ratio that turns a DC resistance `re` into `meter`."""
    return float(abs(rig.ratio(meter) / rig.ratio(re)))


def _trimmed(
    run: Callable[[GainTrim], FitResult], result: FitResult, meter: Known, rig: Rig
) -> tuple[FitResult, QualityNote]:
    """Trim the channel-gain ratio until the fitted Re is the ohmmeter's; two rounds settle it."""
    first = result.parameters["Re"].value
    gain = 1.0
    for _ in range(2):
        gain *= _gain(rig, meter.value, result.parameters["Re"].value)
        spread = abs(_gain(rig, meter.value + meter.uncertainty, meter.value) - 1.0)
        result = run(GainTrim(gain, gain * spread))
    message = (
        f"The channel-gain ratio was trimmed by {100.0 * (gain - 1.0):+.2f} % so that Re ({in_figures(first, 4)} "
        f"ohm at first) equals "
        f"the ohmmeter's {in_figures(meter.value, 4)} ohm; the parameters stand on that reading: take the meter's "
        f"own leads off it."
    )
    return result, QualityNote("trimmed", "warn" if abs(gain - 1.0) > 0.01 else "note", message)
