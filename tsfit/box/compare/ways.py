"""The ways in which drivers are compared, and their names for people."""

from typing import Literal, TypeAlias

Way: TypeAlias = Literal[
    "equal voltage",
    "equal power",
    "rated power",
    "rated power, hot",
    "peak power",
    "travel limit",
    "10 % distortion",
    "limits",
]
TITLES: dict[Way, str] = {
    "equal voltage": "2.83 V at each",
    "equal power": "1 W at each, into its Re",
    "rated power": "each at its rated power",
    "rated power, hot": "each at its rated power, hot",
    "peak power": "each at its peak power",
    "travel limit": "each at its Xmax",
    "10 % distortion": "each at the travel of 10 % distortion",
    "limits": "each at its loudest",
}
USUAL: tuple[Way, ...] = ("equal power", "limits")
"""What is told where nothing was asked for."""
MEASURED_WAYS: tuple[Way, ...] = ("rated power, hot", "10 % distortion")
"""They ask for what was measured at power and at full travel."""
