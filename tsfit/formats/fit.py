"""A fit as a JSON file: the fixed form, written and read back.

::

    {"schema": 1, "driver": {"name", "serial", "air", "given"}, "model": {"coil", "suspension"},
     "parameters": {name: {"value", "stdev", "interval95", "unit"}}, "correlation": {"names", "matrix"},
     "systematic": {input: {name: change for one standard uncertainty}}, "quality": [...], "provenance": {...},
     "sweeps": [...], "budget": {name: {source: standard uncertainty from it alone}},
     "candidates": [{"coil", "suspension", "aicc", "bic", "weight", ...}],
     "boxes": [{"sweep", "hz", "leak_q", "absorption_q", "box_q", "least_q", "sigma", "share_of_vas"}],
     "levels": {"unit", "at": [{"level", "sweeps", "figures"}], "limit", "lowest_from_limit", ...},
     "monte_carlo": {"trials", "failed", "settled", "figures": {name: {"mean", "stdev", "interval95", "shortest95", ...}}}}

All SI. ``driver.given`` holds what the driver has and no sweep told (an area read with a ruler, Xmax); ``driver.wiring``
and ``driver.coil_coupling`` are for two coils. Other keys of ``driver`` are left for people and skipped when reading.
``sweeps`` holds what was fitted and what the fit makes of it, to six digits, for plots: measured and fitted impedance,
sigma, and which points were used.
"""

import json
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Annotated

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from tsfit.base.arrays import Complex, Real
from tsfit.base.errors import TsfitError
from tsfit.base.files import read_bytes, unreadable
from tsfit.base.forms import SCHEMA, plain
from tsfit.base.notes import QualityNote
from tsfit.circuit.coil import COIL_MODELS
from tsfit.circuit.sprung import parts_among, terms_of
from tsfit.circuit.suspension import SUSPENSION_MODELS
from tsfit.driver.air import REFERENCE_AIR, Air
from tsfit.driver.curve import ImpedanceCurve, State, StateKind
from tsfit.driver.fit_result import (
    Agreement,
    BoxLosses,
    Estimate,
    FitResult,
    FittedLine,
    FittedState,
    LevelDependence,
    ModelCandidate,
    MonteCarlo,
)
from tsfit.driver.formulas import Wiring
from tsfit.driver.parameters import BASIC, LEVELS, PARAMETERS
from tsfit.driver.record import Driver
from tsfit.formats.foreign import reads
from tsfit.formats.toml import validated

KIND = "fit"
MAX_BYTES = 50_000_000
NOTHING_KNOWN = 10.0
"""Standard uncertainty over the value from which a parameter is none."""
_DRIVER_PARAMETERS = (*BASIC, "Xmax", "Pe", "Ppeak")
_POSITIVE = {name for name, parameter in PARAMETERS.items() if parameter.positive}

Finite = Annotated[float, Field(strict=True, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0.0)]
Name = Annotated[str, Field(min_length=1)]


class _Driver(BaseModel):
    name: Name
    serial: str | None = None
    air: Air = REFERENCE_AIR
    given: dict[str, NotNegative] = {}
    wiring: Wiring | None = None
    coil_coupling: Finite | None = None


class _Model(BaseModel):
    coil: str
    suspension: str


class _Correlation(BaseModel):
    names: list[str] = []
    matrix: list[list[Finite]] = []


class _Sweep(BaseModel):
    state: StateKind
    mass: NotNegative | None = None
    volume: NotNegative | None = None
    wiring: Wiring | None = None
    frequency_hz: list[Finite]
    measured_ohm: list[tuple[Finite, Finite]]
    fitted_ohm: list[tuple[Finite, Finite]]
    sigma_ohm: list[NotNegative]
    used: list[bool]
    line_hz: list[Finite] = []
    line_ohm: list[tuple[Finite, Finite]] = []


class _Fit(BaseModel):
    model_config = ConfigDict(strict=True, allow_inf_nan=False)

    driver: _Driver
    model: _Model
    parameters: Annotated[dict[str, Estimate], Field(min_length=1)]
    correlation: _Correlation = _Correlation()
    systematic: dict[str, dict[str, Finite]] = {}
    quality: tuple[QualityNote, ...] = ()
    provenance: dict[str, object] = {}
    sweeps: list[_Sweep] = []
    budget: dict[str, dict[str, NotNegative]] = {}
    candidates: tuple[ModelCandidate, ...] = ()
    wirings: dict[Wiring, dict[str, Estimate]] = {}
    conditions: dict[str, Estimate] = {}
    agreement: tuple[Agreement, ...] = ()
    boxes: tuple[BoxLosses, ...] = ()
    levels: LevelDependence | None = None
    monte_carlo: MonteCarlo | None = None


