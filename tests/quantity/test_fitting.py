"""Fits: the GUM's straight line, bounds, directions the data do not decide, outliers, coverage."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phasewright.quantity import correlation, fit_least_squares, propagate, values_from_covariance

H3_T = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])  # degC
H3_B = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])  # K; GUM Table H.6


def gum_h3():
    return fit_least_squares(lambda p: p[0] + p[1] * (H3_T - 20.0) - H3_B, [0.0, 0.0], names=["y1", "y2"])


def test_me_07_gum_h3_thermometer_line():
    """GUM H.3.3: y1 -0.1712 (0.0029) degC, y2 0.00218 (0.00067), r -0.930, s 0.0035 degC."""
    fit = gum_h3()
    assert fit.values == pytest.approx([-0.171204, 0.0021827], rel=2e-5)
    assert fit.u == pytest.approx((0.002878, 0.000668), abs=5e-7)
    assert fit.covariance[0, 1] / (fit.u[0] * fit.u[1]) == pytest.approx(-0.930, abs=5e-4)
    assert fit.rss == pytest.approx(1.10097e-4, rel=1e-5)
    assert math.sqrt(fit.rss / fit.dof) == pytest.approx(0.0035, abs=5e-5)
    assert fit.dof == 9


def test_me_08_gum_h3_prediction_at_30_degc():
    """GUM H.3.4: b(30 degC) = -0.1494 (0.0041) degC with 9 degrees of freedom."""
    fit = gum_h3()
    y1, y2 = values_from_covariance(fit.values, ["K", "1"], fit.covariance, "line", dof=float(fit.dof))
    assert correlation(y1, y2) == pytest.approx(-0.930, abs=5e-4)
    found = propagate(lambda y1, y2: y1 + y2 * 10.0, {"y1": y1, "y2": y2}, "K")
    assert found.value == pytest.approx(-0.1494, abs=5e-5)
    assert found.u == pytest.approx(0.0041, abs=5e-5)
    assert found.dof == pytest.approx(9.0, rel=1e-9)


def line(seed=0, count=40, sigma=0.3):
    x = np.linspace(0.0, 10.0, count)
    return x, 2.0 + 0.5 * x + sigma * np.random.default_rng(seed).standard_normal(count)


def test_known_scatter_is_not_taken_from_the_residuals():
    """Against numpy.polyfit with cov='unscaled' and cov=True."""
    x, y = line()
    for scale_u, cov in ((False, "unscaled"), (True, True)):
        fit = fit_least_squares(
            lambda p: (p[0] * x + p[1] - y) / 0.3, [1.0, 1.0], names=["slope", "level"], scale_u=scale_u
        )
        values, table = np.polyfit(x, y, 1, w=np.full(len(x), 1 / 0.3), cov=cov)
        np.testing.assert_allclose(fit.values, values, rtol=1e-10)
        np.testing.assert_allclose(fit.covariance, table, rtol=1e-8)


def test_statsmodels_agrees_on_a_weighted_line():
    import statsmodels.api as sm

    x, y = line(seed=3)
    sigma = np.linspace(0.1, 1.0, len(x))
    fit = fit_least_squares(lambda p: (p[0] + p[1] * x - y) / sigma, [1.0, 1.0], names=["level", "slope"])
    theirs = sm.WLS(y, sm.add_constant(x), weights=1.0 / sigma**2).fit()
    np.testing.assert_allclose(fit.values, theirs.params, rtol=1e-9)
    np.testing.assert_allclose(fit.u, theirs.bse, rtol=1e-8)


@pytest.mark.parametrize("analytic", [False, True])
def test_robust_fit_agrees_with_statsmodels(analytic):
    """The same loss, written as a norm for statsmodels' RLM; covariance H1 (Huber 1981, 7.6); scale held at ours."""
    import statsmodels.api as sm

    x, y = line(seed=5)
    y[[3, 17, 30]] += [8.0, 12.0, -9.0]
    design = np.stack([np.ones_like(x), x], axis=1)
    fit = fit_least_squares(
        lambda p: (design @ p - y) / 0.3,
        [1.0, 1.0],
        names=["level", "slope"],
        robust=True,
        scale_u=False,
        jacobian=(lambda p: design / 0.3) if analytic else None,
    )

    class SoftL1(sm.robust.norms.RobustNorm):
        def rho(self, z):
            return 1.5**2 * (np.sqrt(1.0 + (z / 1.5) ** 2) - 1.0)

        def psi(self, z):
            return z / np.sqrt(1.0 + (z / 1.5) ** 2)

        def weights(self, z):
            return 1.0 / np.sqrt(1.0 + (z / 1.5) ** 2)

        def psi_deriv(self, z):
            return (1.0 + (z / 1.5) ** 2) ** -1.5

    model = sm.RLM(y / 0.3, design / 0.3, M=SoftL1())

    class Fixed(sm.robust.scale.HuberScale):
        def __call__(self, df_resid, nobs, resid):
            return 1.0

    theirs = model.fit(scale_est=Fixed(), cov="H1", tol=1e-12, maxiter=500)
    np.testing.assert_allclose(fit.values, theirs.params, rtol=1e-6)
    np.testing.assert_allclose(fit.u, theirs.bse, rtol=1e-5)


