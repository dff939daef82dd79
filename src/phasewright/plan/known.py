"""What a question is asked of: the model of the bench as it stands, drawn from alike; and what may be asked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from phasewright.bench import Bench
from phasewright.model import Fitted, fitted_prior, prior_of
from phasewright.plan.forecast import SEED

__all__ = ["check_tolerance", "known_of", "seed_of"]


def check_tolerance(tolerance: float) -> None:
    if not 0.0 <= tolerance < 0.5:
        raise ValueError(f"impossible threshold error (tolerance = {tolerance}) - it is from 0 to below 0.5 - check it")


def known_of(bench: Bench, fitted: Fitted | None) -> Fitted:
    """Return what is known of `bench`: `fitted` with the bench as it stands now, or part data alone."""
    return fitted_prior(prior_of(bench)) if fitted is None else replace(fitted, bench=bench)


def seed_of(generator: np.random.Generator | None) -> int:
    """Return what all forecasts of one question are drawn from; without a generator always the same."""
    return SEED if generator is None else int(generator.integers(1 << 62))