def fit_to_dict(fit: FitResult) -> dict[str, object]:
    """Return `fit` in the fixed JSON form, SI units."""
    driver = fit.driver
    terms = (
        {name: getattr(driver, name) for name in _DRIVER_PARAMETERS}
        | dict(driver.coil_values)
        | dict(driver.suspension_values)
    )
    given = {name: value for name, value in terms.items() if value is not None and name not in fit.parameters}
    coils = {} if driver.wiring is None else {"wiring": driver.wiring, "coil_coupling": driver.coupling}
    return {
        "schema": SCHEMA,
        "kind": KIND,
        "driver": {"name": driver.name, "serial": driver.serial, "air": plain(driver.air), "given": given, **coils},
        "model": {"coil": driver.coil, "suspension": driver.suspension},
        "parameters": plain(fit.parameters),
        "correlation": {"names": list(fit.correlation_names), "matrix": np.asarray(fit.correlation).tolist()},
        "systematic": {name: dict(shifts) for name, shifts in fit.systematic.items()},
        "quality": plain(fit.quality),
        "provenance": dict(fit.provenance),
        "sweeps": [_sweep(fitted) for fitted in fit.states],
        "budget": {name: dict(sources) for name, sources in fit.budget.items()},
        "candidates": [asdict(candidate) for candidate in fit.candidates],
        "conditions": plain(fit.conditions),
        "agreement": [asdict(each) for each in fit.agreement],
        **({"boxes": plain(fit.boxes)} if fit.boxes else {}),
        **({} if fit.levels is None else {"levels": asdict(fit.levels)}),
        **({} if fit.monte_carlo is None else {"monte_carlo": asdict(fit.monte_carlo)}),
        **({"wirings": plain(fit.wirings)} if fit.wirings else {}),
    }


def _sweep(fitted: FittedState) -> dict[str, object]:
    def parts(z: Complex) -> list[list[float]]:
        return [[_short(value.real), _short(value.imag)] for value in z.tolist()]

    state, line = fitted.state, fitted.line
    return {
        "state": state.kind,
        **{name: getattr(state, name) for name in ("mass", "volume", "wiring") if getattr(state, name) is not None},
        "frequency_hz": fitted.curve.frequency_hz.tolist(),
        "measured_ohm": parts(fitted.curve.impedance_ohm),
        "fitted_ohm": parts(fitted.fitted_ohm),
        "sigma_ohm": [_short(value) for value in fitted.sigma_ohm.tolist()],
        "used": fitted.used.tolist(),
        **({} if line is None else {"line_hz": [*map(_short, line.frequency_hz.tolist())], "line_ohm": parts(line.ohm)}),
    }


def _short(value: float) -> float:
    return float(f"{value:.6g}")


@reads("fit")
def read_fit(path: Path) -> FitResult:
    """Read a fit. Raises TsfitError ``missing_file``, ``not_a_fit``, ``newer_schema``, ``missing_key``, ``wrong_value``."""
    file = validated(path, _load(path), _Fit, "fit")
    for name, estimate in file.parameters.items():
        low, high = estimate.interval95
        if not low <= estimate.value <= high:
            raise _wrong(path, f"parameters.{name}", "lies outside its own interval95")
        if name not in LEVELS and (estimate.value < 0.0 or (name in _POSITIVE and estimate.value == 0.0)):
            raise _wrong(path, f"parameters.{name}", f"must be positive, not {estimate.value:g}")
        if name in _POSITIVE and estimate.stdev > NOTHING_KNOWN * estimate.value:
            raise _wrong(path, f"parameters.{name}", f"has an uncertainty beyond sense ({estimate.stdev:g})")
    driver = _driver(path, file)
    names, correlation = _correlation(path, file)
    return FitResult(
        driver=driver,
        parameters=file.parameters,
        correlation_names=names,
        correlation=correlation,
        systematic=file.systematic,
        quality=file.quality,
        provenance=file.provenance,
        budget=file.budget,
        candidates=file.candidates,
        states=tuple(_fitted_state(path, number, sweep) for number, sweep in enumerate(file.sweeps)),
        wirings={str(wiring): group for wiring, group in file.wirings.items()},
        conditions=file.conditions,
        agreement=file.agreement,
        boxes=file.boxes,
        levels=file.levels,
        monte_carlo=file.monte_carlo,
    )


def _correlation(path: Path, file: _Fit) -> tuple[tuple[str, ...], Real]:
    """Names and matrix, which must be one that correlations can have."""
    names, rows = tuple(file.correlation.names), file.correlation.matrix
    if len(rows) != len(names) or any(len(row) != len(names) for row in rows):
        raise _wrong(path, "correlation.matrix", f"must be {len(names)} by {len(names)}, as correlation.names")
    if len(set(names)) != len(names) or not set(names) <= file.parameters.keys():
        raise _wrong(path, "correlation.names", "must name parameters of the fit, each once")
    matrix = np.array(rows, dtype=float).reshape(len(names), len(names))
    possible = np.all(np.abs(matrix) <= 1.0 + 1e-6) and np.allclose(matrix, matrix.T, atol=1e-6)
    if not possible or (names and float(np.linalg.eigvalsh(matrix).min()) < -1e-4):
        raise _wrong(path, "correlation.matrix", "holds what correlations cannot be")
    return names, matrix


