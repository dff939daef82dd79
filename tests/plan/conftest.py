"""The demonstration's bench, and what its part data let one believe."""

from dataclasses import replace

import numpy as np
import pytest

from phasewright.live.virtual.demo import demo_bench
from phasewright.model import fitted_prior, prior_of


@pytest.fixture(scope="session")
def bench():
    return demo_bench()


@pytest.fixture(scope="session")
def fitted(bench):
    return fitted_prior(prior_of(bench))


@pytest.fixture(scope="session")
def blind(fitted):
    """The same, knowing next to nothing of the ways that heat takes."""
    wide = [6.0 if name in ("stage_rise", "plate_rise", "package_rise") else 1.0 for name in fitted.prior.names]
    return replace(fitted, covariance=np.diag(np.square(wide)))


@pytest.fixture(scope="session")
def board(tmp_path_factory):
    """A campaign folder in which the three mildest steps of the demonstration have been measured (simulated)."""
    from phasewright.live import demo_scenario, make_campaign

    scenario = demo_scenario()
    mild = [step for step in scenario.steps if step.package_power == 210.0 and step.phase_count >= 6]
    steps = tuple(replace(step, baseline=number == 0) for number, step in enumerate(mild))
    folder = tmp_path_factory.mktemp("plan") / "my-board"
    make_campaign(folder, replace(scenario, steps=steps), 1)
    return folder
