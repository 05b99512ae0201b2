"""What JSON holds of an equaliser, as `tsfit.box.result` has it of a box."""

from dataclasses import dataclass, field
from typing import ClassVar

from tsfit.base.forms import IF_TOLD
from tsfit.box.equaliser.equalised import Equalised, EqualisedBands, LevelCost, at_level, words
from tsfit.box.equaliser.sections import FilterSection


@dataclass(frozen=True, kw_only=True)
class EqualiserSummary:
    """Sections, how near they come to their target, and what they cost at the most that the limits allow."""

    sections: tuple[FilterSection, ...]
    target_from_hz: float | None = None
    played_hz: tuple[float, float]
    boost_db: float
    boost_hz: float
    error_db: float | None = None
    loudest_db: float | None = None
    limited_at_hz: float | None = None
    limited_by: str | None = None
    power_w: float | None = None


@dataclass(frozen=True, kw_only=True)
class _FlatTo:
    flat_to_hz: float


@dataclass(frozen=True, kw_only=True)
class FlatForm(EqualiserSummary, _FlatTo):
    """Summary of an equaliser that makes a box flat down to a frequency."""


def flat_form(equalised: Equalised) -> FlatForm:
    """Return the form of a box made flat."""
    return FlatForm(flat_to_hz=equalised.target_from_hz, **summary_fields(equalised))  # type: ignore[arg-type]


@dataclass(frozen=True, kw_only=True)
class _Whose:
    driver: str
    enclosure: str


@dataclass(frozen=True, kw_only=True)
class EqualiserForm(LevelCost, EqualiserSummary, _Whose):
    """A box with its equaliser at one level."""

    KIND: ClassVar = "equaliser"

    words: tuple[str, ...]
    bands: EqualisedBands | None = field(default=None, metadata=IF_TOLD)


def summary_fields(equalised: Equalised) -> dict[str, object]:
    """Return the fields of the `EqualiserSummary` of an equalised box."""
    loudest, at, limit = equalised.loudest or (None, None, None)
    taken = None if loudest is None else at_level(equalised, loudest)
    return vars(
        EqualiserSummary(
            sections=equalised.sections,
            target_from_hz=equalised.target_from_hz,
            played_hz=equalised.played_hz,
            boost_db=equalised.boost[0],
            boost_hz=equalised.boost[1],
            error_db=equalised.error_db,
            loudest_db=loudest,
            limited_at_hz=at,
            limited_by=limit,
            power_w=None if taken is None else equalised.largest(taken.power_after_w)[0],
        )
    )


def equaliser_form(equalised: Equalised, taken: LevelCost, sure: EqualisedBands | None = None) -> EqualiserForm:
    """Return the form of an equalised box at the level of `taken`, with its bands where there are such."""
    return EqualiserForm(
        driver=equalised.box.enclosure.driver.name,
        enclosure=equalised.box.enclosure.kind,
        **summary_fields(equalised),  # type: ignore[arg-type]
        **vars(taken),
        words=(*words(equalised, taken), *(() if sure is None else (sure.sentence(),))),
        bands=sure,
    )
