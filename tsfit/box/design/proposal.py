"""A box proposed for a driver: what was asked, the box with its curves, and how far its numbers spread."""

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Annotated, ClassVar

from numpy.typing import ArrayLike

from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures, listed
from tsfit.base.notes import QualityNote
from tsfit.box.design.alignments import Alignment, Family, align, possible_alignments
from tsfit.box.design.closed import NO_BOX, deepest_volume, volumes_for_f3
from tsfit.box.design.port import air_in_given, at_level, level_known, rated_volts, sized_for, usual_speed, with_port
from tsfit.box.design.search import (
    PLAIN_PORT,
    Aim,
    DesignMap,
    Limits,
    VentedSearch,
    best_vented,
    design_map,
    usual_limits,
)
from tsfit.box.enclosure import KIND_NAMES, Kind
from tsfit.box.frequencies import checked_frequencies
from tsfit.box.kinds import ClosedPlan, VentedPlan
from tsfit.box.limits import ratings_of
from tsfit.box.parts import Filling, Opening
from tsfit.box.plan import BoxPlan
from tsfit.box.ports import Port
from tsfit.box.result import BoxForm, BoxResult, box_form
from tsfit.box.told import CM, GRAM, LITRE, Told, within, written
from tsfit.box.uncertainty import Sensitivity, sensitivity
from tsfit.circuit.load import Losses
from tsfit.driver.fit_result import FitResult
from tsfit.driver.record import Driver


@dataclass(frozen=True)
class Proposal:
    """A box that serves what was `asked`; `others` answer the same question, or are families that exist, in words.

    A vented box has its `search` with limits and losses, one by family its `alignment`.
    """

    KIND: ClassVar = "proposal"
    FORM: ClassVar = ("asked", "others", "alignment", "limits", "sensitivity", "box")

    asked: str
    plan: BoxPlan
    result: BoxResult
    sensitivity: Sensitivity
    others: tuple[str, ...] = ()
    alignment: Alignment | None = None
    search: VentedSearch | None = None

    @property
    def limits(self) -> Limits | None:
        """What a vented box was allowed to be."""
        return None if self.search is None else self.search.limits

    @property
    def box(self) -> BoxForm:
        """The box as JSON holds it."""
        return box_form(self.result)

    def map(self) -> DesignMap:
        """Evaluate the vented boxes around this one."""
        assert self.search is not None
        return design_map(self.search, self.place)

    @property
    def place(self) -> tuple[float, float]:
        """Volume that acts (m³) and tuning (Hz) of a vented box."""
        volume, tuning = self.result.chamber.acting, self.result.opening.fb
        assert volume is not None
        assert tuning is not None
        return volume, tuning


@dataclass(frozen=True)
class ClosedAim:
    """What a closed box is wanted for, one of: Qtc, f3 (Hz), a volume (m³), the lowest f3 within a largest volume (m³)."""

    qtc: Annotated[float | None, Told("qtc")] = None
    f3: Annotated[float | None, Told("f3_hz")] = None
    volume: Annotated[float | None, Told("volume_l", LITRE)] = None
    largest_volume: Annotated[float | None, Told("largest_volume_l", LITRE)] = None

    def words(self) -> str:
        """Name the one thing that is asked for. Raises ``usage`` unless it is exactly one."""
        names = ("Qtc", "f3", "volume", "lowest f3 within a volume")
        given = [name for name, value in zip(names, vars(self).values(), strict=True) if value is not None]
        if len(given) != 1:
            raise TsfitError(
                "A closed design needs one of Qtc, f3, volume and largest volume, and no second; give exactly one.",
                code="usage",
            )
        return given[0]


