"""Propagation of distributions: JCGM 101:2008 (reference-values ME-10, ME-11)."""

import math

import numpy as np
import pytest

from phasewright.quantity import Part, monte_carlo, propagate, value_from_parts, values_from_covariance


def rectangle(low, high, unit, source):
    return value_from_parts(
        0.5 * (low + high), unit, [Part(source, 0.5 * (high - low) / math.sqrt(3.0), "rectangular")]
    )


def four(shapes_and_u):
    return {
        name: value_from_parts(0.0, "1", [Part(name, u, shape)])
        for name, (shape, u) in zip("abcd", shapes_and_u, strict=True)
    }


def total(a, b, c, d):
    return a + b + c + d


@pytest.mark.parametrize(
    ("inputs", "u", "half", "digits"),
    [
        (four([("normal", 1.0)] * 4), 2.00, 3.92, 0.03),
        (four([("rectangular", 1.0)] * 4), 2.00, 3.879, 0.03),
        (four([("rectangular", 1.0)] * 3 + [("rectangular", 10.0)]), 10.15, 17.0, 0.1),
    ],
)
def test_me_10_jcgm_101_clause_92(inputs, u, half, digits):
    """Clause 9.2: u 2.00 and +-3.92; u 2.00 and +-3.88; u 10.1 and +-17.0 (where the GUM frame says +-19.9)."""
    found = monte_carlo(total, inputs, 300_000, np.random.default_rng(101))
    assert found.u == pytest.approx(u, rel=0.006)
    assert found.low95 == pytest.approx(-half, abs=digits)
    assert found.high95 == pytest.approx(half, abs=digits)
    framework = propagate(total, inputs, "1")
    assert framework.high95 == pytest.approx(half, rel=0.005)


def test_me_11_jcgm_101_mass_calibration():
    """Clause 9.3, Table 6: 1.2340 mg, u 0.0754, shortest interval [1.0834, 1.3825] (+-0.002 for the draws)."""
    inputs = {
        "reference": value_from_parts(100_000.0, "mg", [Part("m_R", 0.050)]),
        "added": value_from_parts(1.234, "mg", [Part("dm", 0.020)]),
        "air": rectangle(1.10, 1.30, "kg/m3", "air"),
        "weight": rectangle(7000.0, 9000.0, "kg/m3", "weight"),
        "standard": rectangle(7950.0, 8050.0, "kg/m3", "standard"),
    }

    def deviation(reference, added, air, weight, standard):
        return (reference + added) * (1.0 + (air - 1.2) * (1.0 / weight - 1.0 / standard)) - 100_000.0

    found = monte_carlo(deviation, inputs, 1_000_000, np.random.default_rng(3), unit="mg", interval="shortest")
    assert found.value == pytest.approx(1.2340, abs=0.0004)
    assert found.u == pytest.approx(0.0754, abs=0.0003)
    assert found.low95 == pytest.approx(1.0834, abs=0.002)
    assert found.high95 == pytest.approx(1.3825, abs=0.002)
    # First order misses the product of density errors: JCGM 101 gives 0.0539 for the GUM frame.
    assert propagate(deviation, inputs, "mg").u == pytest.approx(0.0539, abs=5e-5)


def test_shared_sources_are_drawn_once():
    a = value_from_parts(10.0, "W", [Part("gain", 1.0, "rectangular")])
    b = value_from_parts(20.0, "W", [Part("gain", 2.0, "rectangular")])
    found = monte_carlo(lambda a, b: b - 2.0 * a, {"a": a, "b": b}, 1000, np.random.default_rng(1), unit="W")
    assert found.u == pytest.approx(0.0, abs=1e-12)


def test_same_generator_same_result():
    inputs = four([("normal", 1.0)] * 4)
    one, other = (monte_carlo(total, inputs, 100_000, np.random.default_rng(7)) for _ in range(2))
    assert one == other


def test_few_degrees_of_freedom_draw_students_variable():
    """The 97.5 % point of Student's variable with 4 degrees of freedom is 2.776 (any table)."""
    found = monte_carlo(
        lambda x: x,
        {"x": value_from_parts(0.0, "1", [Part("x", 1.0, "student", 4.0)])},
        300_000,
        np.random.default_rng(2),
    )
    assert found.high95 == pytest.approx(2.776, abs=0.03)


def test_sources_of_one_estimate_share_its_doubt():
    """Both parameters of one fit with 4 degrees of freedom: their sum is Student with 4, not something narrower."""
    both = values_from_covariance([0.0, 0.0], ["1", "1"], np.eye(2), "fit", dof=4.0)
    inputs = dict(zip("ab", both, strict=True))
    found = monte_carlo(lambda a, b: (a + b) / math.sqrt(2.0), inputs, 300_000, np.random.default_rng(4))
    assert found.high95 == pytest.approx(2.776, abs=0.03)
    assert propagate(lambda a, b: (a + b) / math.sqrt(2.0), inputs, "1").high95 == pytest.approx(2.776, abs=0.001)


def test_shortest_interval_of_a_lopsided_result():
    """The square of a normal variable: shortest 95 % is [0, 3.841] (chi-square table), symmetric [0.00098, 5.024]."""
    inputs = {"x": value_from_parts(0.0, "1", [Part("x", 1.0)])}
    shortest, symmetric = (
        monte_carlo(lambda x: x * x, inputs, 300_000, np.random.default_rng(6), interval=name)
        for name in ("shortest", "symmetric")
    )
    assert (shortest.low95, shortest.high95) == pytest.approx((0.0, 3.841), abs=0.04)
    assert (symmetric.low95, symmetric.high95) == pytest.approx((0.00098, 5.024), abs=0.05)


def test_sources_of_one_estimate_stray_together():
    """Both beyond 2.776: E[(2 Phi(-2.776 sqrt(w/4)))^2] over w chi-square with 4, by quadrature (bivariate Student)."""
    from scipy import integrate, stats

    expected = integrate.quad(
        lambda w: (2.0 * stats.norm.cdf(-2.776 * math.sqrt(w / 4.0))) ** 2 * stats.chi2.pdf(w, 4), 0.0, np.inf
    )[0]
    both = dict(zip("ab", values_from_covariance([0.0, 0.0], ["1", "1"], np.eye(2), "fit", dof=4.0), strict=True))
    found = monte_carlo(
        lambda a, b: 1.0 * ((np.abs(a) > 2.776) & (np.abs(b) > 2.776)), both, 300_000, np.random.default_rng(5)
    )
    assert found.value == pytest.approx(expected, rel=0.06)
    assert expected > 3.0 * 0.05**2
