"""The demonstration's bench, and what its part data let one believe."""

import pytest

from phasewright.live.virtual.demo import demo_bench
from phasewright.model import fitted_prior, prior_of


@pytest.fixture(scope="session")
def bench():
    return demo_bench()


@pytest.fixture(scope="session")
def fitted(bench):
    return fitted_prior(prior_of(bench))
