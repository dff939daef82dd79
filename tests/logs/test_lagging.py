"""The first-order lag against the recursive filter of scipy.signal (lfilter, with its state before the record)."""

import numpy as np
import pytest
from scipy.signal import lfilter

from phasewright.logs.lagging import lagged


@pytest.mark.parametrize("lag", [0.02, 0.7, 12.0, 4000.0])
@pytest.mark.parametrize("before", [0.0, 41.5])
def test_the_lag_is_that_of_a_recursive_filter(lag, before):
    value = 40 + np.cumsum(np.random.default_rng(5).standard_normal(5000))
    keep = np.exp(-0.5 / lag)
    expected, _ = lfilter([1 - keep], [1, -keep], value, zi=[keep * before])
    np.testing.assert_allclose(lagged(value, 0.5, lag, before=before), expected, rtol=1e-9, atol=1e-9)


def test_what_rests_stays():
    assert lagged(np.full(300, 7.0), 1.0, 20.0, before=7.0) == pytest.approx(7.0)
    assert len(lagged(np.zeros(0), 1.0, 20.0)) == 0
