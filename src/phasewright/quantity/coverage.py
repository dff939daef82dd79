"""Coverage: from standard uncertainties and their shapes to a 95 % interval."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from functools import cache, lru_cache

from phasewright.quantity.value import Part

_ROOT3 = math.sqrt(3.0)
_ROOT2 = math.sqrt(2.0)
_ROOT2PI = math.sqrt(2.0 * math.pi)
_PLAIN_BELOW = 0.2  # a rectangle under this share of u changes the factor by less than 0.01 % if taken as normal
_MOST_RECTANGLES = 3
_NORMAL_ABOVE = 1e5  # degrees of freedom from which Student's factor and the normal one agree to 2e-5


def coverage_factor(dof: float, level: float = 0.95) -> float:
    """Return the two-sided Student factor [1] for `dof` degrees of freedom at coverage probability `level`.

    `dof` may be fractional and infinite; it is not truncated to an integer (GUM G.4.1 leaves the choice; truncation is
    the older habit for printed tables). Raises ValueError unless dof > 0 and 0 < level < 1.
    """
    if not dof > 0.0 or not 0.0 < level < 1.0:
        raise ValueError(
            f"no coverage factor (dof = {dof}, level = {level}) - dof > 0 and 0 < level < 1 are asked for - "
            f"at least two independent readings give dof = 1"
        )
    return _factor(dof, level)


@lru_cache(maxsize=4096)
def _factor(dof: float, level: float) -> float:
    tail = 0.5 * (1.0 + level)
    from scipy.special import ndtri, stdtrit

    return float(ndtri(tail)) if dof > _NORMAL_ABOVE else float(stdtrit(dof, tail))


def combined_dof(parts: Iterable[Part]) -> float:
    """Return the effective degrees of freedom of the sum of `parts` (Welch-Satterthwaite, GUM G.4.2).

    Sources that differ only after a '#' come from one estimate of a covariance (`values_from_covariance`). They are put
    together before the formula is applied, because their estimates are not independent.
    """
    parts = tuple(parts)
    if all(part.dof == math.inf for part in parts):
        return math.inf
    groups: dict[str, list[float]] = {}
    for part in parts:
        name = part.source.partition("#")[0] if "#" in part.source else part.source
        group = groups.setdefault(name, [0.0, math.inf])
        group[0] += part.contribution**2
        group[1] = min(group[1], part.dof)
    variance = math.fsum(group[0] for group in groups.values())
    if variance == 0.0:
        return math.inf
    # Shares first: u**4 of a picofarad in SI would underflow.
    rest = math.fsum((share / variance) ** 2 / dof for share, dof in groups.values())
    return 1.0 / rest if rest > 0.0 else math.inf


def half_width(parts: Sequence[Part], level: float = 0.95) -> float:
    """Return the half width of the symmetric interval that covers `level` of the sum of independent `parts`.

    The largest rectangular parts (up to three, each at least a fifth of u) are kept as rectangles, all others are taken
    together as one Student variable with their effective degrees of freedom; the interval is the exact quantile of the
    sum of these rectangles and that variable. With no such rectangle this is Student's factor times u. With one that
    dominates it is the usual advice to leave the factor 2 (EA-4/02 supplement S9 and similar calibration guidance, from
    memory), made exact: a lone rectangle of half width a gives 0.95 a, not 1.13 a.
    """
    u = math.sqrt(math.fsum(part.contribution**2 for part in parts))
    if u == 0.0:
        return 0.0
    boxes = [
        part
        for part in parts
        if part.shape == "rectangular" and math.isinf(part.dof) and abs(part.contribution) >= _PLAIN_BELOW * u
    ]
    boxes = sorted(boxes, key=lambda part: -abs(part.contribution))[:_MOST_RECTANGLES]
    while True:
        rest = [part for part in parts if all(part is not box for box in boxes)] if boxes else parts
        dof = combined_dof(rest)
        if not boxes or dof > len(boxes):
            break
        boxes.pop()  # the tails of so few degrees of freedom have no mean to integrate
    if not boxes:
        return coverage_factor(dof, level) * u
    spread = math.sqrt(math.fsum(part.contribution**2 for part in rest))
    shares = tuple(_ROOT3 * abs(part.contribution) / u for part in boxes)
    return u * _sum_quantile(shares, max(spread / u, 1e-7), dof, level)


# The same budget stands behind many figures of a step, scaled: shares of u come again, contributions do not.
@lru_cache(maxsize=8192)
def _sum_quantile(boxes: tuple[float, ...], spread: float, dof: float, level: float) -> float:
    """Return q with P(|sum of uniforms on +-boxes plus spread x Student(dof)| < q) = level."""
    if len(boxes) == 1 and dof > _NORMAL_ABOVE:
        return _box_quantile(boxes[0], spread, level)
    signs = [(1.0, 0.0)]
    for box in boxes:
        signs = [(sign * side, shift + side * box) for sign, shift in signs for side in (1.0, -1.0)]
    count = len(boxes)
    scale = spread**count / math.prod(2.0 * box for box in boxes)
    target = 0.5 * (1.0 + level)

    low, high = 0.0, math.fsum(boxes) + spread * coverage_factor(dof, level)
    y = min(coverage_factor(math.inf, level), 0.5 * high)
    for _ in range(60):
        pairs = [(sign, *_iterated(count, (y + shift) / spread, dof)) for sign, shift in signs]
        miss = scale * math.fsum(sign * now for sign, now, _ in pairs) - target
        low, high = (low, y) if miss > 0.0 else (y, high)
        if high - low < 1e-12 or abs(miss) < 1e-13:
            break
        slope = (scale / spread) * math.fsum(sign * before for sign, _, before in pairs)
        step = y - miss / slope if slope > 0.0 else low
        y = step if low < step < high else 0.5 * (low + high)
    return y


def _box_quantile(box: float, spread: float, level: float) -> float:
    """Return what `_sum_quantile` returns for one box and a normal variable, the usual case, to the last digit."""
    scale, target = spread / (2.0 * box), 0.5 * (1.0 + level)
    factor = coverage_factor(math.inf, level)
    low, high = 0.0, box + spread * factor
    y = min(factor, 0.5 * high)
    for _ in range(60):
        right, left = (y + box) / spread, (y - box) / spread
        below_right, below_left = 0.5 * math.erfc(-right / _ROOT2), 0.5 * math.erfc(-left / _ROOT2)
        above = right * below_right + math.exp(-0.5 * right * right) / _ROOT2PI
        miss = scale * (above - (left * below_left + math.exp(-0.5 * left * left) / _ROOT2PI)) - target
        low, high = (low, y) if miss > 0.0 else (y, high)
        if high - low < 1e-12 or abs(miss) < 1e-13:
            break
        slope = (scale / spread) * (below_right - below_left)
        step = y - miss / slope if slope > 0.0 else low
        y = step if low < step < high else 0.5 * (low + high)
    return y


def _iterated(order: int, x: float, dof: float) -> tuple[float, float]:
    """Return the distribution function of Student's variable, integrated `order` times and once less from -inf to x.

    Normal: k G_k = x G_(k-1) + G_(k-2). Student is a normal whose variance is drawn, which turns the last term into
    that of dof - 2 with the scale c = sqrt(dof/(dof-2)). Own derivation, checked against quadrature. Needs dof > order
    and order of 1 at least.
    """
    if dof > _NORMAL_ABOVE:
        before = math.exp(-0.5 * x * x) / _ROOT2PI
        now = 0.5 * math.erfc(-x / _ROOT2)
        for k in range(1, order + 1):
            before, now = now, (x * now + before) / k
        return now, before
    below = _student_below(dof, x)
    now, before = x * below + (dof + x * x) / (dof - 1.0) * _height(dof, x), below
    if order == 1:
        return now, before
    c = math.sqrt(dof / (dof - 2.0))
    for k in range(2, order + 1):
        # What stands behind the scale is two orders lower.
        less = _iterated(k - 2, x / c, dof - 2.0)[0] if k > 2 else _student_below(dof - 2.0, x / c)
        now, before = (x * now + c**k * less) / k, now
    return now, before


def _student_below(dof: float, x: float) -> float:
    """Return the chance that Student's variable is below x."""
    return float(_stdtr()(dof, x))


def _height(dof: float, x: float) -> float:
    """Return the density of Student's variable at x."""
    return math.exp(_log_peak(dof) - 0.5 * (dof + 1.0) * math.log1p(x * x / dof))


@lru_cache(maxsize=1024)
def _log_peak(dof: float) -> float:
    """Return the logarithm of the density of Student's variable at 0."""
    return math.lgamma(0.5 * (dof + 1.0)) - math.lgamma(0.5 * dof) - 0.5 * math.log(dof * math.pi)


@cache
def _stdtr():
    from scipy.special import stdtr

    return stdtr
