"""A box as a result: whatever is asked of it is evaluated then, once; and its machine form."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Annotated, ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tsfit.base.arrays import Read, Real
from tsfit.base.figures import in_figures
from tsfit.base.forms import IF_TOLD
from tsfit.base.notes import QualityNote
from tsfit.box.enclosure import Curves, Enclosure, Motion, curves, motion
from tsfit.box.frequencies import LOUDEST_HZ, checked_frequencies, default_frequencies
from tsfit.box.limits import MaximumOutput, Ratings, Whose, loudest, unrated, whose
from tsfit.box.numbers import PassBand, pass_band, resonance_with_losses
from tsfit.box.overdriven import overdriven
from tsfit.box.parts import AirLoad, Filling
from tsfit.box.room import CAUTION, Room
from tsfit.box.told import CM, CM2, GRAM, LITRE, MM, Told, in_units
from tsfit.driver.record import Driver
from tsfit.driver.sizes import UNLIKE_ANY, doubt, odd_size

SMALL, LARGE = 200.0, 100.0
"""Vas over volume, and volume over Vas, beyond which no box is built (common practice, no source)."""
TUNED = 0.4, 3.0
"""Tuning of a vented box per Fs beyond which none is meant (common practice, no source)."""


@dataclass(frozen=True)
class ChamberNumbers:
    """The air behind the cone by the textbook, without losses of the box, SI; None for what a kind of box has not."""

    volume: Annotated[float | None, Told("volume_l", LITRE)] = None  # net
    acting: Annotated[float | None, Told("acting_volume_l", LITRE)] = None  # what filling makes of it
    gross: Annotated[float | None, Told("gross_volume_l", LITRE)] = None  # with all that is in it
    alpha: Annotated[float | None, Told("alpha")] = None  # Vas per acting volume
    front: Annotated[float | None, Told("front_volume_l", LITRE)] = None  # of the chamber before the cone
    fc: Annotated[float | None, Told("fc_hz")] = None
    qtc: Annotated[float | None, Told("qtc")] = None

    @classmethod
    def of(cls, acting: float, filling: Filling, vas: float, **more: float) -> ChamberNumbers:
        """Return the numbers of an `acting` volume (m³) with its `filling`, for a driver of that Vas (m³)."""
        net = acting / filling.factor
        return cls(volume=net, acting=acting, gross=net + filling.displaced, alpha=vas / acting, **more)


@dataclass(frozen=True)
class OpeningNumbers:
    """Tuning, and port or passive radiator as built, SI; None for what a kind of box has not."""

    fb: Annotated[float | None, Told("fb_hz")] = None  # tuning
    h: Annotated[float | None, Told("h")] = None  # tuning per Fs
    port_diameter: Annotated[float | None, Told("port_diameter_cm", CM)] = None
    port_length: Annotated[float | None, Told("port_length_cm", CM)] = None  # of each
    port_area: Annotated[float | None, Told("port_area_cm2", CM2)] = None  # of all
    port_volume: Annotated[float | None, Told("port_volume_l", LITRE)] = None  # room that all take
    port_wall: Annotated[float | None, Told("port_wall_mm", MM)] = None  # thickness counted in it
    port_resonance: Annotated[float | None, Told("port_resonance_hz")] = None  # the open pipe's own
    port_speed_limit: Annotated[float | None, Told("port_speed_limit_m_s")] = None  # peak air speed that its ends stand
    radiator_added_mass: Annotated[float | None, Told("radiator_added_mass_g", GRAM)] = None  # to each
    radiator_fs: Annotated[float | None, Told("radiator_fs_hz")] = None  # with that mass


@dataclass(frozen=True)
class Largest:
    """Largest travels and speed with their frequencies, all peak, under the keys of the machine form."""

    excursion_max_mm: float
    excursion_max_hz: float
    excursion_above_fb_mm: float | None
    excursion_above_fb_hz: float | None
    port_speed_max_m_s: float | None
    radiator_excursion_max_mm: float | None


@dataclass(frozen=True)
class LowHigh:
    """Bounds (n_freq,) of the middle 95 % of the draws."""

    low: Read
    high: Read


@dataclass(frozen=True)
class Bands:
    """How sure curves and design numbers are, see `tsfit.box.uncertainty.with_bands`.

    An f3 that the frequencies of the curves do not hold in every draw is left out.
    """

    draws: int
    curves: Mapping[str, LowHigh]  # spl_db, excursion_mm, impedance_ohm, port_speed_m_s, max_spl_db, where there are such
    design: Mapping[str, tuple[float, float]]  # reference_db, excursion_max_mm, fc_hz, qtc and f3_hz
    swept_hz: tuple[float, float] | None = field(default=None, metadata=IF_TOLD)  # beyond it the circuit alone tells


@dataclass(frozen=True)
class BoxResult:
    """A driver in a box: `chamber`, `opening` and `remarks` follow from building, the rest is evaluated when asked for."""

    one: Driver  # of the drivers, before they are taken together
    enclosure: Enclosure
    chamber: ChamberNumbers
    opening: OpeningNumbers
    ratings: Ratings
    losses: Mapping[str, float]  # loss factors as used, by name; infinite for none
    air_load: AirLoad
    frequency_hz: Real  # (n_freq,), those of the curves
    remarks: tuple[QualityNote, ...] = ()
    bands: Bands | None = None  # where the driver came as a fit: `tsfit.box.uncertainty.with_bands`
    room: Room | None = None  # its gain is told beside the level; no other number takes it in

    @cached_property
    def curves(self) -> Curves:
        """Curves at the frequencies asked for."""
        return curves(self.enclosure, self.frequency_hz)

    @cached_property
    def maximum(self) -> MaximumOutput | None:
        """Loudest by the continuous power rating, at the frequencies of the curves; None where nothing is rated."""
        return loudest(self.enclosure, self.frequency_hz, self.ratings)

    @cached_property
    def loudest(self) -> MaximumOutput | None:
        """The same where the answer tells it, at `LOUDEST_HZ`."""
        return self.maximum_at(LOUDEST_HZ)

    @cached_property
    def peak(self) -> MaximumOutput | None:
        """The same by the short-term rating, None without one."""
        if self.ratings.peak_power_w is None:
            return None
        return loudest(self.enclosure, self.frequency_hz, self.ratings, peak=True)

    @property
    def f3_hz(self) -> float | None:
        """Half-power frequency (the lower one of a band-pass), Hz; None where the level nowhere rises through it."""
        return self.pass_band.f3_hz

    @cached_property
    def pass_band(self) -> PassBand:
        """Mid-band level, half-power frequencies, f6 and f10, ripple."""
        return pass_band(self.enclosure)

    @cached_property
    def poles(self) -> tuple[float, float] | None:
        """Resonance (Hz) and Q of a closed box or baffle as the circuit has them; None of other kinds, or without any."""
        return resonance_with_losses(self.enclosure) if self.enclosure.kind in ("closed", "baffle") else None

    @cached_property
    def _moves(self) -> tuple[Real, Motion]:
        """Frequencies asked for and default ones together, and what moves there."""
        everywhere = np.union1d(default_frequencies(), self.frequency_hz)
        return everywhere, motion(self.enclosure, self.enclosure.respond(everywhere))

    @cached_property
    def largest(self) -> Largest:
        """Largest travels and speeds within the frequencies asked for and the default ones."""
        frequency, moves = self._moves

        def top(above: float) -> tuple[float, float]:
            travel = np.where(frequency >= above, moves.travel, -1.0)
            at = int(np.argmax(travel))
            return 1e3 * float(travel[at]), float(frequency[at])

        tuning = self.opening.fb if self.enclosure.kind in ("vented", "passive") else None
        upper = (None, None) if tuning is None or tuning > frequency[-1] else top(tuning)
        speed, radiator = (None if one is None else float(np.max(one)) for one in (moves.port_speed, moves.radiator_travel))
        return Largest(*top(0.0), upper[0], upper[1], speed, None if radiator is None else 1e3 * radiator)

    @property
    def usual_hz(self) -> float:
        """Resonance about which tables are made: fc, else the tuning, Hz."""
        return self.chamber.fc or self.opening.fb or self.enclosure.driver.Fs

    @property
    def measured(self) -> tuple[str, ...]:
        """Which of the limits are measured ones, in words."""
        found, rated = self.enclosure.driver.measured, self.ratings
        told = [found.travel] * (rated.xmax_m == found.xmax_m) + [found.power] * (found.power_w in (None, rated.power_w))
        return tuple(words for words in told if words)

    @cached_property
    def notes(self) -> tuple[QualityNote, ...]:
        """Remarks on box, level, travel and port."""
        told = doubt(self.one)
        found = [QualityNote(UNLIKE_ANY, "warn", told)] if told else []
        # A volume that follows from a Qtc that nobody means was not typed.
        told = told or next((note.message for note in self.remarks if note.code == UNLIKE_ANY), None)
        found += [] if told or (odd := _odd_chamber(self)) is None else [QualityNote(UNLIKE_ANY, "warn", odd)]
        found += [QualityNote(UNLIKE_ANY, "warn", f"{each}.") for each in _odd_ratings(self)]
        found += self.remarks
        if self.enclosure.kind == "closed" and self.poles is None:
            found.append(
                _note("no_resonance", "The losses leave the box without a resonance; fc and Qtc hold only without them.")
            )
        if self.f3_hz is None:
            found.append(_note("no_cutoff", "The level nowhere rises through the half-power line, so there is no f3."))
        frequency, moves = self._moves
        found += [_note("measured_limit", words) for words in self.measured]
        return (
            *found,
            *overdriven(self.enclosure, frequency, moves, self.ratings),
            *(_note("unrated", said) for said in unrated(self.ratings)),
        )

    def at(self, frequency_hz: ArrayLike) -> Curves:
        """Evaluate the same box at other frequencies, Hz, shape ``(n_freq,)``."""
        frequency, there = self._places(frequency_hz)
        if there is None:
            return curves(self.enclosure, frequency)
        return Curves(**{name: one[there] for name, one in vars(self.curves).items() if one is not None})

    def maximum_at(self, frequency_hz: ArrayLike) -> MaximumOutput | None:
        """Return the loudest by the continuous rating at other frequencies, Hz, shape ``(n_freq,)``."""
        frequency, there = self._places(frequency_hz)
        most = self.maximum if there is not None else loudest(self.enclosure, frequency, self.ratings)
        if most is None or there is None:
            return most
        return MaximumOutput(frequency, most.spl_db[there], most.voltage_v[there], most.names, most.binding[there])

    def _places(self, frequency_hz: ArrayLike) -> tuple[Real, NDArray[np.intp] | None]:
        """Those frequencies, and where they are among those of the curves; None unless all are there."""
        frequency = checked_frequencies(frequency_hz)
        places = np.minimum(np.searchsorted(self.frequency_hz, frequency), self.frequency_hz.size - 1)
        return frequency, places if np.array_equal(self.frequency_hz[places], frequency) else None

    def numbers(self) -> dict[str, float | None]:
        """Return all numbers in the units of people, by the keys of the machine form; None for what there is not."""
        poles = self.poles or (None, None)
        return {
            **in_units(self.chamber),
            "fc_circuit_hz": poles[0],
            "qtc_circuit": poles[1],
            **in_units(self.opening),
            **vars(self.pass_band),
            **vars(self.largest),
        }


def _odd_ratings(found: BoxResult) -> list[str]:
    """Say which ratings nobody means for such a driver, with the unit in which they were likelier told."""
    area, rated = found.one.Sd, found.ratings
    cm = None if area is None else float(f"{200.0 * math.sqrt(area / math.pi):.3g}")
    told = [] if rated.xmax_m is None else [odd_size("travel", float(f"{1e3 * rated.xmax_m:.6g}"), cm)]
    power, peak = rated.power_w, rated.peak_power_w
    told += [odd_size(what, each, cm) for what, each in (("power", power), ("peak power", peak)) if each is not None]
    if power is not None and peak is not None and peak < power:
        watts = " and ".join(in_figures(each) for each in (power, peak))
        told.append(f"{watts} W of rated and of short-term power are hardly meant: the second is never the smaller one")
    return [each for each in told if each is not None]


def _odd_chamber(found: BoxResult) -> str | None:
    """Say of a volume or a tuning that nobody gives such a driver; None where it may be, or is none."""
    chamber, opening, enclosure = found.chamber, found.opening, found.enclosure
    if chamber.volume is None or chamber.alpha is None:
        return None
    if odd := odd_volume(chamber.volume, chamber.volume * chamber.alpha):
        return odd
    if (
        enclosure.kind == "vented"
        and opening.fb is not None
        and not TUNED[0] <= opening.fb / enclosure.driver.Fs <= TUNED[1]
    ):
        usual = " to ".join(in_figures(times * enclosure.driver.Fs, 2) for times in (0.5, 2.0))
        return f"A tuning of {in_figures(opening.fb, 3)} Hz is hardly meant for this driver (usual {usual} Hz)."
    return None


def odd_volume(volume: float, vas: float) -> str | None:
    """Say of a `volume` (m³) that no driver of that `vas` (m³) is put into it, and the unit in which it was likelier told;
    None where it may be.
    """
    alpha, litres = vas / volume, 1e3 * volume
    if 1.0 / LARGE <= alpha <= SMALL:
        return None
    factor, unit = (1e3, "m^3") if alpha > SMALL else (1e-3, "cm^3")
    typed = in_figures(litres)
    meant = f"; {in_figures(factor * litres)} l if {typed} is {unit}" if 1.0 / LARGE <= alpha / factor <= SMALL else ""
    return f"{typed} l of box are hardly meant for a Vas of {in_figures(1e3 * vas, 3)} l{meant}."


def _note(code: str, message: str) -> QualityNote:
    return QualityNote(code, "note", message)


@dataclass(frozen=True)
class RoomForm:
    """A room's gain, and the level of a box in it."""

    longest_side_m: float
    lowest_mode_hz: float
    cap_db: float
    gain_db: Read
    spl_db: Read
    caution: str


