"""Sprung parts of the cone: each a mass on a spring and a damper on the moving mass (surround, dust cap, edge of the cone).

At low frequencies a part moves with the cone, so that its mass is part of Mms; beyond its own resonance it stays behind. A
driving point of any such structure is a sum of these (Foster's theorem), and so is the air of a box: a wall that gives or a
standing wave is the same element, seen in the sweeps of that box only.
"""

import math
from collections.abc import Iterable, Mapping

import numpy as np

from tsfit.base.arrays import Complex
from tsfit.circuit.coil import Values

BOX = "b"
"""Label of a part that belongs to the box."""
LABELS = ("1", "2", BOX)


def terms_of(label: str) -> tuple[str, str, str]:
    """Names of the resonance of a part (Hz), its mass over Mms, and its Q."""
    return f"Fp{label}", f"mp{label}", f"Qp{label}"


TERMS = tuple(map(terms_of, LABELS))
"""Names of the terms of each part."""


def of_box(sweep: int) -> str:
    """Label of a sprung part that belongs to the box of the sweep of that number."""
    return f"{BOX}{sweep}"


def parts_among(names: Iterable[str]) -> tuple[str, ...]:
    """Labels of the parts of the cone of whose terms the resonance is among `names`."""
    known = set(names)
    return tuple(label for label in LABELS if terms_of(label)[0] in known and label != BOX)


def at_the_peak(p: Mapping[str, float], fs: float, qms: float) -> tuple[float, float]:
    """Frequency of the peak over `fs` (Hz), and the Q that its width reads over `qms`, with the parts of the cone in `p`.

    Towards their own resonances the parts swing farther than the cone, so that the moving mass grows as 1 + g (f/fs)², to
    first order in g, the sum of their shares times (fs/f_part)²: the reactance is zero at fs (1 − g/2), and its slope
    there makes ωM/R (1 + 2g), hence Q (1 + 3g/2). What they lose themselves adds Σ share (fs/f_part)³/Q_part to 1/Q.
    """
    parts = [(p[share], fs / p[hz], p[q]) for hz, share, q in map(terms_of, parts_among(p))]
    gain = sum(share * near**2 for share, near, _ in parts)
    lost = sum(share * near**3 / q for share, near, q in parts)
    return 1.0 - 0.5 * gain, 1.0 + 1.5 * gain - qms * lost


def left_behind(s: Complex, p: Values) -> dict[str, Complex]:
    """Mechanical impedance (..., n_freq), N·s/m, that parts add to s·Mms, as derivatives by the logarithms of their terms.

    That by the logarithm of its mass is the impedance of a part itself. Empty without parts among the values `p`.
    """
    found: dict[str, Complex] = {}
    for hz, share, q in TERMS:
        if hz in p:
            w = 2.0 * math.pi * p[hz]
            damped = s * w / p[q]
            response = 1.0 / (s**2 + damped + w**2)
            found[share] = np.asarray(-p[share] * p["Mms"] * s**3 * response)
            found[hz] = -found[share] * response * (damped + 2.0 * w**2)
            found[q] = found[share] * response * damped
    return found
