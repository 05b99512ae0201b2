"""One driver fitted at two levels, for what is read off a fit."""

import pytest
from helpers.made_travel import fitted_once


@pytest.fixture(scope="session")
def fitted(made_once):
    """Truth and fit of an 18-inch driver, three quarters of a second a level."""
    return fitted_once(made_once)
