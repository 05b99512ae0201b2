"""Two sheets side by side: by how much each printed parameter differs, and what that alone does, in words of a buyer.

Each effect is that of one parameter, all others as on the first sheet; what the two drivers come to as they are printed,
every difference together, is told by the boxes that both ask for.
"""

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import ClassVar

from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.box.design.alignments import FAMILIES, possible_alignments, usual_qtc
from tsfit.box.kinds import ClosedPlan
from tsfit.box.parts import USUAL_LEAK_Q
from tsfit.check.consistency import contradictions
from tsfit.driver.formulas import closed_box_volume, sensitivity_1w, sensitivity_2v83, total_q
from tsfit.driver.parameters import LEVELS, PUBLISHED
from tsfit.driver.record import Driver
from tsfit.formats.sheet import Sheet


@dataclass(frozen=True, kw_only=True)
class Beside:
    """A parameter of two sheets, SI; None where one does not print it. A level differs by dB, all else by percent."""

    name: str
    first: float | None
    second: float | None
    difference_percent: float | None = None
    difference_db: float | None = None
    effect: str = ""  # what the difference alone does


@dataclass(frozen=True)
class SheetsBeside:
    """Two sheets, what is printed by both first; `together` says in sentences what the drivers come to."""

    KIND: ClassVar = "sheets"

    names: tuple[str, str]
    figures: tuple[Beside, ...]
    together: tuple[str, ...]


def beside(first: Sheet, second: Sheet) -> SheetsBeside:
    """Put `second` beside `first`. Raises ``nothing_to_judge`` when they print no parameter in common."""
    if first.name == second.name:
        first, second = (replace(one, name=f"{one.name} ({Path(one.file).stem})") for one in (first, second))
    names = [name for name in PUBLISHED if name in first.figures or name in second.figures]
    found = sorted((_beside(name, first, second) for name in names), key=lambda one: None in (one.first, one.second))
    if found[0].first is None or found[0].second is None:
        message = (
            f"{second.file or second.name}: prints nothing that {first.name} prints too; add a parameter to one of them."
        )
        raise TsfitError(message, code="nothing_to_judge", file=second.file or None)
    return SheetsBeside((first.name, second.name), tuple(found), tuple(_together(first, second)))


def _beside(name: str, first: Sheet, second: Sheet) -> Beside:
    one, other = first.figures.get(name), second.figures.get(name)
    if one is None or other is None:
        only = first if other is None else second
        given = one.value if one else None, other.value if other else None
        return Beside(name=name, first=given[0], second=given[1], effect=f"printed by {only.name} only")
    level, difference = name in LEVELS, other.value - one.value
    if abs(difference) <= (one.half_digit + other.half_digit) * (1.0 + 1e-9):
        effect = "the same, as printed"
    else:
        effect = EFFECTS[name](other.value / one.value, {**first.values(), "other": other.value})
    return Beside(
        name=name,
        first=one.value,
        second=other.value,
        difference_percent=None if level else 100.0 * difference / one.value,
        difference_db=difference if level else None,
        effect=effect,
    )


def _db(decibels: float, words: str) -> str:
    return f"{abs(decibels):.1f} dB {'more' if decibels > 0.0 else 'less'} {words}"


def _signed(decibels: float, words: str = "") -> str:
    return f"{decibels:+.1f} dB {words}".rstrip()


def _percent(ratio: float, more: str, less: str) -> str:
    return f"{100.0 * abs(ratio - 1.0):.0f} % {more if ratio > 1.0 else less}"


def _up(ratio: float) -> str:
    return f"{100.0 * (ratio - 1.0):+.0f}"


def _damping(name: str) -> Callable[[float, Mapping[str, float]], str]:
    def effect(ratio: float, first: Mapping[str, float]) -> str:
        softer = (ratio > 1.0) == (name == "Qms")
        said = f"{'less' if softer else 'more'} friction"
        if not {"Qms", "Qes"} <= first.keys():
            return said
        before = total_q(first["Qms"], first["Qes"])
        after = total_q(first["Qms"] * (ratio if name == "Qms" else 1.0 / ratio), first["Qes"])
        return f"{said}: Qts {100.0 * (after / before - 1.0):+.1f} %"

    return effect


def _litres(ratio: float, first: Mapping[str, float]) -> str:
    said = "larger boxes, or more of a hump" if ratio > 1.0 else "smaller boxes, or less bass"
    qts, other = first["Qts"], first["other"]
    qtc = usual_qtc(max(qts, other))
    if "Vas" not in first:
        return said
    before, after = (1e3 * closed_box_volume(first["Vas"], each, qtc) for each in (qts, other))
    return f"closed {after:.0f} l, not {before:.0f} l"


