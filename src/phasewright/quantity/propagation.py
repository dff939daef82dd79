"""Values from parts, and the law of propagation of uncertainty."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping

from phasewright.quantity.value import Part, Value

_INF = math.inf


def coverage_factor(dof: float, level: float = 0.95) -> float:
    """Return the two-sided Student factor for `dof` degrees of freedom (not truncated) at `level` [1]."""
    from scipy.special import ndtri, stdtrit

    if not dof > 0 or not 0 < level < 1:
        raise ValueError(f"no factor (dof = {dof}, level = {level}) - dof > 0 and 0 < level < 1 - mend the argument")
    tail = 0.5 * (1.0 + level)
    return float(ndtri(tail) if math.isinf(dof) else stdtrit(dof, tail))


def _merge(parts: Iterable[Part]) -> tuple[Part, ...]:
    merged: dict[str, Part] = {}
    for part in parts:
        old = merged.get(part.source)
        if old is None:
            merged[part.source] = part
        else:
            total = old.contribution + part.contribution
            merged[part.source] = Part(part.source, total, old.shape, min(old.dof, part.dof))
    return tuple(merged.values())


def value_from_parts(value: float, unit: str, parts: Iterable[Part], kind: str = "derived") -> Value:
    """Return the Value with u, dof and 95 % interval from its parts."""
    merged = _merge(parts)
    u = math.sqrt(sum(part.contribution**2 for part in merged))
    if u == 0.0:
        return Value(float(value), unit, 0.0, float(value), float(value), kind, merged)
    rest = sum(part.contribution**4 / part.dof for part in merged)
    dof = u**4 / rest if rest > 0 else _INF
    half = coverage_factor(dof) * u
    return Value(float(value), unit, u, value - half, value + half, kind, merged, dof)


def propagate(
    function: Callable[..., float], inputs: Mapping[str, Value], unit: str, kind: str = "derived"
) -> Value:
    """Return function(**inputs) with the uncertainty of the inputs."""
    centre = {name: item.value for name, item in inputs.items()}
    value = float(function(**centre))
    unknown = [f"{name}: {item.reason}" for name, item in inputs.items() if item.u is None]
    if unknown:
        return Value(value, unit, kind=kind, reason="uncertainty unknown of " + "; ".join(unknown))
    parts = []
    for name, item in inputs.items():
        if not item.u:
            continue
        step = max(0.01 * item.u, 1e-4 * abs(item.value))

        def slope(h: float, name: str = name, x: float = item.value) -> float:
            return (function(**{**centre, name: x + h}) - function(**{**centre, name: x - h})) / (2 * h)

        sensitivity = (4 * slope(step / 2) - slope(step)) / 3
        parts += [Part(p.source, sensitivity * p.contribution, p.shape, p.dof) for p in item.parts]
    return value_from_parts(value, unit, parts, kind)


def difference(a: Value, b: Value) -> Value:
    """Return a - b; sources that both share cancel."""
    unit = "K" if a.unit == "degC" else a.unit
    return propagate(lambda a, b: a - b, {"a": a, "b": b}, unit)


def ratio(a: Value, b: Value) -> Value:
    """Return a / b; sources that both share cancel."""
    unit = "1" if a.unit == b.unit else f"{a.unit}/{b.unit}"
    return propagate(lambda a, b: a / b, {"a": a, "b": b}, unit)
