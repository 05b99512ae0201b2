"""Add entries to a log until killed; print the hours of each once it is said to be safe. Arguments: log, hours, count."""

import sys
from pathlib import Path

import numpy as np
from made_histories import FRESH, made_fit

from tsfit.drift.entry import entry_of
from tsfit.drift.log import add_entry


def main(log, first, count=100000):
    fit = made_fit(FRESH, np.random.default_rng(int(first)), (0.0, 0.0))
    for hours in range(int(first), int(first) + int(count)):
        add_entry(Path(log), entry_of(fit, float(hours)))
        print(hours, flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
