"""Correlation, differences and ratios, refusals, and the interval of mixed shapes."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phasewright.quantity import (
    Part,
    Value,
    correlation,
    coverage_factor,
    difference,
    monte_carlo,
    propagate,
    ratio,
    value_from_parts,
    values_from_covariance,
)
from phasewright.quantity.coverage import _iterated, half_width


def powers():
    """Two steps on one meter: 0.5 % gain shared, 0.1 W of their own scatter each."""
    return (
        value_from_parts(400.0, "W", [Part("meter/gain", 2.0, "rectangular"), Part("step 1", 0.1)]),
        value_from_parts(380.0, "W", [Part("meter/gain", 1.9, "rectangular"), Part("step 2", 0.1)]),
    )


def test_shared_gain_nearly_cancels_in_a_difference():
    a, b = powers()
    found = difference(a, b)
    assert found.value == 20.0
    assert found.u == pytest.approx(math.sqrt(0.1**2 + 0.1**2 + 0.1**2), rel=1e-12)
    assert found.u < 0.1 * a.u
    assert correlation(a, b) == pytest.approx(2.0 * 1.9 / (a.u * b.u), rel=1e-12)


def test_shared_gain_cancels_in_a_ratio():
    a, b = powers()
    found = ratio(a, b)
    assert found.unit == "1"
    assert found.u == pytest.approx(found.value * math.hypot(0.1 / 400.0, 0.1 / 380.0), rel=1e-9)


def test_a_value_less_itself_is_exactly_nothing():
    a, _ = powers()
    assert difference(a, a).u == 0.0
    assert ratio(a, a).u == pytest.approx(0.0, abs=1e-15)


def test_difference_and_ratio_agree_with_propagate():
    a, b = powers()
    for ours, function in ((difference(a, b), lambda a, b: a - b), (ratio(a, b), lambda a, b: a / b)):
        other = propagate(function, {"a": a, "b": b}, ours.unit)
        assert ours.value == other.value
        assert ours.u == pytest.approx(other.u, rel=1e-8)
        assert ours.low95 == pytest.approx(other.low95, rel=1e-8)


def test_units_of_differences_and_ratios():
    hot = value_from_parts(80.0, "degC", [Part("probe", 0.5)])
    cold = value_from_parts(30.0, "degC", [Part("probe", 0.5)])
    watts = value_from_parts(25.0, "W", [Part("meter", 0.5)])
    share = value_from_parts(0.5, "1", [])
    rise = difference(hot, cold)
    assert (rise.unit, rise.u) == ("K", 0.0)
    assert difference(hot, rise).unit == "degC"
    assert ratio(rise, watts).unit == "K/W"
    assert ratio(watts, share).unit == "W"
    with pytest.raises(ValueError, match="units differ"):
        difference(watts, rise)
    with pytest.raises(ValueError, match="no true zero"):
        ratio(hot, cold)
    with pytest.raises(ValueError, match="must not be 0"):
        ratio(watts, value_from_parts(0.0, "W", []))


def test_unknown_uncertainty_stays_unknown_and_says_whose():
    known = value_from_parts(1.0, "W", [Part("a", 0.1)])
    unknown = Value(2.0, "W", reason="the meter has no accuracy stated")
    for found in (
        propagate(lambda p, q: p + q, {"p": known, "q": unknown}, "W"),
        difference(known, unknown),
        ratio(known, unknown),
    ):
        assert found.u is None and found.low95 is None and found.high95 is None
        assert "no accuracy stated" in found.reason
    assert propagate(lambda p, q: p + q, {"p": known, "q": unknown}, "W").value == 3.0


def test_exact_inputs_add_nothing():
    found = propagate(lambda n, p: n * p, {"n": value_from_parts(8, "1", []), "p": powers()[0]}, "W")
    assert found.u == pytest.approx(8 * powers()[0].u, rel=1e-10)


def test_an_edge_of_the_function_is_unknown_not_zero():
    near = value_from_parts(0.0, "1", [Part("a", 0.1)])
    with np.errstate(invalid="ignore"):
        for function in (lambda x: float(np.sqrt(x)), math.sqrt):
            found = propagate(lambda x, function=function: function(x), {"x": near}, "1")
            assert found.u is None
            assert "x = 0" in found.reason


@pytest.mark.parametrize(
    "call",
    [
        lambda: propagate(lambda x: math.nan, {"x": powers()[0]}, "W"),
        lambda: propagate(lambda x: x, {"x": Value(1.0, "W", 0.1, 0.8, 1.2)}, "W"),
        lambda: difference(Value(1.0, "W", 0.1, 0.8, 1.2), powers()[0]),
        lambda: value_from_parts(1.0, "W", [Part("a", math.nan)]),
        lambda: value_from_parts(1.0, "W", [Part("a", 0.1, "triangular")]),
        lambda: value_from_parts(1.0, "W", [Part("a", 0.1, "student", 0.0)]),
        lambda: value_from_parts(1.0, "W", [Part("a", 0.1), Part("a", 0.1, "rectangular")]),
        lambda: values_from_covariance([1.0, 2.0], ["W", "W"], np.eye(3), "x"),
        lambda: values_from_covariance([1.0, 2.0], ["W", "W"], np.array([[1.0, 0.5], [0.0, 1.0]]), "x"),
        lambda: values_from_covariance([1.0, 2.0], ["W", "W"], np.array([[1.0, 2.0], [2.0, 1.0]]), "x"),
        lambda: correlation(powers()[0], Value(1.0, "W", reason="none")),
        lambda: coverage_factor(0.0),
        lambda: coverage_factor(5.0, 1.0),
        lambda: monte_carlo(lambda x: x, {"x": powers()[0]}, 10, np.random.default_rng(0)),
        lambda: monte_carlo(lambda x: 1.0, {"x": powers()[0]}, 1000, np.random.default_rng(0)),
        lambda: monte_carlo(lambda x: x * np.nan, {"x": powers()[0]}, 1000, np.random.default_rng(0)),
        lambda: monte_carlo(lambda x: x, {"x": Value(1.0, "W", reason="none")}, 1000, np.random.default_rng(0)),
    ],
)
def test_refusals_say_what_rule_and_mend(call):
    with pytest.raises(ValueError) as caught:
        call()
    assert str(caught.value).count(" - ") >= 2


# ---- interval ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("dof", [1.0, 2.5, 9.0, 18.9987, 1e4])
def test_student_factor_agrees_with_scipy(dof):
    from scipy import stats

    assert coverage_factor(dof) == pytest.approx(stats.t.ppf(0.975, dof), rel=1e-10)
    assert half_width([Part("a", 2.0, "student", dof)]) == pytest.approx(2.0 * stats.t.ppf(0.975, dof), rel=1e-10)


def test_normal_factor():
    """1.959964: any table of the normal distribution."""
    assert coverage_factor(math.inf) == pytest.approx(1.959963984540054, rel=1e-14)
    assert half_width([Part("a", 1.0), Part("b", 1.0)]) == pytest.approx(1.959963984540054 * math.sqrt(2.0), rel=1e-12)


def test_one_rectangle_covers_by_its_share():
    """A rectangle of half width a holds 95 % within 0.95 a (EA-4/02, S9 gives the factor 1.65; from memory)."""
    assert half_width([Part("a", 1.0, "rectangular")]) == pytest.approx(0.95 * math.sqrt(3.0), rel=1e-9)
    assert half_width([Part("a", 1.0, "rectangular")]) == pytest.approx(1.65, abs=0.005)


def test_two_equal_rectangles_are_a_triangle():
    """Triangular distribution: 95 % lies within (1 - sqrt(0.05)) of its half width (closed form)."""
    parts = [Part("a", 1.0, "rectangular"), Part("b", -1.0, "rectangular")]
    assert half_width(parts) == pytest.approx(2.0 * math.sqrt(3.0) * (1.0 - math.sqrt(0.05)), rel=1e-8)


def test_me_10_sums_of_four_inputs():
    """JCGM 101:2008 9.2: (a) 3.92 for four normals, (b) 3.879 for rectangles, (c) 17.0 where one is ten times wider."""
    assert half_width([Part(name, 1.0) for name in "abcd"]) == pytest.approx(3.92, abs=0.005)
    assert half_width([Part(name, 1.0, "rectangular") for name in "abcd"]) == pytest.approx(3.8794, rel=0.002)
    wide = [Part(name, 1.0, "rectangular") for name in "abc"] + [Part("d", 10.0, "rectangular")]
    assert half_width(wide) == pytest.approx(17.0, abs=0.05)
    assert coverage_factor(math.inf) * math.sqrt(103.0) == pytest.approx(19.9, abs=0.05)  # what plain GUM would say


@pytest.mark.parametrize("order", [1, 2, 3])
@pytest.mark.parametrize("dof", [3.5, 12.0, 1e9])
def test_iterated_integrals_agree_with_quadrature(order, dof):
    """The closed form behind the convolution, against scipy.integrate over scipy.stats' density."""
    from scipy import integrate, stats

    law = stats.norm if dof > 1e6 else stats.t(dof)
    for x in (-2.0, 0.3, 1.7):
        expected = integrate.quad(
            lambda s, x=x: (x - s) ** order / math.factorial(order) * law.pdf(s), -np.inf, x, epsabs=1e-12
        )[0]
        assert _iterated(order, x, dof)[0] == pytest.approx(expected, rel=1e-7, abs=1e-10)
        if dof > order + 1:
            assert _iterated(order + 1, x, dof)[1] == _iterated(order, x, dof)[0]


