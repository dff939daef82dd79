"""Rows TH-10 to TH-15 of the reference values: water, glycol, coolant rise.

IAPWS-95 (release R6-95, in its liquid part) and IAPWS-IF97 region 1 (R7-97) stand here as the outside reference: their
coefficients are from memory, and their own verification tables (TH-11, TH-12) prove them.
"""

import numpy as np
import pytest

from phasewright.physics import (
    coolant_heat,
    coolant_rise,
    glycol_density,
    glycol_heat_capacity,
    heat_capacity_rate,
    out_of_range,
    water_conductivity,
    water_density,
    water_heat_capacity,
    water_viscosity,
)

LITRE_PER_MINUTE = 1e-3 / 60.0


def near(expected, tolerance):
    return pytest.approx(expected, abs=tolerance, rel=0)


# ---- IAPWS-95 without its near-critical terms, which are below 1e-40 in the liquid from 0 to 100 degC ---------------

R95, T_C, RHO_C = 461.51805, 647.096, 322.0
IDEAL = [-8.3204464837497, 6.6832105275932, 3.00632, 0.012436, 0.97315, 1.27950, 0.96956, 0.24873]
GAMMA = [1.28728967, 3.53734222, 7.74073708, 9.24437796, 27.5075105]
C = np.array([0] * 7 + [1] * 15 + [2] * 20 + [3] * 4 + [4] + [6] * 4, dtype=float)
D = np.array(
    [1, 1, 1, 2, 2, 3, 4, 1, 1, 1, 2, 2, 3, 4, 4, 5, 7, 9, 10, 11, 13, 15, 1, 2, 2, 2, 3, 4, 4, 4, 5, 6, 6, 7, 9, 9]
    + [9, 9, 9, 10, 10, 12, 3, 4, 4, 5, 14, 3, 6, 6, 6],
    dtype=float,
)
T = np.array(
    [-0.5, 0.875, 1, 0.5, 0.75, 0.375, 1, 4, 6, 12, 1, 5, 4, 2, 13, 9, 3, 4, 11, 4, 13, 1, 7, 1, 9, 10, 10, 3, 7, 10]
    + [10, 6, 10, 10, 1, 2, 3, 4, 8, 6, 9, 8, 16, 22, 23, 23, 10, 50, 44, 46, 50],
    dtype=float,
)
# fmt: off
N = np.array([
    0.12533547935523e-1, 0.78957634722828e1, -0.87803203303561e1, 0.31802509345418, -0.26145533859358,
    -0.78199751687981e-2, 0.88089493102134e-2, -0.66856572307965, 0.20433810950965, -0.66212605039687e-4,
    -0.19232721156002, -0.25709043003438, 0.16074868486251, -0.40092828925807e-1, 0.39343422603254e-6,
    -0.75941377088144e-5, 0.56250979351888e-3, -0.15608652257135e-4, 0.11537996422951e-8, 0.36582165144204e-6,
    -0.13251180074668e-11, -0.62639586912454e-9, -0.10793600908932, 0.17611491008752e-1, 0.22132295167546,
    -0.40247669763528, 0.58083399985759, 0.49969146990806e-2, -0.31358700712549e-1, -0.74315929710341,
    0.47807329915480, 0.20527940895948e-1, -0.13636435110343, 0.14180634400617e-1, 0.83326504880713e-2,
    -0.29052336009585e-1, 0.38615085574206e-1, -0.20393486513704e-1, -0.16554050063734e-2, 0.19955571979541e-2,
    0.15870308324157e-3, -0.16388568342530e-4, 0.43613615723811e-1, 0.34994005463765e-1, -0.76788197844621e-1,
    0.22446277332006e-1, -0.62689710414685e-4, -0.55711118565645e-9, -0.19905718354408, 0.31777497330738,
    -0.11841182425981,
])
# fmt: on


