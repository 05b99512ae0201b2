"""What a fit found: estimates, the fitted sweeps, the circuits tried, and how the parameters hang on the inputs."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Annotated, Literal, Protocol

from pydantic import Field

from tsfit.base.arrays import Complex, Mask, Real
from tsfit.base.errors import TsfitError
from tsfit.base.forms import IF_TOLD
from tsfit.base.notes import QualityNote
from tsfit.base.views import Viewed, view
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.record import Driver
from tsfit.driver.units import display, shown_decimals, spread_shown, with_decimals

if TYPE_CHECKING:
    from lmfit import Minimizer
    from lmfit.minimizer import MinimizerResult
    from matplotlib.figure import Figure


FIRST = ("Fs", "Qts", "Vas", "Re", "Bl", "Mms")
"""What a box is planned with, and what a motor is judged by."""


@dataclass(frozen=True)
class Shown:
    """An estimate as text, in the trade's unit, all with the same digits."""

    value: str
    spread: str
    low: str
    high: str
    unit: str

    @property
    def interval(self) -> str:
        """Both ends, or nothing where they do not stand off the value."""
        return "" if self.low == self.value == self.high else f"{self.low} … {self.high}"

    @property
    def cells(self) -> list[str]:
        """Value, standard uncertainty, interval and unit, as a table has them."""
        return [self.value, self.spread, self.interval, self.unit]


@dataclass(frozen=True)
class Estimate:
    """A value with its standard uncertainty and 95 % interval, in the stated SI unit.

    The interval comes from the covariance, or from the profile of the likelihood where that is skew.
    """

    value: float
    stdev: Annotated[float, Field(ge=0.0)]
    interval95: tuple[float, float]
    unit: str
    interval_from: Literal["covariance", "profile"] = field(default="covariance", metadata=IF_TOLD)

    def shown(self, name: str, *, full: bool = False) -> Shown:
        """Write value, standard uncertainty and interval of the parameter `name` for people.

        All is rounded to the second digit of the standard uncertainty, and unless `full`, never beyond what anybody
        believes of a measured value.
        """
        value, unit = display(name, self.value, self.unit)
        factor = 1.0 if unit == "dB" or not self.value else value / self.value
        spread = self.stdev * factor
        decimals = shown_decimals(value, spread, unit, full=full)
        low, high = (with_decimals(bound * factor, decimals) for bound in self.interval95)
        return Shown(with_decimals(value, decimals), spread_shown(spread, decimals), low, high, unit)


@dataclass(frozen=True)
class FittedLine:
    """The fitted impedance between the measured points."""

    frequency_hz: Real  # (m,), rising, dense where the curve bends
    ohm: Complex  # (m,)


@dataclass(frozen=True)
class FittedState:
    """One sweep of a fit: the curve, its state, which points were used, the fitted impedance and the total sigma there.

    Fitted is what the bench, with the errors of its own that the fit found, shows of the circuit. Those errors are known at
    the points alone; between them the line has what lies between, in log frequency.
    """

    curve: ImpedanceCurve
    state: State
    used: Mask  # (n,)
    fitted_ohm: Complex  # (n,)
    sigma_ohm: Real  # (n,), standard deviation of each of real and imaginary part, noise and model floor together
    follow: Callable[[], FittedLine] | None = None  # what follows the circuit between the points; it can be pickled

    @cached_property
    def line(self) -> FittedLine | None:
        """The fitted impedance between the points; None in files of older versions."""
        return None if self.follow is None else self.follow()


@dataclass(frozen=True)
class ModelCandidate:
    """One choice of circuit models that was fitted, beside the chosen one."""

    coil: str
    suspension: str
    aicc: float | None  # relative to the best; None when the fit ended nowhere
    bic: float | None  # likewise
    weight: float  # its share in the average over models; 0 for those that do not count
    misfit_percent: float | None  # RMS of misfit over |Z|; None when the fit ended nowhere
    Qts: float | None
    Vas: float | None  # m³
    fault: str | None = None  # why the choice cannot stand, in words


@dataclass(frozen=True)
class Agreement:
    """One state against the others: Mms by each, kg."""

    state: str  # in words
    sweeps: tuple[int, ...]  # numbers of its sweeps
    Mms: float  # by this state and free air alone
    others: float  # by the remaining ones
    percent: float  # how far apart
    percent_stdev: float  # standard uncertainty of that
    sigma: float  # their ratio


@dataclass(frozen=True)
class BoxLosses:
    """What the closed test box of one sweep loses by itself."""

    sweep: int  # number of the sweep
    hz: float  # resonance that its curve shows, at which the factors hold
    leak_q: Estimate | None  # Small's loss factor of leaks; None where none is seen
    absorption_q: Estimate | None  # likewise of absorption
    box_q: Estimate | None  # of both
    least_q: float | None  # what `box_q` surely exceeds (97.5 %); None where both losses are held
    sigma: float | None  # standard uncertainties by which 1/box_q stands off zero; None where both losses are held
    share_of_vas: float  # share of the variance of Vas that would go if the losses were known


@dataclass(frozen=True)
class AtLevel:
    """What the free-air sweeps of one level tell, SI."""

    level: float  # peak volts or dB re full scale, as `LevelDependence.unit` says
    sweeps: tuple[int, ...]  # numbers of its sweeps
    figures: Mapping[str, Estimate]  # Re, Fs, Qms, Qes and, where the states tell Mms, Cms; all as they were at that level


