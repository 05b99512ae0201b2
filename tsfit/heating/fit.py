"""The thermal network of a coil, fitted to its resistance over time, and what follows from it.

Variables are logarithms of Rtv at the run's cone velocity, of its time constant, of both of the magnet and of the cold
resistance; the share of Rtv's conductance that is owed to the cone's motion; and what nonlinearity adds to Re at power,
which goes with the square of the current. Rtv at rest and g correlate nearly to 1, Rtv of the run is known well.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.base.intervals import middle
from tsfit.base.notes import QualityNote
from tsfit.circuit.thermal import Drive, conductance, course
from tsfit.driver.fit_result import Estimate
from tsfit.driver.heat_result import HeatCourse, HeatResult, HeatRun, PowerAt
from tsfit.driver.record import Driver, NamedDriver
from tsfit.heating.readout import CIRCUIT_STDEV, STEP_S, Readings
from tsfit.heating.series import Series, in_bins

OFFSET = 0.02
"""Relative standard deviation of what nonlinearity shifts at power, before anything is known of it."""
WEAK = ((-0.3, 1.5), (3.2, 1.2), (-0.7, 1.5), (7.5, 1.5), (-1.0, 1.5))
"""Mean and standard deviation of the network's variables before: they keep what the data leave open from running away."""
SLOWER = (4.3, 1.2)
"""Mean and standard deviation of the logarithm of the magnet's time constant over the coil's: minutes stand to seconds."""
FAR_K = 1e6
STARTS_S = (6.0, 15.0, 45.0)
MAGNET_S = 2000.0
"""Time constants of coil and magnet from which a fit begins; the magnet's also from the length of the recording."""
TOLD = 0.25
"""Relative standard uncertainty of the magnet's resistance to heat from which it is open."""
LEAST_RISE_K, LEAST_S = 5.0, 20.0
DRAWS = 1000
COILS_C = (100.0, 125.0, 150.0, 175.0, 200.0, 225.0, 250.0, 275.0, 300.0)
AFTER_S = {"1 s": 1.0, "1 min": 60.0, "1 h": 3600.0}
SOON = ("1 s", "1 min")
"""After which the coil alone tells what is lost."""
APART = 1.0
"""Standard deviation of the logarithm of the coil's resistance to heat, cone at rest, from which it is not told apart from
what the moving cone adds."""


@dataclass(frozen=True)
class Surroundings:
    """What is told of a run; standard uncertainties.

    Attributes
    ----------
    alpha, alpha_uncertainty : relative increase of the resistance per K at ambient, and its relative uncertainty
    power_uncertainty : of the scale of all powers, relative
    lead_stdev_ohm : of what was taken off for leads
    """

    ambient_c: float
    alpha: float
    alpha_uncertainty: float
    power_uncertainty: float
    lead_stdev_ohm: float


@dataclass(frozen=True)
class _Found:
    """The minimum: variables (7,), their covariance and residuals."""

    x: Real
    covariance: Real
    cost: float
    misfit: float  # RMS of the residuals
    rise: Real  # (n + 1, 2)


def fit_heat(readings: Readings, driver: Driver, around: Surroundings, provenance: Mapping[str, object]) -> HeatResult:
    """Fit the thermal network to the resistance of a run at power.

    Raises TsfitError ``no_run``, ``too_cool``: nothing loud enough or long enough to heat the coil.
    """
    loud = readings.square > 0.1 * np.percentile(readings.square, 95)
    if loud.sum() * STEP_S < LEAST_S:
        message = f"Less than {LEAST_S:g} s of the power run are loud; record longer, 20 minutes and more."
        raise TsfitError(message, code="no_run")
    series = in_bins(readings, loud, driver.Re)
    piloted = bool(np.isfinite(series.stdev[: int(np.argmax(series.loud))]).sum() >= 3)
    magnets = (MAGNET_S, float(series.end_s[-1]))
    starts = [(coil, magnet) for coil in STARTS_S for magnet in magnets]
    rivals = sorted(
        (_fitted(series, around.alpha, driver.Re, piloted, taus) for taus in starts), key=lambda one: one.cost
    )  # fmt: skip
    found = rivals[0]
    coil = found.rise[:, 0]
    if coil.max() < LEAST_RISE_K:
        message = (
            f"The power run warms the coil by {coil.max():.1f} K, too little to tell what limits its power; "
            "drive it harder or longer."
        )
        raise TsfitError(message, code="too_cool")
    followed = _Followed(rivals, series, readings, driver, around)
    run = HeatRun(
        seconds=float(loud.sum() * STEP_S),
        power_w=float(readings.power[loud].mean()),
        voltage_v=math.sqrt(readings.voltage2[loud].mean()),
        cone_velocity_m_s=series.velocity if driver.Mms is not None else None,
        ambient_c=around.ambient_c,
        cold_ohm=math.exp(found.x[5]),
        coil_c=around.ambient_c + float(coil.max()),
        offset_percent=100.0 * OFFSET * float(found.x[6]),
    )
    return HeatResult(
        driver=NamedDriver(driver.name, driver.serial),
        parameters=followed.parameters(),
        power_at=followed.powers(),
        compression_db=followed.compression(run.voltage_v),
        run=run,
        course=_course(series, found, around.alpha),
        quality=(*_coil_notes(readings), *_notes(run, driver, found, piloted, followed.told)),
        provenance=provenance,
    )


