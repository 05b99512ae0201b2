"""What a box comes to in words and in a table: what the command line prints first, and the page whose knobs turn shows."""

import math
from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from tsfit.base.figures import in_figures
from tsfit.box.enclosure import KIND_NAMES
from tsfit.box.frequencies import LOUDEST_HZ
from tsfit.box.limits import COUNTED, GIVE_RATINGS, MaximumOutput, Ratings, Whose, not_counted, whose
from tsfit.box.loudness import watts
from tsfit.box.parts import USUAL_LEAK_Q
from tsfit.box.ports import Port
from tsfit.box.result import BoxResult
from tsfit.box.told import MM, written

ANSWERED = (
    ("", [("volume_l", "l")]),
    ("vented chamber", [("front_volume_l", "l")]),
    ("tuned to", [("fb_hz", "Hz")]),
    ("port", [("port_diameter_cm", "cm across"), ("port_length_cm", "cm long")]),
    ("slot", [("port_area_cm2", "cm² in section"), ("port_length_cm", "cm long")]),
    ("which takes", [("port_volume_l", "l more"), ("port_wall_mm", "mm of wall counted")]),
    ("each radiator with", [("radiator_added_mass_g", "g added")]),
    ("f3", [("f3_hz", "Hz")]),
    ("f6 (-6 dB)", [("f6_hz", "Hz")]),
    ("f10 (-10 dB)", [("f10_hz", "Hz")]),
    ("upper f3", [("f3_upper_hz", "Hz")]),
    ("Qtc", [("qtc", "")]),
    ("each radiator travels", [("radiator_excursion_max_mm", "mm")]),
)
"""Numbers of a box in its first sentence."""
LEAST = {"radiator_added_mass_g": 0.05, "port_volume_l": 0.05}
"""What is less is not worth a word."""
USUAL_PORTS = 0.05, 0.07, 0.10, 0.15
"""Diameters (m) of tubes that are sold; the one nearest to a third of the cone's is named (common practice, no source)."""


def answer(result: BoxResult) -> list[str]:
    """Sentences that say how large the box is, how low and how loud it plays, and what stops it."""
    enclosure, most = result.enclosure, result.loudest
    several = f"{enclosure.count} x " if enclosure.count > 1 else ""
    losses = [f"{of.removesuffix('_q').replace('_', ' ')} Q {q:g}" for of, q in result.losses.items() if q < math.inf]
    box = f"{several}{enclosure.driver.name}, {KIND_NAMES[enclosure.kind]}{' with ' * bool(losses)}{', '.join(losses)}"
    loud = f"How loud it plays is open: no rating is known; {GIVE_RATINGS}."
    if most is not None:
        loud = loudest(zip(LOUDEST_HZ, most.spl_db, most.limited_by, strict=True), *_not_known(result, most))
        loud = " ".join((loud, *counted(result.ratings, whose(enclosure, result.ratings), enclosure.count)))
    speed = result.ratings.port_speed_m_s
    if most is not None and speed is not None and "port speed" in most.limited_by:
        own = result.opening.port_speed_limit
        usual = ", above which ports like this are commonly called noisy" * (own is not None and math.isclose(speed, own))
        loud += f" Air in the port is held to {in_figures(speed, 3) if usual else f'{speed:g}'} m/s{usual}."
    free = most is not None and enclosure.kind == "passive" and result.ratings.radiator_xmax_m is None
    return [
        f"{box}: {size_and_reach(result.numbers(), enclosure.kind, enclosure.voltage)}.",
        loud,
        *["How far the radiators may go is not counted: give --radiator-xmax-mm."] * free,
    ]