def propose_closed(
    driver: Driver,
    aim: ClosedAim,
    like: ClosedPlan = ClosedPlan(),
    *,
    fit: FitResult | None = None,
    frequency_hz: ArrayLike | None = None,
) -> Proposal:
    """Closed box by `aim`, in all else `like` that plan.

    A Qtc is that of the lossless textbook box, whose Qts counts the source resistance; an f3 that of the circuit, coil,
    losses and air load counted. Volumes hold what is displaced, and act as the filling makes the rest.
    Raises ``usage`` unless exactly one thing is asked for; ``unreachable_f3``, and as `ClosedPlan.build`.
    """
    words = aim.words()
    for name, value in (("f3", aim.f3), ("volume", aim.volume), ("largest volume", aim.largest_volume)):
        if value is not None and not 0.0 < value < math.inf:
            raise TsfitError(f"{name}: {value:g} cannot be; give a positive number.", code="wrong_value")
    plan, others = replace(like, volume=aim.volume, qtc=aim.qtc), tuple[str, ...]()
    if aim.f3 is not None:
        smaller, *larger = volumes_for_f3(like, driver, aim.f3)
        plan = replace(plan, volume=smaller)
        built = (other for other in larger if other < NO_BOX * driver.Vas)
        others = tuple(f"{written(1e3 * other, 'l')} has the same f3 with a lower Qtc" for other in built)
    elif aim.largest_volume is not None:
        acting = like.filling.acting(aim.largest_volume, "largest volume")
        plan = replace(plan, volume=deepest_volume(like, driver, acting))
    result = plan.build(driver, frequency_hz)
    number = aim.qtc or aim.f3
    asked = f"closed box by {words}" + ("" if number is None else f" {in_figures(number, 4)}")
    return Proposal(asked, plan, result, sensitivity(result, fit), others)


LEFT = 0.002
"""Share of the volume that a port may take without the best box being sought anew."""
QUIETER_DB = 12
"""So far below what the ratings allow a level is sought whose port has room."""
BEYOND_DB = 0.05
"""Ripple beyond what was asked for from which that is said."""


@dataclass(frozen=True)
class VentedAim:
    """What a vented box is wanted for: a family, the least ripple, the most output at a frequency, Hz; or the lowest f3."""

    family: Annotated[Family | None, Told("family")] = None
    least_ripple: Annotated[bool, Told("least_ripple")] = False
    output_hz: Annotated[float | None, Told("most_output_hz")] = None
    level_db: Annotated[float | None, Told("level_db")] = None  # in the mid-band, 1 m, for which the port is

    def __post_init__(self) -> None:
        if sum([self.family is not None, self.least_ripple, self.output_hz is not None]) > 1:
            raise TsfitError("A family, the least ripple and the most output exclude each other; keep one.", code="usage")
        if self.output_hz is not None:
            checked_frequencies(self.output_hz, "frequency of the most output")

    @property
    def sought(self) -> Aim:
        """What the search looks for."""
        return "least ripple" if self.least_ripple else "lowest f3" if self.output_hz is None else "most output"

    def words(self, kind: Kind = "vented") -> str:
        """Name what is asked for."""
        if self.family is not None:
            return f"{KIND_NAMES[kind]} by family {self.family}"
        return f"{KIND_NAMES[kind]} by {self.sought}" + ("" if self.output_hz is None else f" at {self.output_hz:g} Hz")


