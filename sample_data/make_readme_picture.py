"""Make ``compare.png``, the picture in the README, with the commands that stand there.

Run it as ``python sample_data/make_readme_picture.py [FILE]``; without FILE it writes beside itself, where none may be.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
DRIVERS = ("saltwit-12", "saltwit-12b")


def make(target: Path) -> None:
    """Fit both sample drivers and draw them side by side in closed boxes of Qtc 0.707."""

    def tsfit(*words: object) -> None:
        subprocess.run([sys.executable, "-m", "tsfit", *map(str, words)], check=True, stdout=subprocess.DEVNULL)

    with tempfile.TemporaryDirectory() as folder:
        fits = [Path(folder) / f"{name}.json" for name in DRIVERS]
        for name, fit in zip(DRIVERS, fits, strict=True):
            tsfit("fit", HERE / f"{name}-bench.toml", "-o", fit)
        sheets = [word for name in DRIVERS for word in ("--sheet", HERE / f"{name}-sheet.toml")]
        tsfit("compare", *fits, *sheets, "--qtc", 0.707, "--plot", target, "--replace")


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "compare.png")
