"""Whether the second harmonic of an instrument's sweep stands in a curve: a ripple about twice Fs.

In an exponential sweep a harmonic meets its frequency before the tone itself does, by the time of an octave (Farina, AES
108th Convention, 2000; from memory). Read as an impedance it goes with e^jωT, before its cause, as no circuit does and no
echo; T is what the ringing of the resonance leaves of that time.
"""

import math

import numpy as np

from tsfit.base.arrays import Complex, Real
from tsfit.base.figures import in_figures
from tsfit.base.notes import QualityNote
from tsfit.fitting.solve import Solved

BAND = (1.25, 3.0)
"""Where it is looked for, over Fs: twice where a cone of common Q moves much."""
TREND = 4
"""Terms of the smooth course, by the logarithm of frequency, that is taken off first."""
LEAST, SURE, AGAIN = 0.35, 11.0, 3.0
"""Share of what is left in the band that one T must take; that times the points, which chance makes once in a thousand
curves; and how much less any T after the cause may. Four curves by others have 0.38 to 0.55 and 5 to 50 times less."""


def harmonic_notes(best: Solved) -> list[QualityNote]:
    """Warn of poorly met sweeps in which the second harmonic stands."""
    found = []
    for sweep in best.poorly_met:
        fs = sweep.resonance_hz or best.values["Fs"]
        band = sweep.known & (sweep.frequency_hz > BAND[0] * fs) & (sweep.frequency_hz < BAND[1] * fs)
        off = np.asarray(best.misfit(sweep) / np.abs(sweep.impedance_ohm))
        early = _before_its_cause(sweep.frequency_hz[band], off[band])
        if early is None:
            continue
        before, share = early
        low, high = (in_figures(edge * fs, 2) for edge in BAND)
        message = (
            f"From {low} to {high} Hz the curve ripples as the second harmonic of a fast sweep makes it, "
            f"{in_figures(1e3 * before, 2)} ms before its cause ({100.0 * share:.0f} % of what is missed unevenly there); "
            "sweep more quietly, which lowers it, or slower, which narrows it."
        )
        found.append(QualityNote("sweep_harmonic", "warn", message, sweep.number))
    return found


def _before_its_cause(f: Real, off: Complex) -> tuple[float, float] | None:
    """T in s, and the share that e^jωT takes of the misfit `off` (n,); None where it is not sure."""
    if len(f) <= SURE:
        return None
    x = np.log(f / math.sqrt(f[0] * f[-1]))
    smooth = np.linalg.qr(np.vander(x, TREND))[0]
    off = off - smooth @ (smooth.T @ off)
    farthest, width = 0.5 / float(np.median(np.diff(f))), float(f[-1] - f[0])
    t = np.arange(1.0 / width, farthest, 0.125 / width)
    early, late = (np.abs(np.exp(-2j * math.pi * side * np.outer(t, f)) @ off) ** 2 for side in (1.0, -1.0))
    whole = len(f) * float(np.sum(np.abs(off) ** 2))
    # What turns slowly may be a smooth misfit, on either side.
    apart = t > 4.0 / width
    if not whole or not np.any(apart):
        return None
    top = int(np.argmax(np.where(apart, early, 0.0)))
    share = float(early[top]) / whole
    peaked = early[top] >= early[top - 1]
    sure = peaked and share > max(LEAST, SURE / len(f)) and early[top] > AGAIN * np.max(late[apart])
    return (float(t[top]), share) if sure else None