@dataclass(frozen=True)
class VentedBounds:
    """What a vented box, or one with passive radiators, may be, as people say it, SI; None for what is usual.

    Volumes (m³) are those of the box with what is displaced in it; the rest is as in `Limits`.
    """

    largest_volume: Annotated[float | None, Told("largest_volume_l", LITRE)] = None
    smallest_volume: Annotated[float | None, Told("smallest_volume_l", LITRE)] = None
    ripple_db: Annotated[float | None, Told("ripple_db")] = None
    delay: Annotated[float | None, Told("group_delay_ms", 1e-3)] = None
    port_speed: Annotated[float | None, Told("port_speed_m_s")] = None
    port_length: Annotated[float | None, Told("longest_port_cm", CM)] = None
    depth: Annotated[float | None, Told("box_depth_cm", CM)] = None
    added_mass: Annotated[float | None, Told("largest_added_mass_g", GRAM)] = None  # to each passive radiator
    fixed_port: bool = True

    def limits(self, driver: Driver, filling: Filling, port: Port | None = None) -> Limits:
        """Return the usual limits of `driver`, replaced by these, in a box with that filling and port, whose size may be
        free. Raises ``wrong_value``.
        """
        given = {name: value for name, value in vars(self).items() if value is not None}
        fixed = given.pop("fixed_port")
        for name, value in given.items():
            least, most = 0.0 if name == "ripple_db" else 1e-9, 100.0 if name.endswith("volume") else 1e6
            if not least <= value <= most:
                raise TsfitError(f"{name.replace('_', ' ')}: {value:g} cannot be; give a sensible one.", code="wrong_value")
        within(filling.factor, 1.0, 1.4, "filling of the volume", "")
        given.pop("added_mass", None)
        largest, smallest = given.pop("largest_volume", None), given.pop("smallest_volume", None)
        found = usual_limits(driver, None if largest is None else filling.acting(largest, "largest volume"))
        if smallest is not None:
            smallest = filling.acting(smallest, "smallest volume")
            if smallest > found.volume[1]:
                raise TsfitError("The smallest volume is above the largest; give less, or more.", code="wrong_value")
            found = replace(found, volume=(smallest, found.volume[1]))
        # A port yet to be sized counts in the search where something about it is limited.
        shape = port or PLAIN_PORT
        if not fixed and "port_speed" not in given and {"port_length", "depth"} & given.keys():
            given["port_speed"] = usual_speed(shape, driver.air)
        port = port if fixed else shape if "port_speed" in given else None
        return replace(found, port=port, fixed_port=fixed, port_counted=filling.displaced > 0.0, **given)


def propose_vented(
    driver: Driver,
    aim: VentedAim,
    bounds: VentedBounds,
    like: VentedPlan,
    *,
    fit: FitResult | None = None,
    frequency_hz: ArrayLike | None = None,
) -> Proposal:
    """Vented box by `aim` within `bounds`, in all but volume, tuning and scaled port `like` that plan.

    A family has only Q_L as its loss: give no others with one. With several drivers they share the box.
    Raises ``no_alignment``, ``unreachable_limits``, ``usage``, and as `VentedBounds.limits` and `VentedPlan.build`.
    """
    if aim.level_db is not None:
        like = at_level(like, driver, aim.level_db)
    sized = bounds.fixed_port and like.opening.port is not None
    bounds = replace(bounds, fixed_port=sized)
    given = like.setup(driver)
    if not sized:
        given = replace(given, voltage=rated_volts(like, driver) or given.voltage)
    losses = Losses(**like.losses.factors(port_q=like.port_q))
    search = VentedSearch(given, bounds.limits(given.driver, like.filling, like.opening.port), losses)
    exist = possible_alignments(given.braked, like.losses.leak_q)
    alignment, said = None, tuple[QualityNote, ...]()
    if aim.family is not None:
        alignment = align(given.braked, aim.family, like.losses.leak_q)
        volume, tuning = alignment.volume, alignment.tuning
        plan = replace(like, volume=like.filling.around(volume), tuning=tuning)
        plan = _with_its_port(plan, driver, bounds, None)
    else:
        plan = _best_with_port(search, aim, bounds, like, driver)
        if not sized and _too_long(plan, driver, bounds):
            search, plan, said = _with_a_shorter_port(search, aim, bounds, like, driver, plan)
    result = plan.build(driver, frequency_hz)
    known = {note.code for note in said}
    result = replace(result, remarks=(*said, *(note for note in result.remarks if note.code not in known)))
    ripple = result.pass_band.ripple_db
    if alignment is None and not aim.least_ripple and ripple > search.limits.ripple_db + BEYOND_DB:
        why = "its port leaves too little of the volume; allow more of either"
        if bounds.largest_volume is None:
            why = "a level that lingers has become a dip; ask for less"
        asked = f"more than the {search.limits.ripple_db:g} dB asked for: {why}."
        uneven = QualityNote("uneven", "warn", f"The ripple is {ripple:.2f} dB, {asked}")
        result = replace(result, remarks=(*result.remarks, uneven))
    if not sized and "quieter_port" not in known:
        result = replace(result, remarks=(*result.remarks, sized_for(plan, driver, result, bounds.port_speed)))
    elif sized:
        result = replace(result, remarks=(*result.remarks, *air_in_given(plan, result)))
    others = _others([other for name, other in exist.items() if name != aim.family], like, driver, bounds)
    return Proposal(aim.words(), plan, result, sensitivity(result, fit), others, alignment, search)