def iapws95(kelvin, density):
    """Pressure [Pa], c_v, speed of sound [m/s], entropy, c_p [J/(kg K)] and dp/drho."""
    d, t = density / RHO_C, T_C / kelvin
    e = np.exp(-np.where(C > 0, d**C, 0.0))
    base = N * d**D * t**T * e
    first = D - C * np.where(C > 0, d**C, 0.0)  # d/dd of the logarithm, times d
    second = first * (first - 1.0) - C**2 * np.where(C > 0, d**C, 0.0)
    r, rd, rdd = base.sum(), (base * first).sum(), (base * second).sum()  # times d, d^2
    rt, rtt, rdt = (base * T).sum(), (base * T * (T - 1.0)).sum(), (base * T * first).sum()
    fall = [1.0 - np.exp(-g * t) for g in GAMMA]
    ideal = np.log(d) + IDEAL[0] + IDEAL[1] * t + IDEAL[2] * np.log(t)
    ideal += sum(a * np.log(f) for a, f in zip(IDEAL[3:], fall, strict=True))
    it = t * IDEAL[1] + IDEAL[2] + t * sum(a * g * (1 / f - 1) for a, g, f in zip(IDEAL[3:], GAMMA, fall, strict=True))
    itt = -IDEAL[2] - t**2 * sum(a * g**2 * (1 - f) / f**2 for a, g, f in zip(IDEAL[3:], GAMMA, fall, strict=True))
    c_v = -R95 * (itt + rtt)
    stiff, mixed = 1.0 + 2.0 * rd + rdd, 1.0 + rd - rdt
    return {
        "pressure": density * R95 * kelvin * (1.0 + rd),
        "c_v": c_v,
        "sound": np.sqrt(R95 * kelvin * (stiff + mixed**2 * R95 / c_v)),
        "entropy": R95 * (it + rt - ideal - r),
        "c_p": c_v + R95 * mixed**2 / stiff,
        "slope": R95 * kelvin * stiff,
    }


def water95(celsius):
    """Density and c_p at 101.325 kPa."""
    density = 1000.0
    for _ in range(12):
        state = iapws95(celsius + 273.15, density)
        density -= (state["pressure"] - 101325.0) / state["slope"]
    return density, iapws95(celsius + 273.15, density)["c_p"]


# ---- IAPWS-IF97 region 1 -------------------------------------------------------------------------------------------

# fmt: off
I97 = np.array([0] * 8 + [1] * 6 + [2] * 5 + [3] * 3 + [4] * 3 + [5, 8, 8, 21, 23, 29, 30, 31, 32], dtype=float)
J97 = np.array([-2, -1, 0, 1, 2, 3, 4, 5, -9, -7, -1, 0, 1, 3, -3, 0, 1, 3, 17, -4, 0, 6, -5, -2, 10, -8, -11, -6, -29,
                -31, -38, -39, -40, -41], dtype=float)
N97 = np.array([
    0.14632971213167, -0.84548187169114, -0.37563603672040e1, 0.33855169168385e1, -0.95791963387872,
    0.15772038513228, -0.16616417199501e-1, 0.81214629983568e-3, 0.28319080123804e-3, -0.60706301565874e-3,
    -0.18990068218419e-1, -0.32529748770505e-1, -0.21841717175414e-1, -0.52838357969930e-4, -0.47184321073267e-3,
    -0.30001780793026e-3, 0.47661393906987e-4, -0.44141845330846e-5, -0.72694996297594e-15, -0.31679644845054e-4,
    -0.28270797985312e-5, -0.85205128120103e-9, -0.22425281908000e-5, -0.65171222895601e-6, -0.14341729937924e-12,
    -0.40516996860117e-6, -0.12734301741641e-8, -0.17424871230634e-9, -0.68762131295531e-18, 0.14478307828521e-19,
    0.26335781662795e-22, -0.11947622640071e-22, 0.18228094581404e-23, -0.93537087292458e-25,
])
# fmt: on


