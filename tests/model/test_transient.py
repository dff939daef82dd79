"""Heat in time: the lags on uneven cells against general-purpose solvers of differential equations."""

import numpy as np
import pytest
from scipy import signal
from scipy.integrate import solve_ivp

from phasewright.model.transient import TIMES, lag, temperature_history

WIDTH = np.array([2.0, 2.0, 2.0, 6.0, 6.0, 12.0, 12.0, 2.0, 2.0, 6.0])
EDGES = np.concatenate([[0.0], np.cumsum(WIDTH)])


def test_lag_against_scipy_solve_ivp():
    """tau dx/dt = u - x with u constant in each cell; cell means by integrating x along."""
    drive = np.array([10.0, 10.0, 40.0, 40.0, 35.0, 35.0, 35.0, 5.0, 5.0, 5.0])
    for time in (3.5, 25.0, 130.0):
        state, means = 12.0, []
        for k, width in enumerate(WIDTH):
            found = solve_ivp(lambda t, y, u=drive[k], tau=time: [(u - y[0]) / tau, y[0]], (0.0, width), [state, 0.0],
                              rtol=1e-10, atol=1e-12)  # fmt: skip
            state = found.y[0, -1]
            means.append(found.y[1, -1] / width)
        ours = lag(drive[None, :], np.array([time]), WIDTH, np.array([12.0]))[0]
        assert ours == pytest.approx(np.array(means), rel=1e-8)


def test_three_paths_against_scipy_signal_as_one_linear_system():
    """The paths in parallel as a state-space system, driven at ten steps a second by scipy.signal.lsim."""
    p = {"quick_share": 0.6, "late_share": 0.4, "plate_share": 0.3, "package_share": 0.2, "quick_time": 3.5,
         "stage_time": 25.0, "plate_time": 95.0, "package_time": 130.0, "stage_rise": 2.4}  # fmt: skip
    own = np.array([0.5] * 3 + [4.0] * 4 + [2.0] * 3)
    stage, plate, behind = 2.4 * own, np.linspace(30.0, 31.0, 10) + 0.1 * 6.0 * own, np.full(10, 0.02 * 150.0)
    ours, settled = temperature_history(
        {name: np.float64(value) for name, value in p.items()}, own, plate, behind, WIDTH, np.zeros(2)
    )
    fine = np.arange(0.0, EDGES[-1], 0.1)
    cell = np.searchsorted(EDGES, fine + 1e-9, side="right") - 1
    drives = np.stack([
        0.6 * stage, 0.4 * 0.6 * stage + 0.3 * plate + 0.2 * behind, 0.4 * 0.4 * stage + 0.7 * plate, 0.8 * behind,
    ])  # fmt: skip
    total = np.zeros(len(fine))
    for name, drive in zip(TIMES, drives, strict=True):
        tau = p[name]
        # Zero-order hold: the drive is constant within each tenth of a second.
        system = signal.cont2discrete((np.array([[-1 / tau]]), np.array([[1 / tau]]), np.eye(1), np.zeros((1, 1))), 0.1)
        _, y, _ = signal.dlsim(system, drive[cell][:, None], x0=[drive[0]])
        total += y[:, 0]
    # Means of samples at the left of each tenth: half a tenth early.
    means = np.array([total[cell == k].mean() for k in range(10)])
    assert ours == pytest.approx(means, abs=0.12)
    assert settled == pytest.approx(drives.sum(axis=0), rel=1e-12)


def test_a_drive_that_stands_still_stays_where_it_is():
    ours = lag(np.full((1, 10), 7.0), np.array([25.0]), WIDTH, np.array([7.0]))
    assert ours == pytest.approx(7.0, rel=1e-14)