@dataclass(frozen=True)
class LevelDependence:
    """Parameters against level, and their limit at level zero by straight lines in the square of level."""

    unit: Literal["V", "dBFS"]  # "V" (peak) or "dBFS"
    at: tuple[AtLevel, ...]  # lowest level first
    limit: Mapping[str, Estimate]  # at level zero
    lowest_from_limit: Mapping[str, Estimate]  # value at the lowest level minus the limit
    highest_from_limit: Mapping[str, Estimate]  # and at the highest
    # whether Fs and Qms at the lowest level differ from the limit by no more than twice the standard uncertainty of
    # the difference, or too little to matter
    small_signal: bool
    # whether the levels lie on the lines of stiffness and friction; None with two, which always do
    straight: bool | None


@dataclass(frozen=True)
class MonteCarloParameter:
    """One parameter over the trials of a Monte Carlo run, in the stated SI unit."""

    mean: float
    stdev: float
    interval95: tuple[float, float]  # with as many trials below as above
    shortest95: tuple[float, float]  # the shortest that holds 95 % of the trials
    covariance95: tuple[float, float]  # what the covariance says of the same inputs
    # whether `covariance95` agrees with `interval95` to the first digit of the standard uncertainty; None where the trials
    # are too few to tell
    agrees: bool | None
    unit: str


@dataclass(frozen=True)
class MonteCarlo:
    """What the trials found."""

    trials: int  # those that ended
    failed: int  # those that did not, which nothing here counts
    settled: bool | None  # whether an adaptive run came to rest; None for a given number
    figures: Mapping[str, MonteCarloParameter]


class Minimum(Protocol):
    """The minimum that a fit came to rest in, of which more can be asked; it can be pickled."""

    def lmfit(self) -> tuple[Minimizer, MinimizerResult]:
        """Return the fit as lmfit has it."""
        ...

    def run_trials(
        self, trials: int | Literal["auto"], *, workers: int = 1, on_trials: Callable[[int], None] = ...
    ) -> MonteCarlo:
        """Propagate the distributions of all inputs through the fit."""
        ...


@dataclass(frozen=True)
class FitResult(Viewed):
    """What a fit found; it can draw, print and export itself. Files of older versions lack some of it."""

    driver: Driver  # the best estimate, ready for the circuit
    parameters: Mapping[str, Estimate]
    """By trade name (Re, Fs, Qms, Qes, Qts, Vas, Mms, Cms, Rms, Bl, Sd, eta0, sensitivity_1W, sensitivity_2V83, Le_1kHz)
    and by the name of each coil and suspension term. What the states could not tell is absent."""
    correlation_names: tuple[str, ...]  # (k,)
    correlation: Real  # (k, k)
    systematic: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    """Change of each parameter for one standard uncertainty of an input that fits of one bench share (the mass, the area,
    the reference resistor, …), by input, then by parameter. The covariance contains them; the difference of two fits that
    share the input does not."""
    quality: tuple[QualityNote, ...] = ()
    provenance: Mapping[str, object] = field(default_factory=dict)
    budget: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    candidates: tuple[ModelCandidate, ...] = ()
    states: tuple[FittedState, ...] = ()  # read back from JSON without noise, systematic shifts and uncertainties
    minimum: Minimum | None = None  # what can be asked further; None when read back from JSON
    wirings: Mapping[str, Mapping[str, Estimate]] = field(default_factory=dict)  # of two coils: what changes with wiring
    conditions: Mapping[str, Estimate] = field(default_factory=dict)  # such as Re_20C, as far as the states tell
    agreement: tuple[Agreement, ...] = ()  # each state that tells Mms against the others; empty with fewer than two
    boxes: tuple[BoxLosses, ...] = ()  # what the test box of each closed-box sweep loses
    levels: LevelDependence | None = None  # None unless free air was swept at several levels
    monte_carlo: MonteCarlo | None = None  # None unless asked for

    @property
    def simulated(self) -> str:
        """What stands behind the driver's name where a simulated rig, no driver, was measured; else nothing."""
        return " (simulated, not measured)" * any(note.code == "simulated" for note in self.quality)

    @property
    def in_short(self) -> str:
        """The parameters that are asked for first, each with its standard uncertainty, in a row."""
        said = []
        for name in FIRST:
            if name in self.parameters:
                told = self.parameters[name].shown(name)
                spread = f" ± {told.spread}" * (self.parameters[name].stdev > 0.0)
                said.append(f"{name} {told.value}{spread} {told.unit.removeprefix('1')}".rstrip())
        return ", ".join(said)

    @property
    def lmfit(self) -> tuple[Minimizer, MinimizerResult]:
        """Minimizer and result, for lmfit's ways of exploring a minimum: ``lmfit.conf_interval(*fit.lmfit)``, emcee, ….

        Their covariance is that of the variables of the fit (logarithms; priors in standard deviations) before rival
        circuits are added.

        Raises TsfitError ``no_minimum`` when the fit was read back from JSON.
        """
        return self._minimum().lmfit()

    def minimizer(self) -> MinimizerResult:
        """Return the lmfit result; raises as `lmfit`."""
        return self.lmfit[1]

    def run_trials(
        self, trials: int | Literal["auto"], *, workers: int = 1, on_trials: Callable[[int], None] = lambda done: None
    ) -> MonteCarlo:
        """Propagate the distributions of all inputs, as `tsfit.fitting.monte_carlo.run_trials`; raises as `lmfit` too."""
        return self._minimum().run_trials(trials, workers=workers, on_trials=on_trials)

    def _minimum(self) -> Minimum:
        if self.minimum is None:
            raise TsfitError("A fit read from a file holds no minimum to explore; fit its bench again.", code="no_minimum")
        return self.minimum

    def plot(self) -> Figure:
        """Draw measured and fitted impedance."""
        return view(self, "plot")  # type: ignore[no-any-return]

    def spice(self) -> str:
        """Return the driver in free air as the text of a SPICE subcircuit."""
        return str(view(self, "spice"))
