"""A remark on a sweep or a fit, for machines and people."""

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
