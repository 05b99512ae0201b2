"""Whether the resistance of leads was taken off the magnitude of an impedance, and its phase was left as it was.

Measuring boxes that are zeroed with their leads shorted, and spreadsheets, take a resistance r off |Z|. What they state is
|Z + r| − r with the phase of Z + r, which belongs to nothing linear and steady: it breaks the Kramers-Kronig relations by a
share of r/|Z|. The true Z is the stated one plus r (e^jφ − 1), linear in r, so that the test of those relations tells r.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np

from tsfit.base.arrays import Complex, Mask
from tsfit.base.notes import QualityNote
from tsfit.circuit.kramers_kronig import kramers_kronig
from tsfit.driver.curve import ImpedanceCurve

LEAST, BETTER = 3e-3, 0.85
"""Residual of the relations from which it is looked for, and the factor on it that tells: of one that no lead explains,
other faults take as much."""
MOST = 0.5
"""Greatest resistance of leads, as a share of the least magnitude stated; no source."""
FEWEST = 40
"""Points below which nothing is said."""
UNSURE = 0.5
"""Standard uncertainty of what is put back, as a share of it, before the circuit has its say."""
LEADS = "leads"
"""Code of the remark."""


def turned(curve: ImpedanceCurve) -> Complex:
    """Change of Z (n,), ohm, for each ohm that was taken off its magnitude."""
    z = curve.impedance_ohm
    return np.asarray(z / np.abs(z) - 1.0, dtype=np.complex128)


def taken_off(curve: ImpedanceCurve, used: Mask) -> tuple[float, float, float] | None:
    """Ohm that were taken off the magnitude, and by how much the relations are broken before and after; None where none.

    Only the points `used` (n,) tell. A fault of the phase alone, constant or a delay, must not explain as much.
    """
    f, z = curve.frequency_hz[used], curve.impedance_ohm[used]
    if len(f) < FEWEST:
        return None
    before = kramers_kronig(f, z).rms
    if before < LEAST:
        return None
    found = kramers_kronig(f, z, fault=-turned(curve)[used])
    rivals = (1j * z, 1j * f * z / f[-1])
    if found.rms > BETTER * before or not 0.0 < found.amount < MOST * float(np.min(np.abs(z))):
        return None
    if any(kramers_kronig(f, z, fault=rival).rms < found.rms for rival in rivals):
        return None
    return found.amount, before, found.rms


def put_back(curve: ImpedanceCurve, used: Mask) -> ImpedanceCurve:
    """Return `curve` with what was taken off its magnitude put right, and that said; as it is where nothing was."""
    found = taken_off(curve, used) if "magnitude" in str(curve.provenance.get("columns", "")) else None
    if found is None:
        return curve
    ohm, before, after = found
    shift = ohm * turned(curve)
    message = (
        f"{ohm:.2g} ohm of leads were taken off the magnitude alone, which with its phase breaks the Kramers-Kronig "
        f"relations by {100.0 * before:.2g} %, and with that put right by {100.0 * after:.2g} %. The fit puts it right; "
        "measure with short leads, or take their resistance off the real part."
    )
    return replace(
        curve,
        impedance_ohm=curve.impedance_ohm + shift,
        systematic={**curve.systematic, f"leads taken off {Path(curve.source).name}": UNSURE * shift},
        notes=(*curve.notes, QualityNote(LEADS, "warn", message)),
    )
