"""Where things lie."""

from pathlib import Path

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_data"
RIGS = ROOT / "rigs"
SHARED = ROOT.parent / "shared" / "data"