def _not_known(result: BoxResult, most: MaximumOutput) -> tuple[str | None, str]:
    """Return what `most` does not count for lack of a rating, and what that would ask of the driver; the remedy with it."""
    aside, enclosure = not_counted(result.ratings), result.enclosure
    if aside is None:
        return None, ""
    volts, said = np.asarray(most.voltage_v), []
    if "heat" in aside:
        k, each = int(np.argmax(volts)), " each" if enclosure.count > 1 else ""
        power = float(volts[k]) ** 2 / float(enclosure.parameters["Re"]) / enclosure.count
        said.append(f"{in_figures(volts[k], 3)} V at {LOUDEST_HZ[k]:g} Hz would be {watts(power)}{each}")
    if "travel" in aside:
        moves = volts / enclosure.voltage * np.asarray(result.at(LOUDEST_HZ).excursion_mm)
        k = int(np.argmax(moves))
        said.append(f"{in_figures(volts[k], 3)} V at {LOUDEST_HZ[k]:g} Hz would move the cone {in_figures(moves[k], 2)} mm")
    flags = [each.option for what, each in COUNTED.items() if what in aside]
    return aside, f": {', '.join(said)}, give {' and '.join(flags)} or --sheet"


def size_and_reach(numbers: Mapping[str, float | None], kind: str, drive_v: float) -> str:
    """How large the box is and how low it plays, from its numbers by the keys of the machine form."""
    # A closed chamber behind the cone has no port: what is displaced there is not its.
    net, gross = numbers.get("volume_l"), numbers.get("gross_volume_l")
    counted = kind != "bandpass" and net is not None and gross is not None and gross > net
    other = {}
    if counted:
        inside = float(gross or 0.0) - float(net or 0.0)
        beside = inside > float(numbers.get("port_volume_l") or 0.0) + LEAST["port_volume_l"]
        of = f"of the {_told('port_volume_l', inside, 'l')} displaced" if beside else "l"
        other = {"port_volume_l": f"{of} ({written(gross, 'l')} in all)"}
    parts = [
        f"{_each(label, numbers)}{' ' * bool(label)}"
        f"{', '.join(_told(key, numbers.get(key), other.get(key, unit)) for key, unit in keys)}"
        for label, keys in ANSWERED
        if all(numbers.get(key) is not None for key, _ in keys)
        and (numbers.get(keys[0][0]) or -1.0) >= LEAST.get(keys[0][0], 0.0)
        if keys[0][0] != "port_area_cm2" or not numbers.get("port_diameter_cm")
    ]
    if kind == "bandpass":
        parts[0] = f"closed chamber {parts[0]}"
    return ", ".join([*parts, f"mid-band {written(numbers.get('reference_db'), 'dB')} at {in_figures(drive_v, 3)} V"])


def _each(label: str, numbers: Mapping[str, float | None]) -> str:
    """`label`, in the plural where there are several round ports."""
    area, diameter = numbers.get("port_area_cm2"), numbers.get("port_diameter_cm")
    several = round(area / (0.25 * math.pi * diameter**2)) if area and diameter else 1
    if several < 2:
        return label
    return {"port": f"{several} ports, each", "which takes": "which together take"}.get(label, label)


def _told(key: str, value: float | None, unit: str) -> str:
    """A number of the first sentence; of a port no more than tenths, as it is sawn."""
    return f"{value:.1f} {unit}" if key.startswith("port_") and value is not None and value < 10.0 else written(value, unit)


def left_out(result: BoxResult) -> list[str]:
    """What of a ported box lowers bass and level and is not counted, for nothing is told of it: air in the port, leaks."""
    enclosure, opening = result.enclosure, result.opening
    if enclosure.kind not in ("vented", "bandpass", "passive"):
        return []
    speed = ["air speed in the port"] * (enclosure.kind != "passive" and opening.port_area is None)
    return [*speed, *["leaks"] * all(q == math.inf for q in result.losses.values())]


def with_remedies(result: BoxResult) -> list[str]:
    """`left_out` in a sentence, with what counts it; of a port also how long one of an ordinary size would be."""
    enclosure, opening, area, left = result.enclosure, result.opening, result.enclosure.driver.Sd, left_out(result)
    if not left:
        return []
    remedies = {
        "air speed in the port": "--port-diameter-cm",
        "leaks": f"--leak-q; {USUAL_LEAK_Q:g} in a box of common make",
    }
    said = f"Not counted: {' and '.join(f'{each} ({remedies[each]})' for each in left)}."
    if "air speed in the port" not in left or opening.fb is None or area is None:
        return [said]
    third = math.sqrt(4.0 * area / math.pi) / 3.0
    port = Port(diameter=min(USUAL_PORTS, key=lambda size: abs(math.log(size / third))))
    length = float(port.any_length(float(enclosure.load.outlet.port_mass), enclosure.driver.air))
    long = "too wide for that tuning" if length <= 0.0 else f"{_told('port_length_cm', 100.0 * length, 'cm')} long"
    return [f"{said} A port {100.0 * port.across:.0f} cm across would be {long}."]


