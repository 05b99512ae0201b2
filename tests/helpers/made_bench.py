"""A bench of curves of a known driver, quick to fit: for what is asked of a bench file and not of a recording."""

from pathlib import Path

import numpy as np

from helpers.made_curves import MASS, make
from tsfit.formats.curve import write_curve

MODELS = {"coil": "ladder-2", "suspension": "ideal"}
"""What the driver has; a fit with these alone looks for no others."""
FORCED = ["--coil", "ladder-2", "--suspension", "ideal"]
NAME = "Sanderling 12"


def made_bench(folder: Path, more: str = "") -> Path:
    """Write a bench of two sweeps, in free air and with 40 g on the cone, and `more` at its end."""
    curves, area, _ = make(("free air", "added mass"), np.random.default_rng(1), errors=False)
    text = f'[driver]\nname = "{NAME}"\nsd_cm2 = {1e4 * area.value:g}\nsd_uncertainty_cm2 = {1e4 * area.uncertainty:g}\n'
    for curve, state in curves:
        (folder / curve.source).unlink(missing_ok=True)
        write_curve(curve, folder / curve.source)
        text += f'[[sweep]]\ncurve = "{curve.source}"\nstate = "{state.kind}"\n'
        if state.mass is not None:
            text += f"mass_g = {1e3 * MASS:g}\nmass_uncertainty_g = {1e3 * state.mass_uncertainty:g}\n"
    path = folder / "bench.toml"
    path.write_text(text + more)
    return path
