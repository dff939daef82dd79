"""JCGM 100:2008 (GUM) and its Annex H examples through our own propagation (reference-values section 7)."""

import math

import numpy as np
import pytest

from phasewright.quantity import (
    Part,
    correlation,
    coverage_factor,
    monte_carlo,
    propagate,
    series_mean,
    value_from_parts,
    values_from_covariance,
)

H2_V = np.array([5.007, 4.994, 5.005, 4.990, 4.999])  # V; Table H.2
H2_I = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3  # A
H2_PHI = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])  # rad

H3_T = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])  # degC
H3_B = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])  # K; Table H.6


def one(value, unit, u, source, dof=math.inf):
    return value_from_parts(value, unit, [Part(source, u, "student" if math.isfinite(dof) else "normal", dof)])


def gauge_block():
    """Inputs of H.1: length of an end gauge, in nm and K. Rectangles of 2e-6/K, 1e-6/K and 0.05 K as in H.1.3."""
    return {
        "standard": one(50_000_623.0, "nm", 25.0, "calibration", 18.0),
        "comparison": value_from_parts(
            215.0,
            "nm",
            [
                Part("repeats", 5.8, "student", 24.0),
                Part("comparator random", 3.9, "student", 5.0),
                Part("comparator systematic", 6.7, "student", 8.0),
            ],
        ),
        "expansion": one(11.5e-6, "1/K", 2e-6 / math.sqrt(3.0), "expansion"),
        "expansion_difference": one(0.0, "1/K", 1e-6 / math.sqrt(3.0), "expansion difference", 50.0),
        "rise": one(-0.1, "K", 0.41, "rise"),
        "rise_difference": one(0.0, "K", 0.05 / math.sqrt(3.0), "rise difference", 2.0),
    }


def gauge_length(standard, comparison, expansion, expansion_difference, rise, rise_difference):
    return standard + comparison - standard * (expansion_difference * rise + expansion * rise_difference)


def test_me_01_gum_h1_end_gauge():
    """H.1.4-H.1.5: l = 50 000 838 nm, u_c = 32 nm (31.66 unrounded), u(d) = 9.7 nm, terms 2.9 and 16.6 nm."""
    inputs = gauge_block()
    length = propagate(gauge_length, inputs, "nm")
    assert inputs["comparison"].u == pytest.approx(9.7, abs=0.05)
    assert length.value == pytest.approx(50_000_838.0, abs=1e-6)
    assert length.u == pytest.approx(31.6639, abs=5e-5)
    assert length.u**2 == pytest.approx(1002.0, abs=1.5)
    parts = {part.source: abs(part.contribution) for part in length.parts}
    assert parts["expansion difference"] == pytest.approx(2.9, abs=0.05)
    assert parts["rise difference"] == pytest.approx(16.6, abs=0.1)
    assert parts["expansion"] == parts["rise"] == pytest.approx(0.0, abs=1e-6)


def test_me_02_gum_h1_degrees_of_freedom():
    """H.1.6: 16.7 (16.75 from the unrounded u_c), t99(16) = 2.92, U99 = 93 nm."""
    length = propagate(gauge_length, gauge_block(), "nm")
    assert gauge_block()["comparison"].dof == pytest.approx(25.6, abs=0.2)  # 25.6 with u(d) rounded to 9.7
    assert length.dof == pytest.approx(16.752, abs=5e-4)
    assert coverage_factor(16.0, 0.99) == pytest.approx(2.92, abs=0.005)
    assert coverage_factor(16.0, 0.99) * 32.0 == pytest.approx(93.0, abs=0.5)


def test_trap_t_11_intermediates_are_not_rounded():
    """T-11: u_c rounded to 32 before the formula gives 17.5 degrees of freedom; ours must not."""
    length = propagate(gauge_length, gauge_block(), "nm")
    rounded = 32.0**4 / (25.0**4 / 18.0 + 9.7**4 / 25.6 + 2.9**4 / 50.0 + 16.6**4 / 2.0)
    assert rounded == pytest.approx(17.5, abs=0.05)
    assert abs(length.dof - rounded) > 0.7


def test_h1_agrees_with_gtc():
    """GTC 1.5 (general-purpose uncertainty library) on the same budget: u 31.6639, dof 16.752."""
    import GTC

    ls = GTC.ureal(50_000_623.0, 25.0, 18)
    d = 215.0 + GTC.ureal(0.0, 5.8, 24) + GTC.ureal(0.0, 3.9, 5) + GTC.ureal(0.0, 6.7, 8)
    a, da = GTC.ureal(11.5e-6, 2e-6 / math.sqrt(3.0)), GTC.ureal(0.0, 1e-6 / math.sqrt(3.0), 50)
    t, dt = GTC.ureal(-0.1, 0.41), GTC.ureal(0.0, 0.05 / math.sqrt(3.0), 2)
    theirs = gauge_length(ls, d, a, da, t, dt)
    ours = propagate(gauge_length, gauge_block(), "nm")
    assert ours.u == pytest.approx(GTC.uncertainty(theirs), rel=1e-7)
    assert ours.dof == pytest.approx(GTC.dof(theirs), rel=1e-6)


