"""Slope of a channel with a standard error that knows about correlated noise and the sensor's resolution."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from phasewright.quantity import coverage_factor, effective_count


@dataclass(frozen=True, slots=True)
class Slope:
    """A straight line through readings."""

    slope: float
    """[unit/s]"""
    u: float
    """Standard error, corrected for lag-1 correlation and resolution [unit/s]."""
    level: float
    """Value at the middle of the readings [unit]."""
    noise: float
    """Spread of the residuals [unit]."""
    lag1: float
    count: int
    effective_count: float
    length: float
    """From first to last reading [s]."""

    def bound(self, level: float = 0.95) -> float:
        """Return the magnitude that the slope does not exceed, one-sided at `level` [unit/s]."""
        factor = coverage_factor(max(self.effective_count - 2.0, 1.0), 2 * level - 1)
        return abs(self.slope) + factor * self.u


def fit_slope(time: np.ndarray, value: np.ndarray, *, resolution: float = 0.0) -> Slope | None:
    """Return the slope of `value` (n,) over `time` (n,) [s]; None for fewer than 4 readings.

    The residuals' lag-1 correlation (corrected for its small-sample bias) sets the number of independent readings. A
    sensor that reads in steps of `resolution` [unit] may hide one step over the whole length: readings that hardly ever
    change say no more than that, readings that noise shakes over the steps average it out.
    """
    good = np.isfinite(value)
    t, y = np.asarray(time[good], dtype=float), np.asarray(value[good], dtype=float)
    n = len(t)
    if n < 4 or t[-1] <= t[0]:
        return None
    length = float(t[-1] - t[0])
    x = t - t.mean()
    sxx = float(x @ x)
    slope = float(x @ (y - y.mean()) / sxx)
    r = y - y.mean() - slope * x
    power = float(r @ r)
    noise = (power / (n - 2)) ** 0.5
    lag1 = float(r[1:] @ r[:-1]) / power if power > 0 else 0.0
    # Detrended residuals look less correlated than the noise is: bias of about -(1 + 4 rho)/n, Marriott and Pope 1954.
    lag1 = min(max(lag1 + (1.0 + 4.0 * lag1) / n, 0.0), 0.999)
    independent = min(max(effective_count(n, lag1), 3.0), float(n))
    u2 = noise**2 / sxx * n / independent
    if resolution > 0:
        levels = float(np.ptp(r)) / resolution
        still = min(max(3.5 - levels, 0.0), 1.0)
        # So that the one-sided 95 % bound of a reading that never changes is one step over the length.
        u2 += (still * resolution / 1.645 / length) ** 2
    return Slope(slope, u2**0.5, float(y.mean()), noise, lag1, n, independent, length)


def resolution_of(value: np.ndarray) -> float:
    """Return the step in which readings come [unit]; 0.0 when they come in no coarse steps."""
    seen = np.unique(value[np.isfinite(value)])
    if len(seen) < 2:
        return 0.0
    gaps = np.diff(seen)
    step = float(np.min(gaps))
    if step <= 0 or len(seen) > 2000:
        return 0.0
    multiple = gaps / step
    return step if float(np.max(np.abs(multiple - np.rint(multiple)))) < 1e-3 else 0.0
