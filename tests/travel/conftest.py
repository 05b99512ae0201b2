"""One driver fitted at two levels, for what is read off a fit."""

import pickle

import pytest
from helpers.made_travel import DRIVERS, levels_of, start_of

from tsfit.travel.fit import settle

SHARES = (0.3, 1.0)


@pytest.fixture(scope="session")
def fitted(made_once):
    """Truth and fit of an 18-inch driver, one second a level."""
    truth = DRIVERS[2]

    def make(folder):
        levels, _ = levels_of(truth, SHARES, period_s=1.0)
        (folder / "settled.pickle").write_bytes(pickle.dumps(settle(start_of(truth), levels)))

    return truth, pickle.loads((made_once("settled", make) / "settled.pickle").read_bytes())
