"""What becomes of a bench with something wrong: found, harmless, on trust, or silent."""

from __future__ import annotations

import re
from dataclasses import dataclass

from tsfit.base.errors import TsfitError
from tsfit.base.notes import TAKEN
from tsfit.bench.fit import fit_bench


@dataclass(frozen=True)
class Verdict:
    """`sigmas` and `percent` are the largest error left, of Re, Fs, the Qs and Mms; `said` is what a person reads."""

    word: str
    sigmas: float = 0.0
    percent: float = 0.0
    said: str = ""


def judged(bench, truth, words, trusted=None):
    """Fit a bench whose truth is known: `words` name the fault, `trusted` says that it was taken on trust."""
    try:
        found = fit_bench(bench)
    except TsfitError as error:
        return Verdict("refused" if re.search(words, error.message) else "misnamed", said=error.message)
    said = "; ".join(note.message for note in found.quality if note.severity == "warn" or note.code in TAKEN)
    warned = any(note.severity == "warn" for note in found.quality)
    off = [(found.parameters[name].value - value, found.parameters[name].stdev, value) for name, value in truth.items()]
    # What is held has no uncertainty.
    sigmas = max(abs(apart) / max(stdev, 1e-9 * value) for apart, stdev, value in off)
    percent = max(abs(100.0 * apart / value) for apart, _, value in off)
    wrong = any(abs(apart) > max(3.0 * stdev, 0.01 * value) for apart, stdev, value in off)
    trusts = [note.message for note in found.quality if trusted and trusted in note.message]
    # What a healthy bench takes on trust too names no fault.
    named = re.search(words, "; ".join(n.message for n in found.quality if n.severity == "warn" or n.code in NAMES))
    word = "found" if named else "harmless" if not wrong else "on trust" if trusts else "warned of" if warned else "SILENT"
    return Verdict(word, sigmas, percent, said)


NAMES = ("other_resistance", "coarse", "mass_assumed", "held", "dc_resistance", "excluded_band")
"""Notes that name a cause, without a warning where it may be harmless."""
