"""The rule of conformity against ISO 14253-1 and JCGM 106, numbers from memory, probabilities from scipy.stats."""

import numpy as np
import pytest
from scipy.stats import norm

from tsfit.base.conformity import conformity


# ISO 14253-1: zones of a two-sided tolerance; T = 10, U = 2, worked by hand from the rule. The edges belong to the zone
# that claims less: exactly T − U is still proven inside, exactly T + U is not yet proven outside.
@pytest.mark.against("zones of conformity", "ISO 14253-1, worked by hand", "exact")
@pytest.mark.parametrize(
    ("deviation", "verdict"),
    [
        (0.0, "inside"), (7.99, "inside"), (8.0, "inside"), (8.01, "undecided"), (10.0, "undecided"), (12.0, "undecided"),
        (12.01, "outside"), (-8.0, "inside"), (-8.01, "undecided"), (-12.0, "undecided"), (-12.01, "outside"),
    ],
)  # fmt: skip
def test_zones_of_a_two_sided_tolerance(deviation, verdict):
    assert conformity(deviation, 10.0, 2.0) == verdict


def test_an_uncertainty_as_wide_as_the_tolerance_proves_nothing_inside_but_the_centre():
    assert conformity(0.0, 1.0, 1.0) == "inside"
    assert conformity(0.01, 1.0, 1.0) == "undecided"
    assert conformity(0.0, 1.0, 1.01) == "undecided"
    assert conformity(2.02, 1.0, 1.01) == "outside"


def test_without_uncertainty_the_tolerance_itself_decides():
    assert conformity(1.0, 1.0, 0.0) == "inside"
    assert conformity(np.nextafter(1.0, 2.0), 1.0, 0.0) == "outside"


@pytest.mark.against("conformity of a worked example", "JCGM 106:2012, 7.4, from memory", "verdicts; probability to 0.005")
def test_breakdown_voltage_of_a_zener_diode():
    # JCGM 106:2012, clause 7.4, example (from memory): limit −5.40 V, measured −5.47 V, u = 0.05 V, probability of
    # conformity Φ(1.4) = 0.92: more likely than not, yet short of the 97.7 % that U = 2u asks for.
    limit, measured, u = -5.40, -5.47, 0.05
    assert norm.cdf((limit - measured) / u) == pytest.approx(0.92, abs=0.005)
    nominal = limit - 1.0
    assert conformity(measured - nominal, 1.0, 2 * u) == "undecided"
    assert conformity(-5.51 - nominal, 1.0, 2 * u) == "inside"
    assert conformity(-5.29 - nominal, 1.0, 2 * u) == "outside"


@pytest.mark.against("risk behind the guard band", "JCGM 106:2012, 8.3.2, from memory; scipy.stats", "2.3 %")
def test_risks_are_those_of_a_guard_band_of_two_standard_uncertainties():
    # JCGM 106:2012, 8.3.2: with w = U = 2u no more than 2.3 % of what is accepted at one limit fails it (from memory).
    u, tolerance = 1.0, 6.0
    deviations = np.linspace(-12.005, 12.005, 2402)
    conforming = norm.cdf(tolerance, deviations, u) - norm.cdf(-tolerance, deviations, u)
    verdicts = np.array([conformity(float(d), tolerance, 2.0 * u) for d in deviations])
    worst_accepted, best_rejected = conforming[verdicts == "inside"].min(), conforming[verdicts == "outside"].max()
    undecided = conforming[verdicts == "undecided"]
    assert norm.cdf(-2.0) - 1e-3 < best_rejected < norm.cdf(-2.0) < undecided.min()
    assert undecided.max() < norm.cdf(2.0) < worst_accepted < norm.cdf(2.0) + 1e-3