def test_me_03_gum_h1_second_order_by_sampling():
    """H.1.7: second-order terms 11.7 nm (11.83 from these inputs) and 1.7 nm, u_c = 34 nm."""
    inputs = {
        name: one(item.value, item.unit, item.u, name) if item.u else item for name, item in gauge_block().items()
    }
    drawn = monte_carlo(gauge_length, inputs, 400_000, np.random.default_rng(1), unit="nm")
    assert drawn.u == pytest.approx(math.sqrt(31.66**2 + 11.83**2 + 1.67**2), abs=0.15)
    assert drawn.u == pytest.approx(34.0, abs=0.5)

    def term(first, second):
        return 50_000_623.0 * first * second

    pair = {"first": inputs["expansion_difference"], "second": value_from_parts(0.0, "K", inputs["rise"].parts)}
    assert monte_carlo(term, pair, 400_000, np.random.default_rng(2)).u == pytest.approx(11.83, abs=0.06)
    pair = {
        "first": value_from_parts(0.0, "1/K", inputs["expansion"].parts),
        "second": inputs["rise_difference"],
    }
    assert monte_carlo(term, pair, 400_000, np.random.default_rng(3)).u == pytest.approx(1.67, abs=0.01)


def impedance_inputs():
    """Means of the five simultaneous sets and the covariance of the means."""
    sets = np.stack([H2_V, H2_I, H2_PHI])
    covariance = np.cov(sets) / 5.0
    found = values_from_covariance(sets.mean(axis=1), ["V", "A", "1"], covariance, "sets", dof=4.0)
    return dict(zip(("v", "i", "phi"), found, strict=True))


def impedance(inputs):
    return (
        propagate(lambda v, i, phi: v / i * math.cos(phi), inputs, "Ohm"),
        propagate(lambda v, i, phi: v / i * math.sin(phi), inputs, "Ohm"),
        propagate(lambda v, i, phi: v / i, {name: inputs[name] for name in ("v", "i", "phi")}, "Ohm"),
    )


def test_me_04_gum_h2_means_and_correlations():
    """Tables H.2 and H.3: 4.9990 V (0.0032), 19.6610 mA (0.0095), 1.04446 rad (0.00075); r -0.36, 0.86, -0.65."""
    found = impedance_inputs()
    table = (("v", 4.9990, 0.0032, 5e-5), ("i", 19.6610e-3, 0.0095e-3, 5e-8), ("phi", 1.04446, 0.00075, 5e-6))
    for name, value, u, digits in table:
        assert found[name].value == pytest.approx(value, abs=digits)
        assert found[name].u == pytest.approx(u, abs=digits)
        assert found[name].dof == pytest.approx(4.0, rel=1e-9)
    assert correlation(found["v"], found["i"]) == pytest.approx(-0.36, abs=0.006)
    assert correlation(found["v"], found["phi"]) == pytest.approx(0.86, abs=0.005)
    assert correlation(found["i"], found["phi"]) == pytest.approx(-0.65, abs=0.005)


def test_me_05_gum_h2_first_approach():
    """Table H.4: R 127.732 (0.071), X 219.847 (0.295), Z 254.260 (0.236) ohm; r -0.588, -0.485, 0.993."""
    r, x, z = impedance(impedance_inputs())
    for item, value, u in ((r, 127.732, 0.0711), (x, 219.847, 0.2956), (z, 254.260, 0.2363)):
        assert item.value == pytest.approx(value, abs=6e-4)
        assert item.u == pytest.approx(u, abs=6e-5)
    assert correlation(r, x) == pytest.approx(-0.588, abs=5e-4)
    assert correlation(r, z) == pytest.approx(-0.485, abs=6e-4)
    assert correlation(x, z) == pytest.approx(0.993, abs=6e-4)
    assert r.dof == pytest.approx(4.0, rel=1e-9)  # one estimate from five sets, not three


def test_h2_agrees_with_uncertainties():
    """The general-purpose package uncertainties 3.2: R 127.73217 +- 0.07107, r(R, X) -0.58843."""
    import uncertainties
    from uncertainties import umath

    sets = np.stack([H2_V, H2_I, H2_PHI])
    v, i, phi = uncertainties.correlated_values(sets.mean(axis=1), np.cov(sets) / 5.0)
    theirs = [v / i * umath.cos(phi), v / i * umath.sin(phi), v / i]
    ours = impedance(impedance_inputs())
    for mine, yours in zip(ours, theirs, strict=True):
        assert mine.value == pytest.approx(yours.nominal_value, rel=1e-12)
        assert mine.u == pytest.approx(yours.std_dev, rel=1e-7)
    table = uncertainties.correlation_matrix(theirs)
    assert correlation(ours[0], ours[1]) == pytest.approx(table[0, 1], rel=1e-6)
    assert correlation(ours[1], ours[2]) == pytest.approx(table[1, 2], rel=1e-6)