def test_outliers_move_the_robust_fit_little():
    x, y = line(seed=6)
    y[::10] += 20.0
    names = ["level", "slope"]
    plain = fit_least_squares(lambda p: p[0] + p[1] * x - y, [1.0, 1.0], names=names)
    robust = fit_least_squares(lambda p: p[0] + p[1] * x - y, [1.0, 1.0], names=names, robust=True)
    assert robust.converged
    assert abs(plain.values[0] - 2.0) > 1.0
    assert abs(robust.values[0] - 2.0) < 4.0 * robust.u[0] < 1.0


def test_robust_fit_of_exact_data():
    x = np.arange(10.0)
    fit = fit_least_squares(lambda p: p[0] + p[1] * x - (3.0 + x), [1.0, 2.0], names=["a", "b"], robust=True)
    np.testing.assert_allclose(fit.values, [3.0, 1.0], rtol=1e-9)
    assert fit.converged


# ---- what the data decide ------------------------------------------------------------------------------------------


def test_two_parameters_that_only_act_together_are_not_decided():
    x, y = line()
    fit = fit_least_squares(
        lambda p: p[0] + (p[1] + p[2]) * x - y, [1.0, 1.0, 1.0], names=["level", "copper", "contact"]
    )
    assert fit.u[0] == pytest.approx(math.sqrt(np.polyfit(x, y, 1, cov=True)[1][1, 1]), rel=0.03)
    assert fit.u[1] is None and fit.u[2] is None
    assert "move together with contact" in fit.reasons[1]
    assert "move together with copper" in fit.reasons[2]
    assert fit.reasons[0] == ""
    assert np.all(np.isnan(fit.covariance[1:, :])) and np.isfinite(fit.covariance[0, 0])


def test_a_parameter_without_effect_is_said():
    x, y = line()
    fit = fit_least_squares(lambda p: p[0] + p[1] * x - y, [1.0, 1.0, 5.0], names=["level", "slope", "spare"])
    assert fit.u[2] is None
    assert "no effect" in fit.reasons[2]
    assert fit.u[0] > 0.0 and fit.u[1] > 0.0


def test_fewer_residuals_than_parameters():
    fit = fit_least_squares(lambda p: np.array([p[0] + p[1] - 3.0]), [1.0, 1.0], names=["a", "b"])
    assert fit.u == (None, None)
    assert fit.values.sum() == pytest.approx(3.0)


def test_as_many_residuals_as_parameters():
    fit = fit_least_squares(lambda p: np.array([p[0] - 3.0, p[1] - 4.0]), [1.0, 1.0], names=["a", "b"])
    np.testing.assert_allclose(fit.values, [3.0, 4.0])
    assert fit.u == (None, None)
    assert "as many parameters as residuals" in fit.reasons[0]
    known = fit_least_squares(lambda p: np.array([p[0] - 3.0, p[1] - 4.0]), [1.0, 1.0], names=["a", "b"], scale_u=False)
    assert known.u == pytest.approx((1.0, 1.0))


@pytest.mark.parametrize(
    ("low", "high", "bound", "side"), [((0.0, 0.0), (9.0, 0.4), 0.4, "high"), ((0.0, 0.6), (9.0, 9.0), 0.6, "low")]
)
def test_a_bound_that_holds_is_flagged_and_conditioned_on(low, high, bound, side):
    """The other parameter is then the fit with the held one fixed: its u is that of a mean."""
    x, y = line()
    fit = fit_least_squares(lambda p: p[0] + p[1] * x - y, [1.0, bound], names=["level", "slope"], low=low, high=high)
    assert fit.at_bound == (False, True)
    assert fit.values[1] == bound
    assert fit.u[1] is None and side in fit.reasons[1]
    assert fit.dof == len(y) - 1
    rest = y - bound * x
    assert fit.values[0] == pytest.approx(rest.mean(), rel=1e-9)
    assert fit.u[0] == pytest.approx(rest.std(ddof=1) / math.sqrt(len(y)), rel=1e-6)
    assert fit.converged


def test_a_bound_that_does_not_hold_changes_nothing():
    x, y = line()
    free = fit_least_squares(lambda p: p[0] + p[1] * x - y, [1.0, 1.0], names=["level", "slope"])
    boxed = fit_least_squares(
        lambda p: p[0] + p[1] * x - y, [1.0, 1.0], names=["level", "slope"], low=[-9.0, -9.0], high=[9.0, 9.0]
    )
    np.testing.assert_allclose(boxed.values, free.values, rtol=1e-9)
    np.testing.assert_allclose(boxed.covariance, free.covariance, rtol=1e-6)
    assert boxed.at_bound == (False, False)


