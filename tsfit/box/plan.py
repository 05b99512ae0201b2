"""A box as planned: everything that was decided, ready to be built around any driver. One record for each kind of box.

An enclosure is a load of the one circuit and nothing more. What holds for all kinds:

- Volumes are net unless something `displaced` (driver, port, braces) is taken off. `filling` makes the air act as up to 1.4
  times its volume.
- Thiele-Small parameters are used as measured in free air, as published alignments use them. With ``air_load="baffle"``
  the cone gains (8/3)ρa³, the difference between a free disc and a piston in a baffle, which lowers every resonance of the
  circuit a little; the textbook values fc and Qtc stay those of the parameters as measured.
- Loss factors are Small's (JAES 21(5), 1973): Q_L of leaks, Q_A of absorption, Q_P of the port, infinite unless given. In a
  closed box they hold at fc of the lossless box, in the others at the tuning.
- The drive is 2.83 V RMS unless a voltage is given, or a power, which means √(P·Re). A source resistance lies in series; fc
  and Qtc take it into account.
- Curves are for 1 m in half space, cone small against the wavelength, everything linear.
"""

from dataclasses import dataclass, replace
from typing import Annotated, ClassVar

from numpy.typing import ArrayLike

from tsfit.base.errors import TsfitError
from tsfit.base.notes import QualityNote
from tsfit.box.enclosure import Enclosure, Kind
from tsfit.box.frequencies import checked_frequencies, default_frequencies
from tsfit.box.limits import Ratings, ratings_of
from tsfit.box.parts import AirLoad, DriverSet, Filled, Filling, StatedDrive
from tsfit.box.result import BoxResult, ChamberNumbers, OpeningNumbers
from tsfit.box.told import Inside, Told, within
from tsfit.circuit.load import Load, air_load_change
from tsfit.circuit.wiring import ohm_factor, rewired, together
from tsfit.driver.air import COLDEST, DENSEST, THINNEST, WARMEST, Air
from tsfit.driver.record import Driver


@dataclass(frozen=True)
class Built:
    """What a kind of box makes of its drivers: the load, and what follows without evaluating the circuit.

    Losses are infinite for none; `radiator_area` is that of all passive radiators, m².
    """

    load: Load
    losses: dict[str, float]
    chamber: ChamberNumbers
    opening: OpeningNumbers = OpeningNumbers()
    radiator_area: float | None = None
    notes: tuple[QualityNote, ...] = ()


@dataclass(frozen=True, kw_only=True)
class BoxPlan:
    """What all kinds of boxes are told; a kind says in `put` what it makes of the drivers.

    `ratings` replace what the driver's sheet states; `air` in and around the box is the driver's when left out.
    """

    kind: ClassVar[Kind]
    name: Annotated[str | None, Told("name")] = None
    air_load: Annotated[AirLoad, Told("air_load")] = "free air"
    drivers: Annotated[DriverSet, Inside("drivers")] = DriverSet()
    drive: Annotated[StatedDrive, Inside("drive")] = StatedDrive()
    ratings: Annotated[Ratings, Inside()] = Ratings()
    air: Annotated[Air | None, Inside("air")] = None

    @property
    def contents(self) -> Filling:
        """Filling of the box, or of the chamber behind the cone."""
        return self.filling if isinstance(self, Filled) else Filling()

    def settled(self, given: Enclosure) -> "BoxPlan":
        """The box that was found for the drivers of `given`, which it stays whatever other driver is put into it."""
        return self

    def put(self, given: Enclosure) -> Built:
        """Build the box around the drivers of `given`, which still stand in a baffle. Raises as the kind says."""
        raise NotImplementedError

    def with_ratings(self, ratings: Ratings) -> "BoxPlan":
        """Return the plan with what `ratings` state in place of its own; an amplifier as a whole."""
        return replace(self, ratings=ratings.over(self.ratings))

    def setup(self, driver: Driver) -> Enclosure:
        """Take the drivers together, `driver` being one of them, in the air of the box, as if in an infinite baffle.
        Raises ``usage``, ``wrong_value`` or ``incomplete_driver``.
        """
        if self.air is not None:
            within(self.air.temperature_c, COLDEST, WARMEST, "air temperature", "°C")
            within(self.air.pressure_hpa, THINNEST, DENSEST, "air pressure", "hPa")
            within(self.air.humidity_percent, 0.0, 100.0, "humidity", "%")
        one = rewired(driver if self.air is None else replace(driver, air=self.air), self.drivers.wiring)
        count, in_series = self.drivers.count, self.drivers.in_series
        driver = together(one, count, in_series, self.drivers.arrangement)
        if self.air_load not in ("free air", "baffle"):
            raise TsfitError(f"air load: {self.air_load!r} is not known; use 'free air' or 'baffle'.", code="wrong_value")
        one_area = one.values()["Sd"]
        added = driver.values()["Sd"] / one_area * float(air_load_change(one_area, one.air))
        return Enclosure(
            self.kind,
            driver,
            Load(added_mass=added if self.air_load == "baffle" else 0.0),
            self.drive.volts(driver),
            source_ohm=within(self.drive.source_ohm, 0.0, 1000.0, "source resistance", "ohm"),
            count=count,
            ohm_factor=ohm_factor(count, in_series),
        )

    def build(self, driver: Driver, frequency_hz: ArrayLike | None = None) -> BoxResult:
        """Put `driver` into it, with curves at `frequency_hz` (n_freq,), increasing, else from 5 Hz to 2 kHz.

        Nothing is evaluated before it is asked for.
        Raises ``usage``, ``wrong_value``, ``incomplete_driver``, and what the kind of box raises.
        """
        given = self.setup(driver)
        built = self.put(given)
        area = built.opening.port_area if built.radiator_area is None else built.radiator_area
        enclosure = replace(given, load=built.load, port_area=area)
        stated = self.ratings.over(Ratings(port_speed_m_s=built.opening.port_speed_limit))
        return BoxResult(
            one=driver,
            enclosure=enclosure,
            chamber=built.chamber,
            opening=built.opening,
            ratings=ratings_of(enclosure, stated),
            losses=built.losses,
            air_load=self.air_load,
            frequency_hz=default_frequencies() if frequency_hz is None else checked_frequencies(frequency_hz),
            remarks=(
                *(QualityNote("other_sheet", "warn", said) for said in (driver.doubtful_ratings,) if said is not None),
                *built.notes,
                *(QualityNote("assumed", "note", said) for said in driver.assumed),
            ),
        )