MIXES = [
    [Part("gain", 1.0, "rectangular"), Part("scatter", 0.5)],
    [Part("gain", 1.0, "rectangular"), Part("scatter", 0.6, "student", 3.5)],
    [Part("gain", 1.0, "rectangular"), Part("offset", 0.7, "rectangular"), Part("scatter", 0.4, "student", 6.0)],
    [Part(n, 1.0, "rectangular") for n in "abc"] + [Part("scatter", 0.5, "student", 9.0)],
    [Part("gain", 0.4, "rectangular"), Part("scatter", 1.0, "student", 1.5)],
    [Part("gain", 0.1, "rectangular"), Part("scatter", 1.0)],
]


@pytest.mark.parametrize("parts", MIXES)
def test_interval_of_mixed_shapes_covers_95_percent(parts):
    """Drawn: rectangles and Student variables as stated (normal, rectangular by the text-book definitions)."""
    generator = np.random.default_rng(5)
    total = np.zeros(400_000)
    for part in parts:
        if part.shape == "rectangular":
            total += part.contribution * generator.uniform(-math.sqrt(3.0), math.sqrt(3.0), len(total))
        elif math.isinf(part.dof):
            total += part.contribution * generator.standard_normal(len(total))
        else:
            total += part.contribution * generator.standard_t(part.dof, len(total))
    assert np.mean(np.abs(total) <= half_width(parts)) == pytest.approx(0.95, abs=0.0025)


