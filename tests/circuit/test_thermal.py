"""The coil's heat against the closed solution of one stage, another integrator, and differences."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from tsfit.circuit.thermal import Drive, Heating, conductance, course

COLD, ALPHA = 5.4, 0.00393
NETWORK = np.array([0.9, 55.0, 0.45, 6500.0, 0.35])


def _heating(seed=1, n=400):
    rng = np.random.default_rng(seed)
    on = np.arange(n) < 0.7 * n
    return Heating(
        seconds=rng.uniform(0.5, 4.0, n),
        square=np.where(on, rng.uniform(12.0, 18.0, n), 2e-3),
        velocity=np.where(on, rng.uniform(0.6, 0.9, n), 0.01),
        magnet_w=np.where(on, 6.0, 0.0),
    )


@pytest.mark.against("steps of the coil's thermal network", "scipy solve_ivp at 1e-10", "1e-6")
def test_another_integrator_says_the_same():
    heat = _heating()
    edges = np.concatenate([[0.0], np.cumsum(heat.seconds)])
    rtv0, ctv, rtm, ctm, g = NETWORK
    state, found = np.zeros(2), [np.zeros(2)]
    for k in range(len(heat.seconds)):

        def rate(_, x, k=k):
            flow = (x[0] - x[1]) * (1.0 / rtv0 + g * heat.velocity[k])
            power = COLD * (1.0 + ALPHA * x[0]) * heat.square[k]
            return [(power - flow) / ctv, (flow - x[1] / rtm + heat.magnet_w[k]) / ctm]

        state = solve_ivp(rate, edges[k : k + 2], state, method="DOP853", rtol=1e-10, atol=1e-10).y[:, -1]
        found.append(state)
    rise, _ = course(NETWORK, COLD, ALPHA, heat)
    assert rise == pytest.approx(np.array(found), rel=1e-6, abs=1e-8)
    assert rise[:, 0].max() > 50.0


@pytest.mark.against("step of power into one thermal stage", "its closed solution", "1e-6")
def test_one_stage_alone_rises_by_its_exponential():
    """A magnet at ambient, by a path to the air without resistance; a coil whose resistance does not change."""
    n = 50
    heat = Heating(np.full(n, 2.0), np.full(n, 10.0), np.zeros(n), np.zeros(n))
    rise, _ = course(np.array([0.8, 40.0, 1e-9, 1e5, 0.0]), 5.0, 0.0, heat)
    t = 2.0 * np.arange(n + 1)
    assert rise[:, 0] == pytest.approx(50.0 * 0.8 * (1.0 - np.exp(-t / 32.0)), rel=1e-6)


def test_both_stages_come_to_rest_where_all_heat_flows_through_both():
    heat = Heating(np.full(400, 300.0), np.full(400, 8.0), np.full(400, 0.5), np.full(400, 5.0))
    rise, _ = course(NETWORK, COLD, ALPHA, heat)
    coil, magnet = rise[-1]
    power = COLD * (1.0 + ALPHA * coil) * 8.0
    assert magnet == pytest.approx(0.45 * (power + 5.0), rel=1e-9)
    assert coil - magnet == pytest.approx(power / conductance(NETWORK, 0.5), rel=1e-9)


@pytest.mark.parametrize("which", range(6))
def test_derivatives_are_differences(which):
    heat = _heating(2, 60)
    at = np.append(NETWORK, COLD)

    def moved(by):
        x = at.copy()
        x[which] *= 1.0 + by
        return course(x[:5], x[5], ALPHA, heat)[0]

    step = 1e-4
    expected = (8.0 * (moved(step) - moved(-step)) - moved(2.0 * step) + moved(-2.0 * step)) / (12.0 * step * at[which])
    found = course(NETWORK, COLD, ALPHA, heat)[1][which]
    assert found == pytest.approx(expected, rel=1e-6, abs=1e-7 * np.abs(expected).max())


NETWORKS = np.array(
    [
        [3.0, 40.0, 1.0, 2500.0, 0.0],
        [2.0, 15.0, 2.0, 900.0, 0.5],
        [0.01, 0.002, 1.0, 2500.0, 0.1],
        [5.0, 1e-4, 0.5, 3e3, 0.1],
    ]
)
"""An ordinary coil, one that the cone cools, and two that a run too short to tell would allow: hot within milliseconds."""


@pytest.mark.against("rise of a coil from cold under a steady drive", "SciPy's solve_ivp, Radau", "0.2 %")
def test_a_steady_drive_warms_every_coil_as_another_integrator_says():
    seconds = [1.0, 60.0, 3600.0, 1e5]
    laws = (lambda ohm: 1.0 / (ohm + 1.0) ** 2, lambda ohm: 0.05 * np.ones_like(ohm))
    found = Drive(NETWORKS, np.full(4, 5.0), 0.0039, 1.0, *laws).warmed(900.0, seconds)
    for k, (rtv, ctv, rtm, ctm, g) in enumerate(NETWORKS):

        def rate(_, rise, rtv=rtv, ctv=ctv, rtm=rtm, ctm=ctm, g=g):
            ohm = 5.0 * (1.0 + 0.0039 * rise[0])
            square = 900.0 / (ohm + 1.0) ** 2
            flow = (rise[0] - rise[1]) * (1.0 / rtv + g * np.sqrt(square))
            return [(ohm * square - flow) / ctv, (flow - rise[1] / rtm + 0.05 * square) / ctm]

        truth = solve_ivp(rate, (0.0, 1e5), [0.0, 0.0], method="Radau", rtol=1e-8, atol=1e-8, t_eval=seconds)
        assert [rise[k] for rise in found] == pytest.approx(truth.y[0], rel=2e-3)