def _fitted_state(path: Path, number: int, sweep: _Sweep) -> FittedState:
    arrays = (sweep.frequency_hz, sweep.measured_ohm, sweep.fitted_ohm, sweep.sigma_ohm, sweep.used)
    if len({len(array) for array in arrays}) != 1 or not sweep.frequency_hz:
        raise _wrong(path, f"sweeps.{number}", "must hold lists of one length")
    if len(sweep.line_hz) != len(sweep.line_ohm):
        raise _wrong(path, f"sweeps.{number}", "must hold as many line_ohm as line_hz")
    for name, hz in (("frequency_hz", sweep.frequency_hz), ("line_hz", sweep.line_hz)):
        if hz != sorted(hz) or (hz and hz[0] <= 0.0):
            raise _wrong(path, f"sweeps.{number}", f"must hold a {name} that rises from above 0")
    measured, fitted = (np.array(pairs) @ (1.0, 1j) for pairs in (sweep.measured_ohm, sweep.fitted_ohm))
    line = partial(FittedLine, np.array(sweep.line_hz), np.array(sweep.line_ohm) @ (1.0, 1j)) if sweep.line_hz else None
    return FittedState(
        curve=ImpedanceCurve(np.array(sweep.frequency_hz), measured, source=f"{path}, sweep {number + 1}"),
        state=State(sweep.state, mass=sweep.mass, volume=sweep.volume, wiring=sweep.wiring),
        used=np.array(sweep.used),
        fitted_ohm=fitted,
        sigma_ohm=np.array(sweep.sigma_ohm),
        follow=line,
    )


def _load(path: Path) -> str:
    """Return the text of a fit of a form that is known."""
    hint = "name a JSON file written by 'tsfit fit'"
    try:
        text = read_bytes(path, MAX_BYTES, f"too large for a fit; {hint}.", "not_a_fit").decode("utf-8-sig")
        data = json.loads(text)
    except OSError as error:
        raise unreadable(path, error, "name an existing fit file") from error
    except (ValueError, RecursionError) as error:
        raise TsfitError(f"{path}: not valid JSON ({error}); {hint}.", code="not_a_fit", file=path) from error
    if isinstance(data, dict) and "error" in data:
        message = f"{path}: holds the message of a job that failed, not a fit; mend its cause and fit again."
        raise TsfitError(message, code="not_a_fit", file=path)
    if not isinstance(data, dict) or not {"schema", "driver", "parameters"} & data.keys():
        raise TsfitError(f"{path}: JSON, but not a fit; {hint}.", code="not_a_fit", file=path)
    schema = data.get("schema")
    if not isinstance(schema, int) or isinstance(schema, bool) or schema < 1:
        raise _wrong(path, "schema", f"must be {SCHEMA}, not {schema!r}")
    if schema > SCHEMA:
        message = f"{path}: written in form {schema}, and this tsfit reads up to {SCHEMA}; use a newer tsfit."
        raise TsfitError(message, code="newer_schema", file=path)
    return text


def _wrong(path: Path, key: str, reason: str) -> TsfitError:
    return TsfitError(f"{path}: {key} {reason}; make the fit anew.", code="wrong_value", file=path)


def _driver(path: Path, file: _Fit) -> Driver:
    """Build the driver from parameters and given values."""
    known = {**file.driver.given, **{name: estimate.value for name, estimate in file.parameters.items()}}
    terms: list[tuple[str, ...]] = []
    for kind, chosen, models in (
        ("coil", file.model.coil, {name: model.parameters for name, model in COIL_MODELS.items()}),
        ("suspension", file.model.suspension, {name: model.extra for name, model in SUSPENSION_MODELS.items()}),
    ):
        if chosen not in models:
            raise _wrong(path, f"model.{kind}", f"must be one of {', '.join(models)}, not {chosen!r}")
        terms.append(tuple(parameter.name for parameter in models[chosen]))
    if "Mms" not in file.parameters:
        # Of free air alone no force is known, so that such terms were fitted but not told.
        terms[1] = tuple(name for name in terms[1] if PARAMETERS[name].unit != "N/m" or name in known)
    terms[1] += tuple(name for label in parts_among(known) for name in terms_of(label))
    moving = ("Cms", "Rms", "Bl") if "Mms" in file.parameters else ()
    for name in ("Re", "Fs", "Qms", "Qes", *terms[0], *terms[1], *moving):
        if name not in known:
            raise TsfitError(f"{path}: parameters.{name} is missing; make the fit anew.", code="missing_key", file=path)
    return Driver(
        name=file.driver.name,
        Re=known["Re"],
        Fs=known["Fs"],
        Qms=known["Qms"],
        Qes=known["Qes"],
        Mms=known.get("Mms"),
        Sd=known.get("Sd"),
        Xmax=known.get("Xmax"),
        Pe=known.get("Pe"),
        Ppeak=known.get("Ppeak"),
        coil=file.model.coil,
        coil_values={name: known[name] for name in terms[0]},
        suspension=file.model.suspension,
        suspension_values={name: known[name] for name in terms[1]},
        serial=file.driver.serial,
        air=file.driver.air,
        wiring=file.driver.wiring,
        coupling=file.driver.coil_coupling,
    )
