"""Add entries to a log until killed; print the hours of each once it is said to be safe. Arguments: log, hours, count."""

import sys
from pathlib import Path

import numpy as np
from made_histories import FRESH, made_fit

from tsfit.drift.entry import entry_of
from tsfit.drift.log import add_entry

log, first, count = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
fit = made_fit(FRESH, np.random.default_rng(first), (0.0, 0.0))
for hours in range(first, first + count):
    add_entry(log, entry_of(fit, float(hours)))
    print(hours, flush=True)