@dataclass(frozen=True, kw_only=True)
class _BoxAsked:
    enclosure: str
    driver: str
    drivers: int = 1
    drive_v: float
    source_ohm: float = 0.0
    air_load: str = ""
    losses: dict[str, float | None] = field(default_factory=dict)
    ratings: Ratings | None = None
    ratings_by: dict[str, Whose] | None = field(default=None, metadata=IF_TOLD)  # whose travel and power are, by name


@dataclass(frozen=True, kw_only=True)
class BoxForm(Curves, _BoxAsked):
    """A box with its curves and design numbers."""

    KIND: ClassVar = "box"

    max_spl_db: Read | None = None
    max_voltage_v: Read | None = None
    limited_by: tuple[str, ...] | None = None
    max_peak_spl_db: Read | None = None
    peak_limited_by: tuple[str, ...] | None = None
    design: dict[str, float | None]
    bands: Bands | None = None
    room: RoomForm | None = None
    notes: tuple[QualityNote, ...] = ()
    ringing_hz: tuple[float, ...] = field(default=(), metadata=IF_TOLD)  # where a part of the cone shows in the level


def box_form(result: BoxResult) -> BoxForm:
    """Return the form of a box."""
    maximum, peak, curves = result.maximum, result.peak, result.curves
    return BoxForm(
        enclosure=result.enclosure.kind,
        driver=result.enclosure.driver.name,
        drivers=result.enclosure.count,
        drive_v=result.enclosure.voltage,
        source_ohm=result.enclosure.source_ohm,
        air_load=result.air_load,
        losses=dict(result.losses),
        ratings=result.ratings,
        ratings_by=whose(result.enclosure, result.ratings) or None,
        **vars(curves),
        max_spl_db=None if maximum is None else maximum.spl_db,
        max_voltage_v=None if maximum is None else maximum.voltage_v,
        limited_by=None if maximum is None else tuple(maximum.limited_by.tolist()),
        max_peak_spl_db=None if peak is None else peak.spl_db,
        peak_limited_by=None if peak is None else tuple(peak.limited_by.tolist()),
        design=result.numbers(),
        bands=result.bands,
        room=None if result.room is None else _room(result.room, result),
        notes=result.notes,
        ringing_hz=result.enclosure.ringing_hz,
    )


def _room(room: Room, result: BoxResult) -> RoomForm:
    gain = room.gain_db(result.curves.frequency_hz)
    level = result.curves.spl_db + gain
    return RoomForm(room.longest_side_m, room.lowest_mode_hz, room.cap_db, gain, level, CAUTION)