def _best_with_port(
    search: VentedSearch, aim: VentedAim, bounds: VentedBounds, like: VentedPlan, driver: Driver
) -> VentedPlan:
    """The box by `aim` with its port. Where that takes of the largest volume, the best is sought anew in what it leaves:
    the tuning that suits a large box breaks the limits in a smaller one. Where no box there keeps them, that one stays.
    """
    plan: VentedPlan | None = None
    while True:
        try:
            found = best_vented(search, aim.sought, ratings=ratings_of(search.bare, like.ratings), output_hz=aim.output_hz)
        except TsfitError:
            if plan is None:
                raise
            return plan
        volume, tuning = float(found.volume[0]), float(found.tuning[0])
        plan = replace(like, volume=like.filling.around(volume), tuning=tuning)
        plan = _with_its_port(plan, driver, bounds, bounds.largest_volume)
        left = plan.filling.acting(plan.volume)
        if bounds.fixed_port or left > (1.0 - LEFT) * volume:
            return plan
        least = min(search.limits.volume[0], left)
        search = replace(search, limits=replace(search.limits, volume=(least, left)))


def _too_long(plan: VentedPlan, driver: Driver, bounds: VentedBounds) -> bool:
    """Whether the port of `plan` is longer than asked for, else than fits straight into the box."""
    length, slack = plan.build(driver).opening.port_length, 0.0 if bounds.port_length is None else 1e-3
    return length is not None and length > _room(plan, bounds) * (1.0 + slack)


def _room(plan: VentedPlan, bounds: VentedBounds) -> float:
    """Longest port of `plan` (m): as asked for, else what fits straight in."""
    return plan.opening.reach(plan.filling.acting(plan.volume)) if bounds.port_length is None else bounds.port_length


def _with_a_shorter_port(
    search: VentedSearch, aim: VentedAim, bounds: VentedBounds, like: VentedPlan, driver: Driver, plan: VentedPlan
) -> tuple[VentedSearch, VentedPlan, tuple[QualityNote, ...]]:
    """The best box whose port fits into it, with what it was held to; `plan` where there is none, with what helps.

    Where no port for all that the ratings allow fits, it is one for the highest level, in whole dB, whose port does.
    """
    shape = like.opening.port or PLAIN_PORT
    speed = bounds.port_speed or usual_speed(shape, search.bare.driver.air)
    counting = replace(search, limits=replace(search.limits, port=shape, fixed_port=False, port_speed=speed))
    try:
        found = _best_with_port(counting, aim, bounds, like, driver)
        if not _too_long(found, driver, bounds):
            held = f"The port is kept to the {_cm(_room(found, bounds))} cm that fit straight in (--longest-port-cm)."
            return counting, found, (QualityNote("port_held", "note", held),)
    except TsfitError:
        pass
    length, room = _cm(plan.build(driver).opening.port_length or 0.0), _cm(_room(plan, bounds))
    if rated_volts(like, driver) is not None and (quieter := _with_a_port_that_fits(search, aim, bounds, like, driver)):
        level, less, found = quieter
        said = (
            f"The port is for {level} dB in the mid-band, {less} dB less than the ratings allow: for all of that it is "
            f"{length} cm long, where {room} cm fit. More volume, or a passive radiator, takes more."
        )
        return search, found, (QualityNote("quieter_port", "warn", said),)
    none = (
        f"No box within the limits has room for such a port, {length} cm long where {room} cm fit: ask for less "
        "(--level-db), or take a passive radiator."
    )
    return search, plan, (QualityNote("long_port", "warn", none),)


