"""Inverse tails of the gamma and the beta distribution, for bounds on failure rates and probabilities.

Numbers as such live in the quantity room, which this room does not import; so these two stand here, by series and
continued fractions (Abramowitz and Stegun 6.5.29, 6.5.31 and 26.5.8; modified Lentz's method), and are checked against
scipy in the tests.
"""

from __future__ import annotations

import math
from collections.abc import Callable

_TINY = 1e-300
_CLOSE = 1e-16


def _continued(first: float, terms: Callable[[int], tuple[float, float]]) -> float:
    """Return b0 + a1/(b1 + a2/(b2 + ...)) by the modified Lentz's method; `terms(k)` gives a_k, b_k."""
    value = first or _TINY
    c, d = value, 0.0
    for k in range(1, 1_000_000):
        a, b = terms(k)
        d = b + a * d or _TINY
        c = b + a / c or _TINY
        d = 1.0 / d
        step = c * d
        value *= step
        if abs(step - 1.0) < _CLOSE * 10:
            break
    return value


def gamma_tails(shape: float, x: float) -> tuple[float, float]:
    """Return the lower and the upper tail of the gamma distribution with unit scale at `x`."""
    if x <= 0.0:
        return 0.0, 1.0
    front = math.exp(shape * math.log(x) - x - math.lgamma(shape))
    if x < shape + 1.0:
        term = total = 1.0 / shape
        k = 0
        while term > total * _CLOSE:
            k += 1
            term *= x / (shape + k)
            total += term
        lower = front * total
        return lower, 1.0 - lower
    fraction = _continued(x + 1.0 - shape, lambda k: (-k * (k - shape), x + 2 * k + 1.0 - shape))
    upper = front / fraction
    return 1.0 - upper, upper


def beta_tails(a: float, b: float, x: float) -> tuple[float, float]:
    """Return the lower and the upper tail of the beta distribution at `x`."""
    if x <= 0.0:
        return 0.0, 1.0
    if x >= 1.0:
        return 1.0, 0.0
    if x > (a + 1.0) / (a + b + 2.0):
        lower, upper = beta_tails(b, a, 1.0 - x)
        return upper, lower
    log_beta = math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b)
    front = math.exp(a * math.log(x) + b * math.log1p(-x) - log_beta) / a

    def terms(k: int) -> tuple[float, float]:
        m = k // 2
        if k % 2:
            return -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)), 1.0
        return m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)), 1.0

    lower = front / _continued(1.0, terms)
    return lower, 1.0 - lower


def _solve(excess: Callable[[float], float], low: float, high: float) -> float:
    """Return the zero of a rising function between `low` and `high`, by regula falsi (Illinois) with bisection."""
    f_low, f_high = excess(low), excess(high)
    last = 0
    for count in range(300):
        x = low + (high - low) / 2.0 if count % 3 == 2 else (low * f_high - high * f_low) / (f_high - f_low)
        if not low < x < high:
            x = low + (high - low) / 2.0
        f = excess(x)
        if f == 0.0 or high - low <= 4e-16 * high:
            return x
        if f < 0.0:
            low, f_low = x, f
            f_high = f_high / 2.0 if last < 0 else f_high
            last = -1
        else:
            high, f_high = x, f
            f_low = f_low / 2.0 if last > 0 else f_low
            last = 1
    return low + (high - low) / 2.0


def gamma_point(shape: float, tail: float, *, upper: bool) -> float:
    """Return the point of a unit gamma distribution beyond which (upper) or below which a tail lies."""
    low, high = 0.0, shape + 1.0
    while gamma_tails(shape, high)[1] > (tail if upper else 1.0 - tail):
        low, high = high, 2.0 * high
    if upper:
        return _solve(lambda x: tail - gamma_tails(shape, x)[1], low, high)
    while low == 0.0 and gamma_tails(shape, high / 2.0)[0] > tail:
        high /= 2.0
    return _solve(lambda x: gamma_tails(shape, x)[0] - tail, low if low else high / 2.0, high)


def beta_point(a: float, b: float, tail: float, *, upper: bool) -> float:
    """Return the point of a beta distribution beyond which (upper) or below which a tail lies."""
    if upper:
        return 1.0 - beta_point(b, a, tail, upper=False) if a > b else _beta_up(a, b, tail)
    high = 1.0
    while beta_tails(a, b, high / 2.0)[0] > tail:
        high /= 2.0
    return _solve(lambda x: beta_tails(a, b, x)[0] - tail, high / 2.0 if high < 1.0 else 0.0, high)


def _beta_up(a: float, b: float, tail: float) -> float:
    low, high = 0.0, 1.0
    while beta_tails(a, b, high / 2.0)[1] < tail:
        high /= 2.0
    return _solve(lambda x: tail - beta_tails(a, b, x)[1], low, high)