def test_a_parameter_near_zero_keeps_its_uncertainty():
    x = np.linspace(-1.0, 1.0, 21)
    y = 3.0 * x + 0.01 * np.cos(7.0 * x)
    y -= y.mean()
    fit = fit_least_squares(lambda p: p[0] + p[1] * x - y, [5.0, 1.0], names=["level", "slope"])
    assert fit.values[0] == pytest.approx(0.0, abs=1e-6 * fit.u[0])
    assert fit.u[0] == pytest.approx(math.sqrt(fit.rss / 19 / 21), rel=1e-8)


def test_no_minimum_is_said():
    """exp(-p) falls for ever: wherever the search stops, the parameter is not decided."""
    fit = fit_least_squares(lambda p: np.array([np.exp(-p[0]), 0.5 * np.exp(-p[0]), 1e-3]), [1.0], names=["p"])
    assert fit.u == (None,)
    assert "do not decide p" in fit.reasons[0]


def test_trial_steps_may_leave_the_range_of_the_model():
    x = np.linspace(0.1, 3.0, 30)
    y = np.sqrt(x + 0.2)
    fit = fit_least_squares(lambda p: np.sqrt(x + p[0]) * p[1] - y, [3.0, 5.0], names=["shift", "gain"])
    np.testing.assert_allclose(fit.values, [0.2, 1.0], rtol=1e-8)


@pytest.mark.parametrize(
    "call",
    [
        lambda: fit_least_squares(lambda p: p, [1.0, 2.0], names=["a"]),
        lambda: fit_least_squares(lambda p: p, [], names=[]),
        lambda: fit_least_squares(lambda p: p, [math.nan], names=["a"]),
        lambda: fit_least_squares(lambda p: p, [1.0], names=["a"], low=[2.0], high=[1.0]),
        lambda: fit_least_squares(lambda p: p * math.nan, [1.0], names=["a"]),
        lambda: fit_least_squares(lambda p: np.zeros((2, 2)), [1.0], names=["a"]),
    ],
)
def test_refusals_say_what_rule_and_mend(call):
    with pytest.raises(ValueError) as caught:
        call()
    assert str(caught.value).count(" - ") >= 2


def test_interval_of_an_exponential_rise_covers():
    """Rise b1 (1 - exp(-b2 x)) with known truth, 300 runs: 95 % intervals of both parameters hold it in 92-98 %."""
    from phasewright.quantity import coverage_factor

    generator = np.random.default_rng(17)
    x = np.linspace(1.0, 60.0, 25)
    clean = 12.0 * (1.0 - np.exp(-x / 20.0))
    inside = np.zeros(2)
    for _ in range(300):
        y = clean + 0.2 * generator.standard_normal(25)
        fit = fit_least_squares(
            lambda p, y=y: p[0] * (1.0 - np.exp(-p[1] * x)) - y, [10.0, 0.1], names=["rise", "rate"]
        )
        inside += np.abs(fit.values - [12.0, 0.05]) <= coverage_factor(fit.dof) * np.array(fit.u)
    assert np.all((inside / 300 >= 0.92) & (inside / 300 <= 0.98))


@given(st.floats(1e-4, 1e4), st.floats(1e-4, 1e4), st.integers(0, 50))
@settings(max_examples=30, deadline=None)
def test_units_of_parameters_and_residuals_do_not_matter(parameter, residual, seed):
    x, y = line(seed=seed)
    plain = fit_least_squares(lambda p: p[0] + p[1] * x - y, [1.0, 1.0], names=["level", "slope"])
    scaled = fit_least_squares(
        lambda p: residual * (p[0] / parameter + p[1] * x - y), [parameter, 1.0], names=["level", "slope"]
    )
    np.testing.assert_allclose(scaled.values / [parameter, 1.0], plain.values, rtol=1e-8)
    np.testing.assert_allclose(np.array(scaled.u) / [parameter, 1.0], plain.u, rtol=1e-7)


def test_a_stalled_search_is_taken_up_elsewhere():
    """A peak that the start does not touch: there the residuals do not change, and the search has nothing to follow."""
    x = np.linspace(0.0, 100.0, 201)
    y = 4.0 * np.exp(-(((x - 71.0) / 6.0) ** 2))
    fit = fit_least_squares(
        lambda p: p[0] * np.exp(-(((x - p[1]) / p[2]) ** 2)) - y,
        [1.0, -200.0, 5.0],
        names=["height", "place", "width"],
        low=[0.0, -300.0, 1.0],
        high=[10.0, 300.0, 50.0],
    )
    assert fit.converged
    np.testing.assert_allclose(fit.values, [4.0, 71.0, 6.0], rtol=1e-6)


def test_scatter_by_median_is_that_of_a_normal_distribution():
    """Median of |z| is 0.6745 for a normal variable (any table), so 1.4826 times it is the standard deviation."""
    from phasewright.quantity.fitting import _scatter

    residuals = 0.3 * np.random.default_rng(1).standard_normal(100_000)
    assert _scatter(residuals, 2) == pytest.approx(0.3, rel=0.01)