def _with_a_port_that_fits(
    search: VentedSearch, aim: VentedAim, bounds: VentedBounds, like: VentedPlan, driver: Driver
) -> tuple[int, int, VentedPlan] | None:
    """The highest level for which the best box has room for its port, how far below the ratings' that is, dB, and it."""
    top, plans = math.floor(search.bare.reference_db), dict[int, VentedPlan]()

    def fits(less: int) -> bool:
        quieter = at_level(like, driver, top - less)
        try:
            found = _best_with_port(replace(search, bare=quieter.setup(driver)), aim, bounds, quieter, driver)
        except TsfitError:
            return False
        plans[less] = replace(found, drive=like.drive)
        return not _too_long(found, driver, bounds)

    less = 1 + bisect_left(range(1, 1 + QUIETER_DB), True, key=fits)
    return (top - less, less, plans[less]) if less <= QUIETER_DB else None


def _cm(length: float) -> str:
    return in_figures(100.0 * length, 3)


def _with_its_port(plan: VentedPlan, driver: Driver, bounds: VentedBounds, largest: float | None) -> VentedPlan:
    """`plan` with its port and the room of it; without one where nothing tells how loud it plays, nor limits a port."""
    limits = (bounds.port_speed, bounds.port_length, bounds.depth)
    if not bounds.fixed_port and limits == (None, None, None) and not level_known(plan, driver):
        return replace(plan, opening=replace(plan.opening, port=None))
    plan = replace(plan, opening=replace(plan.opening, port=plan.opening.port or PLAIN_PORT))
    return with_port(plan, driver, scaled=not bounds.fixed_port, speed=bounds.port_speed or math.inf, largest=largest)


def _others(exist: Sequence[Alignment], like: VentedPlan, driver: Driver, bounds: VentedBounds) -> tuple[str, ...]:
    """Say which boxes families give; those that no digit tells apart, as about B4, are one."""
    named: dict[str, list[str]] = {}
    for other in exist:
        named.setdefault(_words(other, like, driver, bounds), []).append(other.family)
    return tuple(f"{listed(families)} alignment: {words}" for words, families in named.items())


def _words(other: Alignment, like: VentedPlan, driver: Driver, bounds: VentedBounds) -> str:
    plan = replace(like, volume=like.filling.around(other.volume), tuning=other.tuning)
    plays = replace(plan, opening=Opening()).build(driver).pass_band
    f3 = "" if plays.f3_hz is None else f"f3 {in_figures(plays.f3_hz, 3)} Hz, "
    told = f"{in_figures(1e3 * other.volume / like.filling.factor, 3)} l"
    if bounds.largest_volume is not None:
        told += _beyond(plan, driver, bounds, bounds.largest_volume)
    return f"{told} tuned to {in_figures(other.tuning, 3)} Hz, {f3}ripple {plays.ripple_db:.2f} dB"


def _beyond(plan: VentedPlan, driver: Driver, bounds: VentedBounds, largest: float) -> str:
    """Say by how much a box of `plan` and its port exceed the `largest` volume (m³); nothing where they do not."""
    try:
        built = _with_its_port(plan, driver, bounds, None).build(driver)
    except TsfitError:
        return " (which has no room for its port)"
    whole = built.chamber.gross
    if whole is None or whole <= largest * (1.0 + 1e-6):
        return ""
    taken = " in all" if plan.filling.displaced else "" if built.opening.port_area is None else " with its port"
    return f" ({written(1e3 * whole, 'l')}{taken}, more than asked for)" if taken else " (more than asked for)"
