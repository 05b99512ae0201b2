"""Bring two entries of a log to one circuit model by fitting their sweeps anew, where these can still be found."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from tsfit.base.errors import TsfitError
from tsfit.base.files import sha256
from tsfit.base.notes import QualityNote
from tsfit.bench.fit import fit_bench
from tsfit.drift.change import DriftChange, compare
from tsfit.drift.entry import Entry, entry_of
from tsfit.drift.history import history, pick
from tsfit.drift.log import Log


def change_between(
    log: Log, one: str, other: str, *, on_step: Callable[[str], None] = lambda step: None
) -> tuple[Entry, Entry, DriftChange]:
    """Tell what changed between two entries, and return them as compared: with one circuit model, fitted anew if needed.

    `one` and `other` are numbers in the order of hours, "first" or "last"; `on_step` is told what is being done.

    Raises TsfitError ``usage`` for an entry that is not there; ``empty_log``.
    """
    judged = history(log)
    first, second = pick(judged, one), pick(judged, other)
    first, second, notes = with_common_model(first, second, on_step=on_step)
    found = compare(first, second, judged.repeatability)
    # Entries that do not count cannot be picked, and "first" may then be another one, or the same as "last".
    copies = [note for note in judged.notes if note.code == "same_sweep"]
    return first, second, replace(found, notes=(*copies, *notes, *found.notes))


def with_common_model(
    first: Entry, other: Entry, *, on_step: Callable[[str], None] = lambda step: None
) -> tuple[Entry, Entry, tuple[QualityNote, ...]]:
    """Return both entries under one coil and suspension model, and what was done or why it could not be.

    The sweeps are fitted anew where the bench file still lies beside the fit and is the one that was fitted; the first
    entry's models are tried before the other's.
    """
    if (first.coil, first.suspension) == (other.coil, other.suspension):
        return first, other, ()
    reasons = []
    for model, wanting in ((first, other), (other, first)):
        try:
            on_step(f"fitting {wanting.hours:g} h with coil {model.coil}, suspension {model.suspension}")
            again = _refit(wanting, model)
        except TsfitError as error:
            reasons.append(error.message)
            continue
        message = (
            f"The circuit models differed; the sweeps at {wanting.hours:g} h were fitted anew with coil {model.coil}, "
            f"suspension {model.suspension}."
        )
        note = QualityNote("refitted", "note", message)
        return (first, again, (note,)) if wanting is other else (again, other, (note,))
    return first, other, (QualityNote("not_refitted", "warn", f"No fit with a common model: {reasons[0]}"),)


def _refit(entry: Entry, model: Entry) -> Entry:
    bench = _bench_of(entry)
    again = entry_of(fit_bench(bench, coil=model.coil, suspension=model.suspension), entry.hours)
    return replace(again, added=entry.added)


def _bench_of(entry: Entry) -> Path:
    fit, bench = entry.source("fit").get("file"), entry.source("bench")
    if fit is None or "file" not in bench:
        raise TsfitError(
            f"the entry at {entry.hours:g} h names no bench file; fit both with one --coil and --suspension and log them.",
            code="no_bench",
        )
    path: Path = Path(str(fit)).parent / str(bench["file"])
    if not path.is_file() or sha256(path) != bench["sha256"]:
        message = (
            f"{path}: is not there, or not as it was at {entry.hours:g} h; put it back or fit both with one --coil and "
            "--suspension and log them."
        )
        raise TsfitError(message, code="no_bench", file=path)
    return path