def if97(kelvin, pressure):
    """Volume [m^3/kg], enthalpy [J/kg], c_p [J/(kg K)], speed of sound [m/s]."""
    r, p, t = 461.526, pressure / 16.53e6, 1386.0 / kelvin
    a, b = 7.1 - p, t - 1.222
    g_p = (-N97 * I97 * a ** (I97 - 1) * b**J97).sum()
    g_pp = (N97 * I97 * (I97 - 1) * a ** (I97 - 2) * b**J97).sum()
    g_t = (N97 * a**I97 * J97 * b ** (J97 - 1)).sum()
    g_tt = (N97 * a**I97 * J97 * (J97 - 1) * b ** (J97 - 2)).sum()
    g_pt = (-N97 * I97 * a ** (I97 - 1) * J97 * b ** (J97 - 1)).sum()
    sound = np.sqrt(r * kelvin * g_p**2 / ((g_p - t * g_pt) ** 2 / (t**2 * g_tt) - g_pp))
    return r * kelvin / pressure * p * g_p, r * kelvin * t * g_t, -r * t**2 * g_tt, sound


# ---- the rows -------------------------------------------------------------------------------------------------------


def test_TH_11_IAPWS_R6_95_verification_table():
    state = iapws95(300.0, 996.5560)
    assert state["pressure"] == pytest.approx(0.0992418352e6, rel=1e-8)
    assert state["c_v"] == pytest.approx(4.13018112e3, rel=2e-9)
    assert state["sound"] == pytest.approx(1501.51914, rel=4e-9)
    assert state["entropy"] == pytest.approx(0.393062643e3, rel=2e-9)


def test_TH_12_IAPWS_R7_97_table_5():
    volume, enthalpy, heat, sound = if97(300.0, 3e6)
    assert volume == pytest.approx(1.00215168e-3, rel=5e-9)
    assert enthalpy == pytest.approx(115.331273e3, rel=5e-9)
    assert heat == pytest.approx(4.17301218e3, rel=5e-9)
    assert sound == pytest.approx(1507.73921, rel=5e-9)


TH_10 = [
    (20.0, 998.207, 4184.05, 1.0016e-3, 0.5980),
    (25.0, 997.048, 4181.31, 8.900e-4, 0.6065),
    (30.0, 995.649, 4179.82, 7.972e-4, 0.6144),
    (40.0, 992.216, 4179.41, 6.527e-4, 0.6285),
]


@pytest.mark.parametrize(("temperature", "density", "heat", "viscosity", "conductivity"), TH_10)
def test_TH_10_water(temperature, density, heat, viscosity, conductivity):
    assert water_density(temperature) == pytest.approx(density, rel=1e-4)
    assert water_heat_capacity(temperature) == pytest.approx(heat, rel=1e-4)
    assert water_viscosity(temperature) == pytest.approx(viscosity, rel=1e-3)
    assert water_conductivity(temperature) == pytest.approx(conductivity, rel=1e-3)
    exact_density, exact_heat = water95(temperature)
    assert exact_density == pytest.approx(density, rel=1e-6)
    assert exact_heat == pytest.approx(heat, rel=1.5e-6)


def test_TH_10_water_over_the_whole_range_against_IAPWS_95():
    temperatures = np.linspace(0.0, 100.0, 51)
    exact = np.array([water95(t) for t in temperatures])
    np.testing.assert_allclose(water_density(temperatures), exact[:, 0], rtol=2e-5)
    np.testing.assert_allclose(water_heat_capacity(temperatures), exact[:, 1], rtol=5e-5)


@pytest.mark.parametrize("temperature", [5.0, 25.0, 50.0, 80.0])
def test_TH_10_water_against_IAPWS_IF97(temperature):
    volume, _, heat, _ = if97(temperature + 273.15, 101325.0)
    assert water_density(temperature) == pytest.approx(1 / volume, rel=3e-5)
    # The two standards themselves differ by 0.043 % in c_p at 50 degC.
    assert water_heat_capacity(temperature) == pytest.approx(heat, rel=5e-4)


