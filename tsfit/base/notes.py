"""A remark on a sweep or a fit, for machines and people."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import ClassVar, Literal

Severity = Literal["refuse", "warn", "note"]


@dataclass(frozen=True)
class QualityNote:
    """One remark on a sweep or a fit: a machine word, how grave, one sentence, and which sweep (None: the whole fit)."""

    code: str
    severity: Severity
    message: str
    sweep: int | None = None

    FORM: ClassVar = ("sweep", "code", "severity", "message")


TAKEN = frozenset(
    {"assumed_uncertainty", "averaged_points", "averaged_rows", "columns", "empty_cells", "excluded_band", "few_standards"}
    | {"free_air_only", "held", "mass_assumed", "mixed_excitation", "not_calibrated", "not_told", "repeated_rows"}
    | {"same_sweep", "shared_unknown", "simulated", "wiring", "polarity", "assumed_ambient", "magnet_open"}
    | {"on_trust", "other_resistance", "coarse", "state_assumed", "scatter"}
)
"""Notes that say what was assumed, held or left out; the other ones tell that something is as it should be."""


CONTRADICTS = frozenset(
    {"states_disagree", "strained_input", "dc_resistance", "other_resistance", "re_above_curve", "sample_rate"}
)
"""Warnings that name the figure which the sweeps contradict: the first to be read."""


@dataclass(frozen=True)
class Gathered:
    """One remark, with all the sweeps that it is about."""

    severity: Severity
    sentence: str
    matters: bool  # whether it is grave, or says what was taken on trust


def gathered(notes: Iterable[QualityNote], sweeps: int = 0) -> list[Gathered]:
    """Return each remark once, the gravest first, then what names a contradicted figure, with its sweeps.

    Of a remark on all of so many `sweeps` they are not named.
    """
    about: dict[tuple[str, Severity, str], list[int]] = {}
    for note in notes:
        about.setdefault((note.code, note.severity, note.message), []).extend(
            [] if note.sweep is None else [note.sweep + 1]
        )
    found = []
    rank = ("refuse", "warn", "note")
    for (code, severity, message), numbers in about.items():
        place = f"sweep{'s'[: len(numbers) > 1]} {_runs(numbers)}: " if numbers and len(set(numbers)) != sweeps else ""
        told = Gathered(severity, place + message, severity != "note" or code in TAKEN)
        found.append(((rank.index(severity), not told.matters, code not in CONTRADICTS), told))
    return [told for _, told in sorted(found, key=lambda each: each[0])]


def _runs(numbers: Iterable[int]) -> str:
    """Numbers in their order, three and more in a row by their ends."""
    runs: list[list[int]] = []
    for number in sorted(set(numbers)):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(f"{run[0]} to {run[-1]}" if len(run) > 2 else ", ".join(map(str, run)) for run in runs)