@pytest.mark.parametrize("count", [4, 10])
@pytest.mark.parametrize("share", [0.5, 2.0])
def test_interval_covers_when_scatter_is_estimated(count, share):
    """Gain drawn from its rectangle, scatter known from `count` readings only: intervals hold the truth in 94-97 %."""
    generator = np.random.default_rng(9)
    held = 0
    for _ in range(1500):
        readings = generator.standard_normal(count)
        u = readings.std(ddof=1) / math.sqrt(count)
        gain = share / math.sqrt(count)
        error = readings.mean() + generator.uniform(-1.0, 1.0) * math.sqrt(3.0) * gain
        held += abs(error) <= half_width(
            [Part("gain", gain, "rectangular"), Part("scatter", u, "student", count - 1.0)]
        )
    assert 0.94 <= held / 1500 <= 0.97


# ---- properties ----------------------------------------------------------------------------------------------------

contributions = st.floats(-1e3, 1e3).filter(lambda x: x == 0.0 or abs(x) > 1e-3)
part = st.builds(
    Part,
    st.sampled_from(["gain", "offset", "clock", "scatter"]),
    contributions,
    st.just("normal"),
    st.sampled_from([math.inf, 4.0, 30.0]),
)
value = st.builds(lambda x, parts: value_from_parts(x, "W", parts), st.floats(-1e4, 1e4), st.lists(part, max_size=5))