def loudest(levels: Iterable[tuple[float, float, str]], aside: str | None = None, more: str = "") -> str:
    """The most that the box plays at some frequencies, in dB, and what stops it there; `aside` is what was not counted for
    lack of a rating, and `more` what there is to say of that.
    """
    listed = list(levels)
    limits = list(dict.fromkeys(limit for *_, limit in listed))
    named = aside is None or len(limits) > 1
    told = ", ".join(f"{level:.0f} dB at {hz:g} Hz{f' ({limit})' * named}" for hz, level, limit in listed)
    if aside is not None:
        return f"By {' and '.join(limits)} alone {told}; {aside} not counted{more}."
    return f"Loudest at 1 m in half space, and what stops it: {told}."


def counted(ratings: Ratings, by: Mapping[str, Whose], count: int) -> list[str]:
    """The limits that the loudest counts: travel and power of one of `count` drivers, and whose they are, as far as `by`
    tells; travel of radiators, and the amplifier. No sentence where none of them is rated.
    """
    own = [(_rated(*each), by.get(name)) for name, each in _own(ratings).items() if each[1] is not None]
    known = {one for _, one in own}
    if len(known) == 1:
        said = " and ".join(words for words, _ in own) + "".join(f", as {one}" for one in known if one)
    else:
        said = ", ".join(f"{words} as {one}" if one else words for words, one in own)
    radiators = None if ratings.radiator_xmax_m is None else ratings.radiator_xmax_m / MM
    others = (("each radiator", radiators, "mm"), ("amplifier", ratings.volts, "V"), ("amplifier", ratings.amps, "A"))
    told = "; ".join([*[said][: len(own)], *(_rated(*each) for each in others if each[1] is not None)])
    return [f"Limits{' of each driver' * (count > 1 and bool(own))}: {told}."] if told else []


def _own(ratings: Ratings) -> dict[str, tuple[str, float | None, str]]:
    """What a driver stands: what it is called, its value and unit, by its name among the `ratings`."""
    travel = None if ratings.xmax_m is None else ratings.xmax_m / MM
    return {"xmax_m": ("Xmax", travel, "mm"), "power_w": ("Pe", ratings.power_w, "W")}


def _rated(called: str, value: float | None, unit: str) -> str:
    return f"{called} {in_figures(value, 3)} {unit}"


def levels(result: BoxResult, frequencies: Sequence[float]) -> dict[str, list[str]]:
    """Columns of a table, by their heads: level and travel at the drive asked for, and the most that the limits allow."""
    curves, most, room = result.at(frequencies), result.maximum_at(frequencies), result.room
    columns = {
        "Hz": [f"{frequency:g}" for frequency in frequencies],
        f"dB at {in_figures(result.enclosure.voltage, 3)} V": [_level(level) for level in curves.spl_db],
    }
    if room is not None:
        columns["in room dB"] = [_level(level) for level in curves.spl_db + room.gain_db(frequencies)]
    columns["peak mm"] = [f"{travel:.2f}" for travel in curves.excursion_mm]
    if most is not None:
        aside = not_counted(result.ratings)
        columns[f"dB, {aside} not counted" if aside else "most dB"] = [f"{level:.1f}" for level in most.spl_db]
        columns["at V"] = [in_figures(each, 3, zeros=True) for each in most.voltage_v]
        columns["stopped by"] = [str(limit) for limit in most.limited_by]
    return columns


def _level(db: float) -> str:
    """A level to a tenth, and none of what nobody can hear: at the notch of a passive radiator."""
    return f"{db:.1f}" if db > 0.0 else "below 0"
