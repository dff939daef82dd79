"""Values from parts, and the law of propagation of uncertainty (JCGM 100:2008, the GUM, clause 5)."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING

from phasewright.quantity.coverage import combined_dof, half_width
from phasewright.quantity.value import Part, Value

if TYPE_CHECKING:
    import numpy as np

SHAPES = ("normal", "rectangular", "student")


def value_from_parts(value: float, unit: str, parts: Iterable[Part], kind: str = "derived") -> Value:
    """Return the Value [unit] whose standard uncertainty, degrees of freedom and 95 % interval follow from `parts`.

    Parts with the same source are fully correlated: their contributions add with sign, before squaring. Different
    sources are independent. Degrees of freedom: Welch-Satterthwaite, not truncated. Interval: `half_width`, which keeps
    large rectangular parts rectangular, so it need not be Student's factor times u. No parts means exact (u = 0); for
    an unknown uncertainty build `Value(..., u=None, reason=...)` instead. Raises ValueError for a contribution that is
    not finite, an unknown shape, or one source under two shapes.
    """
    value = float(value)
    merged = _merge(parts)
    u, half, dof = _spread(merged)
    return Value(value, unit, u, value - half, value + half, kind, merged, dof)


# Limits ask for the same figures of a step again and again: three in four budgets were there before.
@lru_cache(maxsize=4096)
def _spread(merged: tuple[Part, ...]) -> tuple[float, float, float]:
    """Return standard uncertainty, half width of the 95 % interval and degrees of freedom of a budget."""
    return math.sqrt(math.fsum(part.contribution**2 for part in merged)), half_width(merged), combined_dof(merged)


def _merge(parts: Iterable[Part]) -> tuple[Part, ...]:
    merged: dict[str, Part] = {}
    for part in parts:
        if not math.isfinite(part.contribution) or not part.dof > 0.0 or part.shape not in SHAPES:
            raise ValueError(
                f"bad part ({part!r}) - a finite contribution, dof > 0 and a shape of {', '.join(SHAPES)} are asked "
                f"for - leave the uncertainty unknown (u = None with a reason) if it is"
            )
        old = merged.get(part.source)
        if old is None or old.contribution == 0.0:
            merged[part.source] = part
        elif part.contribution != 0.0:
            if old.shape != part.shape:
                raise ValueError(
                    f"one source, two shapes (source = {part.source!r}, {old.shape} and {part.shape}) - a source is "
                    f"one variable - give the two sources different names"
                )
            total = old.contribution + part.contribution
            merged[part.source] = Part(part.source, total, part.shape, min(old.dof, part.dof))
    return tuple(merged.values())


def values_from_covariance(
    values: Sequence[float],
    units: Sequence[str],
    covariance: np.ndarray,
    source: str,
    *,
    dof: float = math.inf,
    kind: str = "derived",
) -> tuple[Value, ...]:
    """Return one Value for each of `values` [units], correlated as `covariance` (shape (n, n)) says.

    The covariance is split into independent sources `source#1`, `source#2`, ... that all the values share, so that
    `propagate` finds the correlations again. `dof` is that of the covariance estimate (readings less one, or a fit's
    degrees of freedom); the sources count as one estimate in Welch-Satterthwaite. Raises ValueError for a covariance
    that is not symmetric or has a variance below zero.
    """
    import numpy as np

    matrix = np.asarray(covariance, dtype=float)
    count = len(values)
    scale = np.sqrt(np.abs(np.diagonal(matrix))) if matrix.ndim == 2 else np.zeros(0)
    safe = np.where(scale > 0.0, scale, 1.0)
    fits = matrix.shape == (count, count) and len(units) == count and np.all(np.isfinite(matrix))
    if not fits or np.any(np.abs(matrix - matrix.T) > 1e-8 * np.outer(safe, safe)):
        raise ValueError(
            f"bad covariance (shape = {matrix.shape}, values = {count}, units = {len(units)}) - finite, symmetric and "
            f"one row for each value is asked for - leave out values that have no uncertainty"
        )
    roots, vectors = np.linalg.eigh(0.5 * (matrix + matrix.T) / np.outer(safe, safe))
    if count and roots[0] < -1e-8 * max(1.0, roots[-1]):
        raise ValueError(
            f"bad covariance (smallest eigenvalue of the correlations = {roots[0]:.3g}) - no combination may have a "
            f"variance below zero - estimate all covariances from the same readings"
        )
    columns = safe[:, None] * vectors * np.sqrt(np.clip(roots, 0.0, None))
    shape = "student" if math.isfinite(dof) else "normal"
    return tuple(
        value_from_parts(
            number,
            unit,
            [Part(f"{source}#{k + 1}", float(columns[i, k]), shape, dof) for k in range(count) if columns[i, k] != 0.0],
            kind,
        )
        for i, (number, unit) in enumerate(zip(values, units, strict=True))
    )


def correlation(a: Value, b: Value) -> float:
    """Return the correlation [1] between two values that comes from the sources they share; 0 if either has no u.

    Raises ValueError if an uncertainty is unknown, or known without its parts.
    """
    for name, item in (("a", a), ("b", b)):
        if item.u is None or (item.u and not item.parts):
            why = item.reason or "no parts"
            raise ValueError(
                f"no correlation ({name}: {why}) - an uncertainty with its parts is asked for - leave it out"
            )
    others = {part.source: part.contribution for part in b.parts}
    shared = math.fsum(part.contribution * others.get(part.source, 0.0) for part in a.parts)
    return shared / (a.u * b.u) if a.u and b.u else 0.0


def propagate(function: Callable[..., float], inputs: Mapping[str, Value], unit: str, kind: str = "derived") -> Value:
    """Return function(**inputs) [unit] with the uncertainty that the inputs give it (GUM 5.1.2 and 5.2.2).

    `function` takes plain floats by the names in `inputs`. Sensitivities are central differences of fourth order, and
    inputs that share a source are correlated through it. First order: where the function bends within the uncertainty
    of an input, use `monte_carlo`. If an input's uncertainty is unknown, or the function is not finite next to the
    values, so is the result's, with the reason. Raises ValueError if the function is not finite at the values, and for
    an input with an uncertainty but no parts.
    """
    centre = {name: item.value for name, item in inputs.items()}
    value = float(function(**centre))
    if not math.isfinite(value):
        at = ", ".join(f"{name} = {x:g}" for name, x in centre.items())
        raise ValueError(f"no result (function = {value} at {at}) - a finite result is asked for - check the inputs")
    unknown = [f"{name} ({item.reason or 'no reason given'})" for name, item in inputs.items() if item.u is None]
    if unknown:
        return Value(value, unit, kind=kind, reason="uncertainty unknown of " + ", ".join(unknown))
    parts: list[Part] = []
    for name, item in inputs.items():
        if not item.u:
            continue
        if not item.parts:
            raise ValueError(
                f"no parts ({name}.u = {item.u:g}) - an uncertainty needs its sources, so that what is shared is "
                f"counted once - build the value with value_from_parts"
            )
        slope = _slope(function, centre, name, item.u)
        if not math.isfinite(slope):
            return Value(value, unit, kind=kind, reason=f"no finite result next to {name} = {item.value:g}")
        parts += [Part(part.source, slope * part.contribution, part.shape, part.dof) for part in item.parts]
    return value_from_parts(value, unit, parts, kind)


def _slope(function: Callable[..., float], centre: Mapping[str, float], name: str, u: float) -> float:
    """Return the derivative of `function` by input `name`, from two central differences (error of fourth order)."""
    x = centre[name]
    # Small against both, so that the function is smooth over it, yet so large that rounding costs under 1e-11.
    step = max(0.01 * u, 1e-4 * abs(x))

    def chord(h: float) -> float:
        above, below = {**centre, name: x + h}, {**centre, name: x - h}
        return (float(function(**above)) - float(function(**below))) / (above[name] - below[name])

    try:
        return (4.0 * chord(0.5 * step) - chord(step)) / 3.0
    except (ArithmeticError, ValueError):  # the formula's range ends here
        return math.nan


def _lined_up(a: Value, b: Value, parts: Iterable[tuple[float, Value]], value: float, unit: str, kind: str) -> Value:
    """Return `value` with the parts of a and b, each times its sensitivity."""
    unknown = [f"{name} ({item.reason or 'no reason given'})" for name, item in (("a", a), ("b", b)) if item.u is None]
    if unknown:
        return Value(value, unit, kind=kind, reason="uncertainty unknown of " + ", ".join(unknown))
    for name, item in (("a", a), ("b", b)):
        if item.u and not item.parts:
            raise ValueError(
                f"no parts ({name}.u = {item.u:g}) - an uncertainty needs its sources - build it with value_from_parts"
            )
    gathered = [
        Part(part.source, slope * part.contribution, part.shape, part.dof)
        for slope, item in parts
        for part in item.parts
    ]
    return value_from_parts(value, unit, gathered, kind)


def difference(a: Value, b: Value, kind: str = "derived") -> Value:
    """Return a - b in their unit (two temperatures in degC differ by K); sources that both share cancel.

    Raises ValueError for values of different units; a temperature less a difference in K stays in degC.
    """
    if a.unit == b.unit:
        unit = "K" if a.unit == "degC" else a.unit
    elif (a.unit, b.unit) == ("degC", "K"):
        unit = "degC"
    else:
        raise ValueError(f"units differ (a in {a.unit}, b in {b.unit}) - one unit is asked for - convert one of them")
    return _lined_up(a, b, ((1.0, a), (-1.0, b)), a.value - b.value, unit, kind)


def ratio(a: Value, b: Value, kind: str = "derived") -> Value:
    """Return a / b [1, or "a.unit/b.unit"]; sources that both share cancel as far as they act by the same share.

    Raises ValueError for b = 0 and for temperatures in degC, whose ratio means nothing.
    """
    if "degC" in (a.unit, b.unit):
        raise ValueError(f"no ratio (a in {a.unit}, b in {b.unit}) - degC has no true zero - take rises in K")
    if b.value == 0.0:
        raise ValueError(f"no ratio (b = {b.value:g} {b.unit}) - the divisor must not be 0 - leave this ratio out")
    unit = "1" if a.unit == b.unit else a.unit if b.unit == "1" else f"{a.unit}/{b.unit}"
    value = a.value / b.value
    return _lined_up(a, b, ((1.0 / b.value, a), (-value / b.value, b)), value, unit, kind)
