"""The model's heat in time against python-control, an independent library of linear systems."""

import control
import numpy as np

from phasewright.model.transient import lag


def test_lags_are_the_response_of_first_order_systems():
    generator = np.random.default_rng(4)
    constants = np.array([1.2, 25.0, 300.0])
    width = np.full(240, 2.0)
    drives = np.repeat(generator.uniform(0.0, 50.0, (3, 8)), 30, axis=1)
    start = drives[:, 0] * 0.5
    found = lag(drives, constants, width, start)
    fine = 40  # moments a cell; the mean over a cell is their trapezoidal mean
    time = np.arange(240 * fine + 1) * (2.0 / fine)
    for index, tau in enumerate(constants):
        system = control.ss([[-1.0 / tau]], [[1.0 / tau]], [[1.0]], 0.0)
        held = control.sample_system(system, 2.0 / fine, method="zoh")
        drive = np.r_[np.repeat(drives[index], fine), drives[index, -1]]
        state = control.forced_response(held, time, drive, initial_state=start[index]).outputs
        cells = state[:-1].reshape(240, fine)
        ends = np.r_[state[fine::fine]]
        mean = (cells.sum(axis=1) + 0.5 * (ends - cells[:, 0])) / fine
        np.testing.assert_allclose(found[index], mean, rtol=1e-3, atol=2e-2)
