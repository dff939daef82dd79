"""NIST StRD certified regressions through our fitter: values, standard uncertainties and residual sums of squares.

All 27 nonlinear sets (reference-values ME-17 to ME-22 are among them) from both of their starts, and the linear set
Norris (ME-14). The agreement asserted is in significant digits, as NIST counts them: 8 for values and uncertainties
from either start, except where `LESS` says why.
"""

import csv
import math
import re
from pathlib import Path

import numpy as np
import pytest

from phasewright.quantity import fit_least_squares

NIST = Path(__file__).parents[1] / "published" / "nist"


def exponential_sum(b, x):
    return b[0] * np.exp(-b[1] * x) + b[2] * np.exp(-b[3] * x) + b[4] * np.exp(-b[5] * x)


def two_peaks(b, x):
    peaks = b[2] * np.exp(-(((x - b[3]) / b[4]) ** 2)) + b[5] * np.exp(-(((x - b[6]) / b[7]) ** 2))
    return b[0] * np.exp(-b[1] * x) + peaks


def cubic_over_cubic(b, x):
    return (b[0] + b[1] * x + b[2] * x**2 + b[3] * x**3) / (1.0 + b[4] * x + b[5] * x**2 + b[6] * x**3)


def three_cycles(b, x):
    out = b[0] + b[1] * np.cos(2 * np.pi * x / 12) + b[2] * np.sin(2 * np.pi * x / 12)
    for k in (3, 6):
        out = out + b[k + 1] * np.cos(2 * np.pi * x / b[k]) + b[k + 2] * np.sin(2 * np.pi * x / b[k])
    return out


MODELS = {
    "Bennett5": lambda b, x: b[0] * (b[1] + x) ** (-1.0 / b[2]),
    "BoxBOD": lambda b, x: b[0] * (1.0 - np.exp(-b[1] * x)),
    "Chwirut1": lambda b, x: np.exp(-b[0] * x) / (b[1] + b[2] * x),
    "Chwirut2": lambda b, x: np.exp(-b[0] * x) / (b[1] + b[2] * x),
    "DanWood": lambda b, x: b[0] * x ** b[1],
    "ENSO": three_cycles,
    "Eckerle4": lambda b, x: b[0] / b[1] * np.exp(-0.5 * ((x - b[2]) / b[1]) ** 2),
    "Gauss1": two_peaks,
    "Gauss2": two_peaks,
    "Gauss3": two_peaks,
    "Hahn1": cubic_over_cubic,
    "Kirby2": lambda b, x: (b[0] + b[1] * x + b[2] * x**2) / (1.0 + b[3] * x + b[4] * x**2),
    "Lanczos1": exponential_sum,
    "Lanczos2": exponential_sum,
    "Lanczos3": exponential_sum,
    "MGH09": lambda b, x: b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3]),
    "MGH10": lambda b, x: b[0] * np.exp(b[1] / (x + b[2])),
    "MGH17": lambda b, x: b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4]),
    "Misra1a": lambda b, x: b[0] * (1.0 - np.exp(-b[1] * x)),
    "Misra1b": lambda b, x: b[0] * (1.0 - (1.0 + b[1] * x / 2.0) ** -2),
    "Misra1c": lambda b, x: b[0] * (1.0 - (1.0 + 2.0 * b[1] * x) ** -0.5),
    "Misra1d": lambda b, x: b[0] * b[1] * x / (1.0 + b[1] * x),
    "Nelson": lambda b, x: b[0] - b[1] * x[:, 0] * np.exp(-b[2] * x[:, 1]),
    "Rat42": lambda b, x: b[0] / (1.0 + np.exp(b[1] - b[2] * x)),
    "Rat43": lambda b, x: b[0] / (1.0 + np.exp(b[1] - b[2] * x)) ** (1.0 / b[3]),
    "Roszman1": lambda b, x: b[0] - b[1] * x - np.arctan(b[2] / (x - b[3])) / np.pi,
    "Thurber": cubic_over_cubic,
}

# (digits of values, digits of uncertainties) that double precision or the shape of the valley leave, with one to spare.
LESS = {
    "Bennett5": (7, 7),  # a valley of condition 1e10: three parameters for what is nearly one
    "Lanczos1": (8, 0),  # residual sum of squares 1.4e-25: the residuals are the rounding of the data in doubles
    "Lanczos2": (8, 7),
    "Lanczos3": (7, 7),
}


def certified(name):
    """Return both starts, certified values and uncertainties (p, 4), the residual sum of squares, x and y."""
    text = (NIST / f"{name}.dat").read_text(encoding="ascii")
    table = np.array(re.findall(r"^\s*b\d+\s*=\s*(\S+)\s+(\S+)\s+(\S+)\s+(\S+)", text, re.M), dtype=float)
    rss = float(re.search(r"Residual Sum of Squares:\s*(\S+)", text).group(1))
    rows = text[text.rindex("Data:") :].splitlines()[1:]
    data = np.array([row.split() for row in rows if row.strip()], dtype=float)
    x = data[:, 1] if data.shape[1] == 2 else data[:, 1:]
    return table, rss, x, np.log(data[:, 0]) if name == "Nelson" else data[:, 0]


def digits(found, expected):
    error = np.max(np.abs(np.asarray(found, dtype=float) / np.asarray(expected) - 1.0))
    return -math.log10(max(error, 1e-16))


def test_all_sets_are_here():
    assert {path.stem for path in NIST.glob("*.dat")} == set(MODELS)
    assert len(MODELS) == 27


@pytest.mark.parametrize("start", [0, 1], ids=["far start", "near start"])
@pytest.mark.parametrize("name", sorted(MODELS))
def test_nist_strd_nonlinear(name, start):
    table, rss, x, y = certified(name)
    fit = fit_least_squares(
        lambda b: MODELS[name](b, x) - y, table[:, start], names=[f"b{k + 1}" for k in range(len(table))]
    )
    of_values, of_u = LESS.get(name, (8, 8))
    assert fit.converged, fit.message
    assert digits(fit.values, table[:, 2]) >= of_values
    assert fit.dof == len(y) - len(table)
    assert fit.reasons == ("",) * len(table)
    assert digits(fit.u, table[:, 3]) >= of_u
    if name != "Lanczos1":
        assert digits(fit.rss, rss) >= 9


def norris():
    with (NIST / "Norris.csv").open(encoding="ascii") as file:
        rows = [(float(row["x"]), float(row["y"])) for row in csv.DictReader(file)]
    return np.array(rows).T


@pytest.mark.parametrize("analytic", [False, True])
def test_me_14_nist_strd_norris(analytic):
    """Certified: slope 1.00211681802045 (0.000429796848199937), intercept -0.262323073774029 (0.232818234301152)."""
    x, y = norris()
    design = np.stack([np.ones_like(x), x], axis=1)
    fit = fit_least_squares(
        lambda b: design @ b - y,
        [0.0, 1.0],
        names=["intercept", "slope"],
        jacobian=(lambda b: design) if analytic else None,
    )
    expected = 12 if analytic else 10
    assert digits(fit.values, [-0.262323073774029, 1.00211681802045]) >= expected
    assert digits(fit.u, [0.232818234301152, 0.000429796848199937]) >= expected - 1
    assert math.sqrt(fit.rss / fit.dof) == pytest.approx(0.884796396144373, rel=1e-12)
    assert 1.0 - fit.rss / np.sum((y - y.mean()) ** 2) == pytest.approx(0.999993745883712, rel=1e-13)
