"""Propagation of distributions by sampling (JCGM 101:2008)."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np

from phasewright.quantity.value import Part, Value

_BLOCK = 65536  # draws at a time, to bound memory; fixed, because the numbers drawn depend on it
_INTERVALS = ("symmetric", "shortest")


def monte_carlo(
    function: Callable[..., np.ndarray],
    inputs: Mapping[str, Value],
    draws: int,
    generator: np.random.Generator,
    *,
    unit: str = "1",
    kind: str = "derived",
    interval: str = "symmetric",
) -> Value:
    """Return mean, standard deviation and 95 % interval of function(**inputs) [unit] from `draws` samples of inputs.

    `function` takes arrays of shape (k,) by the names in `inputs` and returns one of shape (k,). Every source is drawn
    once and shared by all inputs that have it: rectangular as such, others normal, or Student where the part has
    degrees of freedom. `interval` is "symmetric" in probability (2.5 % on either side, the default) or the "shortest"
    that holds 95 % (JCGM 101, 7.7). The result has no parts, so it is an end point: `propagate` refuses it.

    Raises ValueError for fewer than 1000 draws, for an unknown uncertainty, an input with u but no parts, and for a
    function that gives other shapes or values that are not finite.
    """
    if draws < 1000 or interval not in _INTERVALS:
        raise ValueError(
            f"cannot sample (draws = {draws}, interval = {interval!r}) - at least 1000 draws and an interval of "
            f"{' or '.join(_INTERVALS)} are asked for - 100000 draws give the interval to about 1 %"
        )
    for name, item in inputs.items():
        if item.u is None or (item.u > 0.0 and not item.parts):
            why = item.reason or "no parts"
            raise ValueError(f"cannot sample ({name}: {why}) - a known uncertainty with parts is asked for - add it")
    out = np.empty(draws)
    for start in range(0, draws, _BLOCK):
        count = min(_BLOCK, draws - start)
        drawn = np.asarray(function(**_draw(inputs, count, generator)), dtype=float)
        if drawn.shape != (count,):
            raise ValueError(
                f"cannot sample (function gave shape {drawn.shape} for {count} draws) - one result for each draw is "
                f"asked for - write the function for arrays, or wrap it in numpy.vectorize"
            )
        out[start : start + count] = drawn
    bad = int(np.count_nonzero(~np.isfinite(out)))
    if bad:
        raise ValueError(
            f"cannot sample ({bad} of {draws} results not finite) - finite results are asked for - check the function "
            f"over the inputs' range"
        )
    low, high = _interval(np.sort(out), interval)
    return Value(float(out.mean()), unit, float(out.std(ddof=1)), low, high, kind)


def _draw(inputs: Mapping[str, Value], count: int, generator: np.random.Generator) -> dict[str, np.ndarray]:
    sources: dict[str, np.ndarray] = {}
    spreads: dict[str, np.ndarray] = {}
    arrays = {}
    for name, item in inputs.items():
        total = np.full(count, item.value)
        for part in item.parts:
            if part.source not in sources:
                sources[part.source] = _draw_source(part, spreads, count, generator)
            total += part.contribution * sources[part.source]
        arrays[name] = total
    return arrays


def _draw_source(part: Part, spreads: dict[str, np.ndarray], count: int, generator: np.random.Generator) -> np.ndarray:
    """Return draws of one source, scaled so that its contribution is the standard uncertainty."""
    if part.shape == "rectangular":
        return generator.uniform(-math.sqrt(3.0), math.sqrt(3.0), count)
    normal = generator.standard_normal(count)
    if math.isinf(part.dof):
        return normal
    # Sources of one covariance estimate ("name#1", "name#2") share the doubt about its size: multivariate Student.
    group = part.source.partition("#")[0] if "#" in part.source else part.source
    if group not in spreads:
        spreads[group] = np.sqrt(part.dof / generator.chisquare(part.dof, count))
    return normal * spreads[group]


def _interval(ordered: np.ndarray, interval: str, level: float = 0.95) -> tuple[float, float]:
    """Return the interval that holds `level` of the sorted draws."""
    if interval == "symmetric":
        low, high = np.quantile(ordered, [0.5 * (1.0 - level), 0.5 * (1.0 + level)])
        return float(low), float(high)
    held = math.floor(level * len(ordered) + 0.5)
    widths = ordered[held:] - ordered[: len(ordered) - held]
    first = int(np.argmin(widths))
    return float(ordered[first]), float(ordered[first + held])
