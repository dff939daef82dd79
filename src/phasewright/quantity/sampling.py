"""Propagation of distributions by sampling."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np

from phasewright.quantity.value import Value


def monte_carlo(
    function: Callable[..., np.ndarray],
    inputs: Mapping[str, Value],
    draws: int,
    generator: np.random.Generator,
    *,
    unit: str = "1",
    kind: str = "derived",
) -> Value:
    """Return function(**inputs) with the interval from `draws` samples (probabilistically symmetric)."""
    sources: dict[str, np.ndarray] = {}
    arrays = {}
    for name, item in inputs.items():
        total = np.full(draws, item.value)
        for part in item.parts:
            if part.source not in sources:
                if part.shape == "rectangular":
                    z = generator.uniform(-math.sqrt(3), math.sqrt(3), draws)
                elif math.isinf(part.dof):
                    z = generator.standard_normal(draws)
                else:
                    z = generator.standard_t(part.dof, draws)
                sources[part.source] = z
            total += part.contribution * sources[part.source]
        arrays[name] = total
    out = np.asarray(function(**arrays), dtype=float)
    low, high = np.quantile(out, [0.025, 0.975])
    return Value(float(out.mean()), unit, float(out.std(ddof=1)), float(low), float(high), kind)