def test_TH_10_IAPWS_SR6_08_check_value_at_298_15_K():
    # Table of the release (from memory): 0.889996774 mPa s and 0.606502308 W/(m K).
    assert water_viscosity(25.0) == pytest.approx(0.889996774e-3, rel=1e-9)
    assert water_conductivity(25.0) == pytest.approx(0.606502308, rel=1e-9)


def test_TH_13_coolant_rise():
    water = water_density(30.0), water_heat_capacity(30.0)
    assert coolant_rise(200.0, LITRE_PER_MINUTE, *water) == pytest.approx(2.8835, rel=1e-4)
    assert coolant_rise(200.0, 2 * LITRE_PER_MINUTE, *water) == pytest.approx(1.4417, rel=1e-4)
    assert coolant_rise(200.0, 3.785411784 * LITRE_PER_MINUTE, *water) == pytest.approx(0.7617, rel=1e-4)
    assert coolant_heat(coolant_rise(200.0, 1e-5, *water), 1e-5, *water) == pytest.approx(200.0, rel=1e-12)


def test_TH_14_heat_capacity_rate():
    rate = heat_capacity_rate(LITRE_PER_MINUTE, water_density(25.0), water_heat_capacity(25.0))
    assert rate == near(69.483, 0.0007)


@pytest.mark.parametrize(("fraction", "heat", "density"), [(0.3, 3747.0, 1033.7), (0.5, 3364.0, 1059.4)])
def test_TH_15_ethylene_glycol(fraction, heat, density):
    assert glycol_heat_capacity(30.0, fraction) == pytest.approx(heat, rel=0.01)
    assert glycol_density(30.0, fraction) == pytest.approx(density, rel=0.01)


@pytest.mark.parametrize("kind", ["ethylene", "propylene"])
def test_TH_15_no_glycol_is_water(kind):
    temperatures = np.linspace(0.0, 40.0, 21)
    np.testing.assert_allclose(glycol_density(temperatures, 0.0, kind), water_density(temperatures), rtol=0.01)
    np.testing.assert_allclose(
        glycol_heat_capacity(temperatures, 0.0, kind), water_heat_capacity(temperatures), rtol=0.01
    )


# ASHRAE Handbook Fundamentals 2001, by polynomials of Skovrup 2013 (coefficients read in a public listing) at 15, 30
# and 50 % by mass: temperature, then density and heat capacity at each. Another collection than Melinder's.
ASHRAE = {
    "ethylene": [
        (0.0, (1025, 3880), (1048, 3631), (1078, 3253)),
        (20.0, (1019, 3919), (1042, 3685), (1070, 3327)),
        (40.0, (1012, 3957), (1033, 3739), (1061, 3402)),
        (60.0, (1002, 3996), (1023, 3794), (1049, 3477)),
        (80.0, (991, 4035), (1011, 3848), (1036, 3552)),
    ],
    "propylene": [
        (0.0, (1019, 3994), (1036, 3802), (1053, 3457)),
        (20.0, (1013, 4032), (1028, 3856), (1043, 3534)),
        (40.0, (1005, 4069), (1018, 3910), (1031, 3611)),
        (60.0, (995, 4107), (1006, 3965), (1017, 3688)),
        (80.0, (983, 4144), (992, 4019), (1001, 3765)),
    ],
}


@pytest.mark.parametrize(("kind", "row"), [(kind, row) for kind, rows in ASHRAE.items() for row in rows])
def test_TH_15_glycols_against_another_collection(kind, row):
    temperature, *cells = row
    for fraction, (density, heat) in zip((0.15, 0.30, 0.50), cells, strict=True):
        assert glycol_density(temperature, fraction, kind) == pytest.approx(density, rel=0.01)
        assert glycol_heat_capacity(temperature, fraction, kind) == pytest.approx(heat, rel=0.02)


def test_TH_15_says_where_nobody_vouches():
    assert out_of_range(glycol_density, temperature=85.0, mass_fraction=0.3) != ()
    assert out_of_range(glycol_density, temperature=35.0, mass_fraction=0.3) == ()
