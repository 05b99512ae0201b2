"""What JSON holds of a driver's drift: a change between two entries, or a whole log judged."""

import math
from dataclasses import dataclass, field, replace
from typing import ClassVar

import numpy as np

from tsfit.base.arrays import Read
from tsfit.base.forms import IF_TOLD
from tsfit.base.notes import QualityNote
from tsfit.box.compare.consequence import Consequence
from tsfit.drift.box import BoxedChange, sentence
from tsfit.drift.change import DriftChange
from tsfit.drift.entry import LoggedDriver
from tsfit.drift.history import CauseHistory, History


@dataclass(frozen=True)
class DriftChangeForm(DriftChange):
    """What changed between two entries, and what that does to a box, if one was named."""

    KIND: ClassVar = "drift change"

    box: Consequence | None = field(default=None, metadata=IF_TOLD)


@dataclass(frozen=True, kw_only=True)
class CauseForm:
    """A cause over the hours; values in SI at 20 °C and in reference air, or ratios to the first without a mass."""

    figure: str
    unit: str
    hours: Read
    values: Read
    relative_stdev: Read
    drifted: bool
    change: float
    course: str
    time_constant_h: float | None
    end: float
    band95: tuple[float, float] | None
    hours_left: tuple[float, float] | None
    scatter: float


@dataclass(frozen=True)
class EntryForm:
    """What a judged log tells of an entry; the log itself holds all."""

    hours: float
    added: str
    rig: str | None
    coil: str
    suspension: str


@dataclass(frozen=True, kw_only=True)
class DriftForm:
    """A log, judged."""

    KIND: ClassVar = "drift"

    driver: LoggedDriver
    entries: tuple[EntryForm, ...]
    causes: dict[str, CauseForm]
    drifted: tuple[str, ...]
    first_to_last: DriftChange | None
    repeats: int
    summary: tuple[str, ...]
    notes: tuple[QualityNote, ...]
    box: Consequence | None = field(default=None, metadata=IF_TOLD)


def change_form(change: DriftChange, boxed: BoxedChange | None = None) -> DriftChangeForm:
    """Return the form of a change, and of what it does to a box."""
    return DriftChangeForm(**vars(change), box=_box(boxed))


def _box(boxed: BoxedChange | None) -> Consequence | None:
    return None if boxed is None else replace(boxed.found, summary=sentence(boxed))


def drift_form(history: History, boxed: BoxedChange | None = None) -> DriftForm:
    """Return the form of a judged log, and of what it does to a box."""
    return DriftForm(
        driver=history.entries[0].driver,
        entries=tuple(EntryForm(one.hours, one.added, one.rig, one.coil, one.suspension) for one in history.entries),
        causes={name: _cause(one, absolute=history.absolute) for name, one in history.causes.items()},
        drifted=tuple(one.cause for one in history.drifted),
        first_to_last=history.first_to_last,
        repeats=history.repeatability.repeats,
        summary=tuple(history.sentences()),
        notes=history.notes,
        box=_box(boxed),
    )


def _cause(one: CauseHistory, *, absolute: bool) -> CauseForm:
    settling, band = one.settling, one.settling.band95
    zero = 0.0 if absolute or one.figure == "Re" else float(settling.at(one.hours[:1])[0])
    return CauseForm(
        figure=one.figure,
        unit="SI" if zero == 0.0 else "ratio",
        hours=one.hours,
        values=np.exp(one.logarithm - zero),
        relative_stdev=one.stdev,
        drifted=one.drifted,
        change=one.relative,
        course=one.course,
        time_constant_h=settling.time_constant_h,
        end=math.exp(settling.end - zero),
        band95=None if band is None else (math.exp(band[0] - zero), math.exp(band[1] - zero)),
        hours_left=settling.hours_left,
        scatter=settling.scatter,
    )