def test_me_06_gum_h2_second_approach():
    """Table H.5: R of each set 127.67 ... 127.88; means 127.732 (0.071), 219.847 (0.295), 254.260 (0.236)."""
    modulus = H2_V / H2_I
    resistance = modulus * np.cos(H2_PHI)
    np.testing.assert_allclose(resistance, [127.67, 127.89, 127.51, 127.71, 127.88], atol=0.006)
    for sets, value, u in (
        (resistance, 127.732, 0.071),
        (modulus * np.sin(H2_PHI), 219.847, 0.295),
        (modulus, 254.260, 0.236),
    ):
        found = series_mean(sets, independent=True)
        assert found.mean == pytest.approx(value, abs=6e-4)
        assert found.u == pytest.approx(u, abs=7e-4)
        assert found.dof == 4.0


def test_trap_t_12_rounded_means_and_correlations():
    """T-12: fed with the rounded table H.3 the results drift to 0.070, 0.30, 0.24 and -0.59; the raw sets do not."""
    spread = np.array([0.0032, 0.0095e-3, 0.00075])
    table = np.array([[1.0, -0.36, 0.86], [-0.36, 1.0, -0.65], [0.86, -0.65, 1.0]])
    found = values_from_covariance(
        [4.9990, 19.6610e-3, 1.04446], ["V", "A", "1"], table * np.outer(spread, spread), "rounded sets", dof=4.0
    )
    r, x, z = impedance(dict(zip(("v", "i", "phi"), found, strict=True)))
    assert (round(r.u, 3), round(x.u, 2), round(z.u, 2)) == (0.070, 0.30, 0.24)
    assert correlation(r, x) == pytest.approx(-0.59, abs=0.005)
    raw = impedance(impedance_inputs())
    assert abs(raw[0].u - r.u) > 5e-4


def test_me_09_gum_g42_welch_satterthwaite():
    """G.4.2 example: relative u 0.25, 0.57, 0.82 % with n 10, 5, 15: u 1.03 %, dof 19.0 (18.9987), U 2.15 %."""
    found = value_from_parts(
        100.0,
        "1",
        [Part("x1", 0.25, "student", 9.0), Part("x2", 0.57, "student", 4.0), Part("x3", 0.82, "student", 14.0)],
    )
    assert found.u == pytest.approx(1.0295, abs=5e-5)
    assert found.dof == pytest.approx(18.9987, abs=5e-5)
    assert coverage_factor(19.0) == pytest.approx(2.09, abs=0.005)
    assert 0.5 * (found.high95 - found.low95) == pytest.approx(2.15, abs=0.006)


def line_parameter(which):
    """Return slope or value at 20 degC of the least-squares line, as a function of the eleven readings b0..b10."""
    design = np.stack([np.ones(11), H3_T - 20.0], axis=1)
    weights = np.linalg.pinv(design)[which]
    return lambda **b: float(sum(weights[k] * b[f"b{k}"] for k in range(11)))


@pytest.mark.parametrize(("which", "u"), [(0, math.hypot(0.0028776, 0.005)), (1, 0.000668)])
def test_me_23_gum_h36_common_error(which, u):
    """H.3.6 variant: a common error of 0.005 K makes u of the intercept 0.00577; that of the slope stays 0.00067."""
    s = 0.003497637  # K, scatter of the readings about the line
    inputs = {
        f"b{k}": value_from_parts(b, "K", [Part(f"reading {k}", s, "student", 9.0), Part("thermometer", 0.005)])
        for k, b in enumerate(H3_B)
    }
    found = propagate(line_parameter(which), inputs, "K")
    assert found.u == pytest.approx(u, abs=5e-7)
    shared = next(part for part in found.parts if part.source == "thermometer")
    assert abs(shared.contribution) == pytest.approx(0.005 if which == 0 else 0.0, abs=1e-12)


@pytest.mark.parametrize(("efficiency", "relative"), [(0.90, 0.013454), (0.95, 0.027586)])
def test_ls_20_loss_by_difference(efficiency, relative):
    """LS-20: 0.1 % on input and on output make the loss uncertain by 1.3454 % and 2.7586 %."""
    found = propagate(
        lambda given, taken: given - taken,
        {
            "given": one(100.0, "W", 0.1, "input"),
            "taken": one(100.0 * efficiency, "W", 0.1 * efficiency, "output"),
        },
        "W",
    )
    assert found.u / found.value == pytest.approx(relative, abs=1e-6)
