"""An invented bench with plausible part data, shared by the tests of the model room."""

import pytest

from phasewright.live import demo_scenario
from phasewright.model import fitted_prior, prior_of


@pytest.fixture(scope="session")
def bench():
    return demo_scenario().bench


@pytest.fixture(scope="session")
def untouched(bench):
    """The model of a bench on which nothing has been measured."""
    return fitted_prior(prior_of(bench))