def _network(x: Real, velocity: float) -> Real:
    """Network (..., 5) in the order of `NETWORK` for variables (..., 7)."""
    share, inner = 1.0 / (1.0 + np.exp(-x[..., 4])), np.exp(x[..., 0])
    return np.stack([
        inner / (1.0 - share), np.exp(x[..., 1]) / inner, np.exp(x[..., 2]), np.exp(x[..., 3] - x[..., 2]),
        share / (inner * velocity),
    ], axis=-1)  # fmt: skip


def _problem(series: Series, alpha: float, priors: Real) -> Callable[[Real], tuple[Real, Real, Real]]:
    """What gives residuals (n + 7,), their slopes (7, n + 7) and the course, of variables (7,)."""
    kept = np.isfinite(series.stdev)
    weight = 1.0 / series.stdev[kept]
    loudness = series.heat.square[kept] / series.square
    drawn = np.diag(1.0 / priors[1])
    drawn[:, 3] = np.array([0.0, -1.0, 0.0, 1.0, 0.0, 0.0, 0.0]) / SLOWER[1]
    held = priors[0] @ drawn
    held[3] = SLOWER[0] / SLOWER[1]

    def evaluate(x: Real) -> tuple[Real, Real, Real]:
        # A step too far may be one into thermal runaway, and is taken back for what it misses.
        x = np.clip(x, priors[0] - 5.0 * priors[1], priors[0] + 5.0 * priors[1])
        network, cold = _network(x, series.velocity), math.exp(x[5])
        with np.errstate(all="ignore"):
            rise, slopes = (
                np.nan_to_num(each, nan=FAR_K, posinf=FAR_K) for each in course(network, cold, alpha, series.heat)
            )
        middle_of, slope = (0.5 * (each[..., :-1, 0] + each[..., 1:, 0])[..., kept] for each in (rise, slopes))
        share = 1.0 / (1.0 + math.exp(-x[4]))
        rtv0, ctv, rtm, ctm, g = network
        by = np.stack([
            rtv0 * slope[0] - ctv * slope[1] - g * slope[4], ctv * slope[1], rtm * slope[2] - ctm * slope[3],
            ctm * slope[3], share * rtv0 * slope[0] + (1.0 - share) * g * slope[4], cold * slope[5], 0.0 * slope[0],
        ])  # fmt: skip
        factor = 1.0 + alpha * middle_of + OFFSET * x[6] * loudness
        by = cold * alpha * by
        by[5] += cold * factor
        by[6] = cold * OFFSET * loudness
        off = np.concatenate([(cold * factor - series.ohm[kept]) * weight, x @ drawn - held])
        return off, np.concatenate([by * weight, drawn], axis=1), rise

    return evaluate