@settings(deadline=None)
@given(value, value, st.floats(-50.0, 50.0), st.floats(-50.0, 50.0))
def test_linear_functions_propagate_exactly(a, b, k, m):
    found = propagate(lambda a, b: k * a + m * b, {"a": a, "b": b}, "W")
    shared = correlation(a, b) * a.u * b.u
    variance = (k * a.u) ** 2 + (m * b.u) ** 2 + 2.0 * k * m * shared
    size = (abs(k) * a.u + abs(m) * b.u) ** 2
    # Differences over a hundredth of u cannot tell more than the rounding of the function's value lets through.
    rounding = 1e-12 * (abs(k * a.value) + abs(m * b.value))
    slack = rounding * (2.0 * math.sqrt(variance if variance > 0.0 else 0.0) + rounding)
    assert found.u**2 == pytest.approx(variance, rel=1e-6, abs=1e-6 * size + slack + 1e-12)


@settings(deadline=None)
@given(st.lists(part, min_size=1, max_size=6), st.floats(1e-6, 1e6))
def test_uncertainty_scales_with_its_parts(parts, factor):
    small = value_from_parts(0.0, "W", parts)
    large = value_from_parts(0.0, "W", [Part(p.source, factor * p.contribution, p.shape, p.dof) for p in parts])
    assert large.u == pytest.approx(factor * small.u, rel=1e-9)
    assert large.high95 == pytest.approx(factor * small.high95, rel=1e-7)
    assert large.dof == pytest.approx(small.dof, rel=1e-6)


@settings(deadline=None)
@given(st.lists(part, max_size=6))
def test_order_of_parts_does_not_matter(parts):
    one, other = value_from_parts(1.0, "W", parts), value_from_parts(1.0, "W", parts[::-1])
    assert one.u == pytest.approx(other.u, rel=1e-12, abs=1e-12)
    assert one.low95 <= 1.0 <= one.high95


@given(st.integers(1, 5), st.integers(0, 2**32 - 1))
@settings(max_examples=40, deadline=None)
def test_covariance_is_found_again(count, seed):
    root = np.random.default_rng(seed).standard_normal((count, count)) * 10.0 ** np.arange(-count, 0)[:, None]
    covariance = root @ root.T
    found = values_from_covariance(range(count), ["W"] * count, covariance, "fit", dof=7.0)
    for i in range(count):
        assert found[i].u == pytest.approx(math.sqrt(covariance[i, i]), rel=1e-9)
        assert found[i].dof == pytest.approx(7.0)
        for k in range(count):
            expected = covariance[i, k] / math.sqrt(covariance[i, i] * covariance[k, k])
            assert correlation(found[i], found[k]) == pytest.approx(expected, abs=1e-9)


@given(value, value, st.floats(-5.0, 5.0), st.integers(0, 2**32 - 1))
@settings(max_examples=15, deadline=None)
def test_linear_propagation_agrees_with_sampling(a, b, k, seed):
    flat = [value_from_parts(v.value, "W", [Part(p.source, p.contribution) for p in v.parts]) for v in (a, b)]
    inputs = dict(zip("ab", flat, strict=True))
    first = propagate(lambda a, b: a + k * b, inputs, "W")
    drawn = monte_carlo(lambda a, b: a + k * b, inputs, 20_000, np.random.default_rng(seed), unit="W")
    assert drawn.u == pytest.approx(first.u, rel=0.03, abs=1e-6)
    assert drawn.high95 - drawn.low95 == pytest.approx(first.high95 - first.low95, rel=0.06, abs=1e-6)
    assert drawn.value == pytest.approx(first.value, abs=0.04 * first.u + 1e-6)


def test_one_estimate_has_the_fewest_of_its_degrees_of_freedom():
    parts = [Part("fit#1", 1.0, "student", 4.0), Part("fit#2", 1.0, "student", 9.0)]
    assert value_from_parts(0.0, "W", parts).dof == pytest.approx(4.0)
    assert value_from_parts(0.0, "W", parts[::-1]).dof == pytest.approx(4.0)