def _coil(ratio: float, first: Mapping[str, float]) -> str:
    if "Re" not in first:
        return f"{'less' if ratio > 1.0 else 'more'} upper bass"
    before, after = (first["Re"] / (2.0 * math.pi * coil) for coil in (first["Le"], first["other"]))
    return f"coil takes 3 dB from {after:.0f} Hz up, not {before:.0f}"


EFFECTS: Mapping[str, Callable[[float, Mapping[str, float]], str]] = {
    "Re": lambda r, _: _signed(-10.0 * math.log10(r), "at equal volts"),
    "Znom": lambda r, at: f"the amplifier must stand {in_figures(at['other'], 3)} Ω",
    "Fs": lambda r, _: f"boxes play {_percent(r, 'higher', 'lower')}",
    "Qms": _damping("Qms"),
    "Qes": lambda r, _: f"{'weaker' if r > 1.0 else 'stronger'} motor: {_signed(-10.0 * math.log10(r))}",
    "Qts": _litres,
    "Vas": lambda r, _: f"boxes are {_percent(r, 'larger', 'smaller')}",
    "Mms": lambda r, _: _signed(-20.0 * math.log10(r), "in mid-band"),
    "Cms": lambda r, _: f"{'softer' if r > 1.0 else 'stiffer'}: Vas {_up(r)} %, Fs {_up(r**-0.5)} %",
    "Rms": _damping("Rms"),
    "Bl": lambda r, _: f"{_signed(20.0 * math.log10(r))}, Qes {_up(r**-2)} %",
    "Le": _coil,
    "Sd": lambda r, _: _signed(20.0 * math.log10(r), "at equal travel"),
    "diameter": lambda r, _: _signed(40.0 * math.log10(r), "at equal travel"),
    "Xmax": lambda r, _: _signed(20.0 * math.log10(r), "by travel"),
    "Pe": lambda r, _: _signed(10.0 * math.log10(r), "by power"),
    "Ppeak": lambda r, _: _signed(10.0 * math.log10(r), "for short peaks"),
    "sensitivity_1W": lambda r, at: _signed(at["other"] - at["sensitivity_1W"], "at equal watts"),
    "sensitivity_2V83": lambda r, at: _signed(at["other"] - at["sensitivity_2V83"], "at equal volts"),
    "EBP": lambda r, _: f"suits {'vented boxes more' if r > 1.0 else 'closed boxes more'}",
}
"""What a ratio second/first of a parameter does by itself, with the first sheet's values and the "other" one, SI."""


def _together(first: Sheet, second: Sheet) -> Iterator[str]:
    for sheet in (first, second):
        if found := contradictions(sheet):
            yield f"The sheet of {sheet.name} contradicts itself ({found[0].relation}): check it alone first."
    try:
        drivers = first.driver(assuming=True), second.driver(assuming=True)
    except TsfitError as error:
        yield f"No box can be told for both: {error.message}"
        return
    a, b = drivers
    yield from (f"{one.name}: {sentence}" for one in drivers for sentence in one.assumed)
    watts = float(sensitivity_1w(b.eta0) - sensitivity_1w(a.eta0))
    volts = float(sensitivity_2v83(b.eta0, b.Re) - sensitivity_2v83(a.eta0, a.Re))
    yield (
        f"As printed, {b.name} gives {_db(volts, 'level in the mid-band')} than {a.name} at the same volts, "
        f"{_db(watts, 'at the same watts into Re')}."
    )
    qtc = usual_qtc(max(a.Qts, b.Qts))
    yield f"In closed boxes of Qtc {in_figures(qtc, 3)}: {'; '.join(_closed(one, qtc) for one in drivers)}."
    aligned = [possible_alignments(one, USUAL_LEAK_Q) for one in drivers]
    if family := next((each for each in FAMILIES if all(each in one for one in aligned)), None):
        boxes = (
            f"{one.name} {in_figures(1e3 * at[family].volume, 3)} l tuned to {in_figures(at[family].tuning, 3)} Hz"
            for one, at in zip(drivers, aligned, strict=True)
        )
        yield f"In vented boxes of the {family} alignment, leak Q {USUAL_LEAK_Q:g}: {'; '.join(boxes)}."


def _closed(driver: Driver, qtc: float) -> str:
    box = ClosedPlan(qtc=qtc).build(driver)
    f3 = "" if box.f3_hz is None else f", f3 {in_figures(box.f3_hz, 3)} Hz"
    return f"{driver.name} {in_figures(1e3 * (box.chamber.volume or 0.0), 3)} l{f3}"