def _fitted(series: Series, alpha: float, cold_ohm: float, piloted: bool, taus_s: tuple[float, float]) -> _Found:
    """Descend from time constants `taus_s` of coil and magnet; without a pilot the driver's Re stands for the cold one."""
    import lmfit

    kept = np.isfinite(series.stdev)
    if piloted:
        quiet = kept & (np.arange(len(kept)) < np.argmax(series.loud))
        cold_ohm = float(np.average(series.ohm[quiet], weights=series.stdev[quiet] ** -2.0))
    at_end = series.ohm[kept & series.loud][-3:].mean()
    total = max(at_end / cold_ohm - 1.0, 0.01) / alpha / (at_end * series.square)
    known = (math.log(cold_ohm), 1.0 if piloted else 0.01)
    priors = np.array([*WEAK, known, (0.0, 1.0)]).T
    fast, slow = map(math.log, taus_s)
    start = [math.log(0.6 * total), fast, math.log(0.5 * total), slow, -1.0, known[0], 0.0]
    evaluate = _problem(series, alpha, priors)
    names = ("Rtv", "tau_v", "Rtm", "tau_m", "share", "cold", "offset")
    parameters = lmfit.Parameters()
    for name, value in zip(names, start, strict=True):
        parameters.add(name, value=value)

    def vector(given: lmfit.Parameters) -> Real:
        return np.array([given[name].value for name in names])

    minimizer = lmfit.Minimizer(lambda p: evaluate(vector(p))[0], parameters, scale_covar=False)
    result = minimizer.leastsq(
        Dfun=lambda p: evaluate(vector(p))[1], col_deriv=True, factor=1.0, max_nfev=60, ftol=1e-10, xtol=1e-10
    )
    x = vector(result.params)
    off, slopes, rise = evaluate(x)
    data = off[: -len(x)]
    misfit = float(np.sqrt(np.mean(data**2)))
    near = float(np.corrcoef(data[:-1], data[1:])[0, 1])
    # Points whose misfits go together tell as much as fewer of them.
    together = (1.0 + near) / (1.0 - near) if near > 2.0 / math.sqrt(len(data)) else 1.0
    covariance = np.asarray(np.linalg.inv(slopes @ slopes.T) * (max(misfit, 1.0) ** 2 * together), dtype=np.float64)
    return _Found(x, covariance, float(off @ off), misfit, rise)


class _Followed:
    """What follows from the best minimum (first), and from draws of all that is uncertain, its rivals among it."""

    def __init__(
        self, rivals: Sequence[_Found], series: Series, readings: Readings, driver: Driver, around: Surroundings
    ) -> None:
        rng = np.random.default_rng(0)
        found = rivals[0]
        # Two courses may suit a short run: of the starts that end as well each draws its share.
        odds = np.exp(0.5 * (found.cost - np.array([one.cost for one in rivals])) / max(found.misfit, 1.0) ** 2)
        shares = rng.multinomial(DRAWS, odds / odds.sum()).tolist()
        drawn = [rng.multivariate_normal(one.x, one.covariance, n) for one, n in zip(rivals, shares, strict=True)]
        x = np.concatenate([found.x[None], *drawn])
        cold = np.exp(x[:, 5])
        unit = rng.standard_normal((3, DRAWS + 1))
        unit[:, 0] = 0.0
        circuit = math.hypot(CIRCUIT_STDEV * readings.in_phase, around.lead_stdev_ohm / cold[0])
        ohm, alpha, power = (1.0 + spread * one for spread, one in zip(
            (circuit, around.alpha_uncertainty, around.power_uncertainty), unit, strict=True
        ))  # fmt: skip
        # What is wrong with Re as a whole shrinks its rise; both go into what each K takes.
        scale = 1.0 / (ohm**2 * alpha * power)
        self.network = _network(x, series.velocity) * scale[:, None] ** np.array([1.0, -1.0, 1.0, -1.0, -1.0])
        self.cold, self.tau = cold * ohm, np.exp(x[:, 1])
        self.run_velocity, self.ambient = series.velocity, around.ambient_c
        self.velocity_known = driver.Mms is not None
        self.told = float(x[1:, 2].std()) < TOLD
        grid = cold[0] * np.linspace(0.85, 2.8, 40)
        spectrum = readings.spectrum
        self.laws = {
            name: (grid, getattr(spectrum, name)(grid)) for name in ("current_per_volt2", "power_ohm", "magnet_ohm")
        }
        ratio = (series.velocity**2) / series.square
        self.drive = Drive(
            self.network, self.cold, around.alpha, ratio, self._law("current_per_volt2"), self._law("magnet_ohm")
        )

    def _law(self, name: str) -> Callable[[Real], Real]:
        return lambda ohm: np.interp(ohm, *self.laws[name])

    def parameters(self) -> dict[str, Estimate]:
        """Parameters of the network that the run tells."""
        rtv0, ctv, rtm, ctm, g = self.network.T
        found = {
            "Rtv_run": _estimate(1.0 / conductance(self.network, self.run_velocity), "K/W"),
            "Ctv": _estimate(ctv, "J/K"),
            "tau_v": _estimate(self.tau, "s"),
        }
        if float(np.log(rtv0[1:]).std()) < APART:
            found["Rtv0"] = _estimate(rtv0, "K/W")
            if self.velocity_known:
                found["g"] = _estimate(g, "W/K per m/s")
        if self.told:
            found |= {"Rtm": _estimate(rtm, "K/W"), "Ctm": _estimate(ctm, "J/K"), "tau_m": _estimate(rtm * ctm, "s")}
        return found

    def powers(self) -> tuple[PowerAt, ...]:
        """Continuous powers for coils of `COILS_C`."""
        found = []
        for coil in COILS_C if self.told else ():
            rise = coil - self.ambient
            ohm = self.drive.ohm(rise)
            square = self.drive.square_at(rise)
            power = _estimate(square * self._law("power_ohm")(ohm), "W")
            voltage = _estimate(np.sqrt(square / self._law("current_per_volt2")(ohm)), "V")
            found.append(PowerAt(coil, power.value, power.stdev, power.interval95, voltage))
        return tuple(found)

    def compression(self, volts: float) -> dict[str, Estimate]:
        """What the output falls by at the run's voltage, dB, after some times; for long ones where the magnet is told."""
        current = self._law("current_per_volt2")
        after = AFTER_S if self.told else {name: AFTER_S[name] for name in SOON}
        rises = dict(zip(after, self.drive.warmed(volts**2, list(after.values())), strict=True))
        if self.told:
            rises["for ever"] = self.drive.settled(volts**2)
        cold = current(self.cold)
        lost = {name: 10.0 * np.log10(cold / current(self.drive.ohm(rise))) for name, rise in rises.items()}
        return {name: _estimate(each, "dB") for name, each in lost.items()}


