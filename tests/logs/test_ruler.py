"""Places on long axes, against numpy's search."""

import numpy as np
import pytest

from phasewright.logs.clocks.ruler import LONG, lay_ruler


@pytest.mark.parametrize("kind", ["even", "jittered", "doubled", "gaps", "bursts"])
def test_places_are_those_of_a_search(kind):
    generator = np.random.default_rng(7)
    n = LONG + 1000
    knot = np.arange(n) * 0.025 + 12.0
    if kind == "jittered":
        knot = knot + generator.uniform(0.0, 0.02, n)
    elif kind == "doubled":
        knot = np.sort(np.concatenate([knot[::2], knot[::2]]))
    elif kind == "gaps":
        knot[n // 2 :] += 400.0
    elif kind == "bursts":
        knot = np.sort(np.concatenate([knot, 100.0 + np.arange(200) * 1e-6]))
    ruler = lay_ruler(knot)
    assert bool(ruler.rate) == (kind != "bursts")
    asked = np.concatenate([
        generator.uniform(knot[0] - 5.0, knot[-1] + 5.0, 5000), knot[::7], np.nextafter(knot[::11], -np.inf),
        [-np.inf, np.inf],
    ])  # fmt: skip
    assert np.array_equal(ruler.count_until(asked), np.searchsorted(knot, asked, side="right"))


def test_short_or_still_axes_are_searched():
    assert lay_ruler(np.zeros(0)).rate == 0.0
    assert lay_ruler(np.zeros(LONG + 1)).rate == 0.0
    assert lay_ruler(np.arange(10.0)).count_until(np.array([3.5])).tolist() == [4]
