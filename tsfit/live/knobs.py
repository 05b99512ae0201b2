"""Which knobs the page has for each kind of box: what they turn (a key of a box file), between which ends, in what steps.

Ends are where turning makes sense for the drivers at hand; the field beside a slider takes any number, and the box itself
says what cannot be.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import get_args

from tsfit.box.enclosure import KIND_NAMES, Kind
from tsfit.box.equaliser.sections import KINDS as SECTION_KINDS
from tsfit.box.equaliser.sections import WITH_GAIN
from tsfit.box.kinds import BafflePlan
from tsfit.box.limits import ratings_of
from tsfit.box.ports import ENDS
from tsfit.circuit.wiring import Arrangement
from tsfit.driver.formulas import Wiring
from tsfit.live.state import OWN, PageState, Tried


@dataclass(frozen=True)
class Knob:
    """A value that turns: a slider with its field, or one of some `words`; `usual` is where it starts when switched on."""

    key: str
    label: str
    unit: str = ""
    low: float = 0.0
    high: float = 1.0
    usual: float | str | bool = 1.0
    step: float = 0.0  # of an even scale; 0: three digits, by ratio
    words: tuple[str, ...] = ()
    optional: bool = False  # may be switched off
    told: bool = False  # is as usual where nothing is said


@dataclass(frozen=True)
class Means:
    """One of several ways to say a thing, with the knobs that say it; `flag` is what it sets beside the box."""

    name: str
    knobs: tuple[Knob, ...] = ()
    flag: str = ""

    @property
    def needed(self) -> tuple[Knob, ...]:
        """Knobs without which it says nothing."""
        return tuple(knob for knob in self.knobs if not (knob.optional or knob.told or knob.words))


@dataclass(frozen=True)
class Group:
    """Knobs that belong together: those of one of its `ways`."""

    title: str
    ways: tuple[Means, ...]


@dataclass(frozen=True)
class Setup:
    """What the page is built from."""

    drivers: list[str]
    kinds: dict[str, str]
    groups: dict[str, list[Group]]
    sections: tuple[str, ...] = SECTION_KINDS
    with_gain: tuple[str, ...] = WITH_GAIN
    start: dict[str, object] = field(default_factory=dict)  # the state that it begins with
    own: tuple[str, ...] = OWN
    curved: bool = False  # whether harmonics can be told of any driver


def _plain(title: str, *knobs: Knob) -> Group:
    return Group(title, (Means("", knobs),))


def _losses(prefix: str = "", *more: str) -> tuple[Knob, ...]:
    names = {"leak_q": "leaks, Q", "absorption_q": "absorption, Q", "port_q": "port, Q"}
    return tuple(
        Knob(prefix + key, label, "", 2.0, 200.0, 10.0 if key == "leak_q" else 50.0, optional=True)
        for key, label in names.items()
        if key != "port_q" or key in more
    )


def _filling(prefix: str = "") -> Group:
    return _plain(
        "Inside",
        Knob(f"{prefix}filling", "filling, times the volume", "", 1.0, 1.4, 1.2, 0.01, optional=True),
        Knob(f"{prefix}displaced_l", "driver, port and braces", "l", 0.1, 50.0, 2.0, optional=True),
    )


def _litres(vas: float, key: str, label: str, usual: float = 1.0) -> Knob:
    """Knob of a volume, about `usual` times the Vas of the drivers, l."""
    return Knob(key, label, "l", _three(0.03 * vas), _three(10.0 * vas), _three(usual * vas))


def _hertz(fs: float, key: str, usual: float = 1.0) -> Knob:
    """Knob of a tuning, about `usual` times their Fs, Hz."""
    return Knob(key, "tuning", "Hz", _three(0.3 * fs), _three(4.0 * fs), _three(usual * fs))


def groups_of(kind: Kind, drivers: Sequence[Tried]) -> list[Group]:
    """Return the knobs for a box of that `kind` with these drivers."""
    given = [one.driver for one in drivers]
    vas = 1e3 * math.exp(sum(math.log(one.Vas) for one in given) / len(given))
    fs = math.exp(sum(math.log(one.Fs) for one in given) / len(given))
    litres, hertz = partial(_litres, vas), partial(_hertz, fs)
    cone = 1e4 * max(one.Sd or 0.01 for one in given)

    port = _port(math.sqrt(4.0 * cone / math.pi))
    long = Knob("port.length_cm", "port length", "cm", 1.0, 150.0, 15.0)
    if kind == "closed":
        size = Group("Size", (
            Means("by net volume", (litres("volume_l", "net volume"),)),
            Means("by Qtc", (Knob("qtc", "Qtc", "", 0.3, 2.0, 0.707, 0.001),)),
        ))  # fmt: skip
        own = [size, _plain("Losses", *_losses()), _filling()]
    elif kind == "vented":
        tuned = Group("Tuned", (Means("to a frequency", (hertz("tuning_hz"),)), Means("by the port's length", (long,))))
        own = [_plain("Size", litres("volume_l", "net volume")), tuned, port, _plain("Losses", *_losses("", "port_q")),
               _filling()]  # fmt: skip
    elif kind == "passive":
        own = _passive(cone, vas, fs)
    elif kind == "bandpass":
        tuned = Group(
            "Tuned",
            (Means("to a frequency", (hertz("front.tuning_hz", 1.5),)), Means("by the port's length", (long,))),
        )
        sizes = litres("rear.volume_l", "behind the cone", 0.5), litres("front.volume_l", "before the cone", 0.3)
        own = [_plain("Size, net", *sizes), tuned, port, _plain("Losses behind", *_losses("rear.")),
               _plain("Losses before", *_losses("front.", "port_q")), _filling("rear.")]  # fmt: skip
    else:
        own = []
    return [*own, *_for_all(drivers)]


def _port(across: float) -> Group:
    """Knobs of a port for a cone so many cm `across`."""
    tubes = Knob("port.count", "how many", "", 1.0, 8.0, 1, 1.0, told=True)
    ends = Knob("port.ends", "ends", words=ENDS, usual=ENDS[0])
    wide = Knob("port.diameter_cm", "diameter", "cm", 0.05 * across, across, _three(0.35 * across))
    flare = Knob("port.flare_cm", "rounding of its ends, radius", "cm", 0.1, 10.0, 1.0, optional=True)
    width = Knob("port.width_cm", "width", "cm", 0.1 * across, 3.0 * across, _three(across))
    height = Knob("port.height_cm", "height", "cm", 0.02 * across, across, _three(0.12 * across))
    thick = Knob("port.wall_mm", "its own wall", "mm", 0.5, 40.0, 3.0, optional=True)
    ways = (
        Means("of no told size"),
        Means("round", (wide, tubes, flare, ends, thick)),
        Means("slot", (width, height, tubes, ends, thick)),
    )
    return Group("Port", ways)


def _passive(cone: float, vas: float, fs: float) -> list[Group]:
    mass = _three(0.3 * cone)
    return [
        _plain("Size", _litres(vas, "volume_l", "net volume")),
        Group("Tuned", (
            Means("to a frequency", (_hertz(fs, "tuning_hz"),)),
            Means("by mass added to each", (Knob("radiator.added_mass_g", "added mass", "g", 0.1, 10.0 * mass, mass),)),
        )),
        _plain(
            "Radiators",
            Knob("radiator.mass_g", "moving mass of one", "g", 0.1 * mass, 10.0 * mass, mass),
            Knob("radiator.area_cm2", "area of one", "cm²", 0.1 * cone, 5.0 * cone, _three(1.3 * cone)),
            Knob("radiator.count", "how many", "", 1.0, 8.0, 1, 1.0, told=True),
            Knob("radiator.qms", "mechanical Q", "", 1.0, 50.0, 7.0, optional=True),
            Knob("radiator.xmax_mm", "travel allowed, one way", "mm", 1.0, 60.0, 15.0, optional=True),
        ),
        Group("Spring of a radiator", (
            Means("by its resonance", (Knob("radiator.fs_hz", "free resonance", "Hz", 3.0, 100.0, _three(0.6 * fs)),)),
            Means("by its compliance", (Knob("radiator.compliance_mm_n", "compliance", "mm/N", 0.05, 5.0, 0.5),)),
        )),
        _plain("Losses", *_losses()),
        _filling(),
    ]  # fmt: skip


def _for_all(drivers: Sequence[Tried]) -> list[Group]:
    ratings = [ratings_of(BafflePlan().setup(one.driver)) for one in drivers]
    xmax = _three(max((1e3 * each.xmax_m for each in ratings if each.xmax_m), default=8.0))
    watts = _three(max((each.power_w for each in ratings if each.power_w), default=100.0))
    several = [
        Knob("drivers.count", "how many of each", "", 1.0, 8.0, 1, 1.0, told=True),
        Knob("drivers.in_series", "in series in each string", "", 1.0, 8.0, 1, 1.0, told=True),
        Knob("drivers.arrangement", "how they stand", words=get_args(Arrangement), usual=get_args(Arrangement)[0]),
        Knob("air_load", "air on the cone", words=("free air", "baffle"), usual="free air"),
    ]
    if any(one.driver.wiring for one in drivers):
        wirings = get_args(Wiring)
        several.append(Knob("drivers.wiring", "coils wired", words=wirings, usual=wirings[0], optional=True))
    source = Knob("drive.source_ohm", "amplifier and leads", "Ω", 0.0, 5.0, 0.1, 0.01, optional=True)
    return [
        _plain("Drivers", *several),
        Group("Drive", (
            Means("2.83 V", (source,)),
            Means("by volts", (Knob("drive.voltage_v", "drive", "V", 0.1, 200.0, 10.0), source)),
            Means("by watts into Re", (Knob("drive.power_w", "drive", "W", 0.1, 5000.0, watts), source)),
            Means("to the limit at every frequency", (source,), "to_limit"),
        )),
        _plain(
            "What the drivers stand",
            Knob("drivers.xmax_mm", "travel allowed, one way (unticked: its own)", "mm", 0.5, 60.0, xmax, optional=True),
            Knob("drivers.rated_power_w", "rated power of one (unticked: its own)", "W", 1.0, 5000.0, watts, optional=True),
        ),
        Group("Amplifier", (
            Means("any"),
            Means("by volts", (Knob("amplifier.voltage_v", "most volts", "V", 1.0, 200.0, 40.0),)),
            Means("by watts into ohms", (Knob("amplifier.power_w", "rated", "W", 1.0, 5000.0, 200.0),
                                       Knob("amplifier.load_ohm", "into", "Ω", 1.0, 16.0, 4.0))),
        )),
        _plain("Room", Knob("room_m", "longest side of a closed room", "m", 1.5, 20.0, 5.0, optional=True)),
        _plain("Price", Knob("board_price", "board, price of a square metre", "", 0.1, 1000.0, 1.0, optional=True)),
    ]  # fmt: skip


def _three(value: float) -> float:
    return float(f"{value:.3g}")


def setup_of(drivers: Sequence[Tried], start: PageState) -> Setup:
    """Return all that the page is built from."""
    groups = {kind: groups_of(kind, drivers) for kind in get_args(Kind)}
    return Setup(
        [one.driver.name for one in drivers],
        KIND_NAMES,
        groups,
        start=start.model_dump(),
        curved=any(one.measured.travel for one in drivers),
    )
