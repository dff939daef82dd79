"""How well clocks can be known: bounds for delays and rates, and two-way time transfer."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class TwoWay:
    """Offset and delay between two clocks from one exchange of messages."""

    offset: float
    """Far clock less near clock [s]."""
    delay: float
    """There and back, without the time at the far side [s]; half of it bounds the error of the offset."""


def delay_bound(signal: np.ndarray, sampling: float, sigma: float) -> float:
    """Return the least standard uncertainty [s] with which the delay of a known signal can be found in white noise.

    sigma_tau = sigma / sqrt(sum s'[k]^2), the Cramer-Rao bound. `signal` (shape (n,), without noise, any unit) is
    sampled at `sampling` [Hz], `sigma` is the noise's standard deviation in the unit of the signal. Valid for a large
    ratio of signal to noise and a signal that its sampling resolves (derivative of fourth order). inf for a constant
    signal. Raises ValueError for fewer than 5 samples, sampling <= 0 or sigma < 0.
    """
    s = np.asarray(signal, dtype=float)
    if s.ndim != 1 or len(s) < 5 or not np.all(np.isfinite(s)) or not sampling > 0.0 or not sigma >= 0.0:
        raise ValueError(
            f"no bound (signal of shape {s.shape}, sampling = {sampling}, sigma = {sigma}) - 5 or more finite samples, "
            f"sampling > 0 and sigma >= 0 are asked for - check the trace"
        )
    slope = np.gradient(s, edge_order=2)
    slope[2:-2] = (8.0 * (s[3:-1] - s[1:-3]) - (s[4:] - s[:-4])) / 12.0
    energy = float(slope @ slope) * sampling**2
    return sigma / math.sqrt(energy) if energy > 0.0 else math.inf


def rate_bound(sigma: float, count: int, spacing: float) -> float:
    """Return the standard uncertainty [s/s] of a clock's rate from `count` readings `spacing` [s] apart.

    sigma sqrt(12 / (n (n^2 - 1))) / spacing: the slope of a straight line through equally spaced readings whose
    independent errors have the standard deviation `sigma` [s]. Raises ValueError for count < 2, spacing <= 0 or
    sigma < 0.
    """
    if count < 2 or not spacing > 0.0 or not sigma >= 0.0:
        raise ValueError(
            f"no bound (sigma = {sigma}, count = {count}, spacing = {spacing}) - sigma >= 0, two or more readings and "
            f"spacing > 0 are asked for - check the trace"
        )
    return sigma * math.sqrt(12.0 / (count * (float(count) ** 2 - 1.0))) / spacing


def two_way_offset(sent: float, received: float, answered: float, returned: float) -> TwoWay:
    """Return offset and delay [s] from the four stamps of one exchange.

    offset = ((received - sent) + (answered - returned)) / 2, delay = (returned - sent) - (answered - received); `sent`
    and `returned` [s] on the near clock, `received` and `answered` [s] on the far one (RFC 5905, section 8, from
    memory). Exact if both ways take equally long; otherwise wrong by at most half the delay.
    """
    return TwoWay(0.5 * ((received - sent) + (answered - returned)), (returned - sent) - (answered - received))