def _estimate(draws: Real, unit: str) -> Estimate:
    """Return the best value, which comes first, with spread and interval of the draws that follow."""
    low, high = middle(draws[1:]).tolist()
    return Estimate(float(draws[0]), float(draws[1:].std()), (low, high), unit)


def _course(series: Series, found: _Found, alpha: float) -> HeatCourse:
    cold, loudness = math.exp(found.x[5]), series.heat.square / series.square
    measured = (series.ohm / cold - 1.0 - OFFSET * found.x[6] * loudness) / alpha
    middles = 0.5 * (found.rise[1:] + found.rise[:-1])
    return HeatCourse(
        t_s=tuple((series.end_s - 0.5 * series.heat.seconds).tolist()),
        delta_k=tuple(
            value if known else None for value, known in zip(measured.tolist(), np.isfinite(series.stdev), strict=True)
        ),
        fitted_k=tuple(middles[:, 0].tolist()),
        magnet_k=tuple(middles[:, 1].tolist()),
    )


def _coil_notes(readings: Readings) -> list[QualityNote]:
    told = readings.coil_told
    if told is None:
        return []
    return [QualityNote(
        "coil_read", "note",
        "The driver's file tells nothing of what its coil loses in the iron, which would pass for resistance; its coil was "
        f"read here: Le {in_figures(1e3 * told['Le'], 2)} mH, L2 {in_figures(1e3 * told['L2'], 2)} mH, R2 "
        f"{in_figures(told['R2'], 2)} ohm. A fit of "
        "sweeps as [driver] from tells more.",
    )]  # fmt: skip


def _notes(run: HeatRun, driver: Driver, found: _Found, piloted: bool, told: bool) -> list[QualityNote]:
    notes = []
    if not told:
        notes.append(QualityNote(
            "magnet_open", "note",
            f"{in_figures(run.seconds / 60.0, 2)} minutes of power do not tell how the magnet cools, so that no "
            f"continuous power "
            "follows; hold the power for 20 minutes and more.",
        ))  # fmt: skip
    if not piloted:
        notes.append(QualityNote(
            "no_pilot", "warn",
            "No quiet signal runs before the power, so the cold resistance is that of the driver's fit (1 %), and every "
            "temperature hangs on it; play 20 s at -40 dB first.",
        ))  # fmt: skip
    apart = run.cold_ohm / driver.Re - 1.0
    if abs(apart) > 0.03:
        notes.append(QualityNote(
            "cold_resistance", "warn",
            f"The cold coil reads {in_figures(run.cold_ohm, 4)} ohm here and {in_figures(driver.Re, 4)} ohm in "
            f"the driver's fit, "
            f"{100 * apart:+.1f} %; look at leads and volts per full scale, or whether the coil was still warm.",
        ))  # fmt: skip
    if abs(run.offset_percent) > 100.0 * OFFSET:
        notes.append(QualityNote(
            "offset", "note",
            f"At power Re reads {run.offset_percent:+.1f} % off by what the driver is not linear in; it was taken out.",
        ))  # fmt: skip
    if found.misfit > 3.0:
        notes.append(QualityNote(
            "misfit", "warn",
            f"Coil and magnet alone do not describe the course (misfit {found.misfit:.1f} standard deviations); the "
            "intervals are widened by it. Look for a draught, a fan or a contact, and run it again.",
        ))  # fmt: skip
    return notes
