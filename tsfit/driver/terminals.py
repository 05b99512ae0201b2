"""What was at a driver's terminals: volts and amperes over time, and how surely they are known."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from tsfit.base.arrays import Real


@dataclass(frozen=True)
class Terminals:
    """One recording in volts and amperes.

    Attributes
    ----------
    volts, amperes : (n,) at the driver's terminals
    rate_hz : samples per second
    scales : by the name of a cause that all recordings of a rig share, the relative change of volts and of amperes for one
        standard uncertainty of it
    source : file, for messages and tables
    sha256 : of the file
    """

    volts: Real
    amperes: Real
    rate_hz: float
    scales: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    source: str = ""
    sha256: str = ""
