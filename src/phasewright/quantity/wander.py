"""How something that is held wanders: its slow spectrum, learnt from several records, and what it does to a mean."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

_COSINES = 128  # slowest cosines of each record that are used: what moves faster does not matter for a mean
_FEWEST = 16  # readings of a record
_SLOWEST = 0.7  # slowest corner, in readings^-1 of the longest record: a memory of 1.4 times that record
_PRIOR = (2.0, 2.0, 1.0, 1.0)  # white, one corner, one corner on a floor, two corners
_DECAYS = (3.0, 12.0)  # records are this many time constants of the two decays long
_NEGLIGIBLE = 1e-5


@dataclass(frozen=True, slots=True, eq=False)
class Wander:
    """Candidate spectra of a wander, each with its probability. Arrays (m,) for m candidates."""

    spacing: float
    """Of the readings that it was learnt from [s]."""
    low: np.ndarray
    """Slow corner [rad per reading]."""
    share: np.ndarray
    """Share of the fast part in the density at frequency zero [1]."""
    high: np.ndarray
    """Fast corner [rad per reading], inf = white."""
    probability: np.ndarray
    level: np.ndarray
    """Density at frequency zero times 1/spacing [square of the readings' unit]."""
    dof: float
    """Degrees of freedom of each level."""
    levels: tuple[float, ...]
    """Level of each record alone, under the candidates found from all [square of the readings' unit]."""

    def mean_u(self, duration: float) -> tuple[float, float]:
        """Return (u, dof): the standard uncertainty of a mean over `duration` [s] and its degrees of freedom.

        The error of the mean is a mixture of Student variables, one for each candidate. u and dof make one Student
        variable with the same 68 % and 95 % bounds. Raises ValueError unless duration > 0.
        """
        if not duration > 0.0:
            raise ValueError(f"no mean (duration = {duration} s) - a length > 0 is asked for - check the window")
        count = max(duration / self.spacing, 1.0)
        variance = (1.0 - self.share) * _mean_variance(self.low, count) + self.share * _mean_variance(self.high, count)
        kept = self.probability > _NEGLIGIBLE
        weight = self.probability[kept] / self.probability[kept].sum()
        return _as_student(weight, np.sqrt(self.level[kept] * variance[kept]), self.dof)


def learn_wander(records: Sequence[np.ndarray], spacing: float, *, settling: bool = False) -> Wander | None:
    """Return the wander that `records` (each (n,), at equal `spacing` [s], n >= 16 to count) have in common.

    The records are stretches of one kind of thing: the same spectrum and the same size. Their own means are taken
    out. `settling` True takes out two decays as well (time constants of 1/3 and 1/12 of the record), which a level
    that creeps to its end would otherwise add. None when there is no record to learn from, or none that moves.

    Method: the squared coefficients of the 128 slowest cosines of each record are, for a given spectrum, nearly
    independent with the spectrum as variance (Whittle's likelihood; a linear regression on the decays is integrated
    out as in restricted maximum likelihood). Candidates are white, one corner, one corner on a floor, and two corners.
    Each corner is an AR(1) process; corners are evenly spread in their logarithm down to a memory of 1.4 times the
    longest record, and the slow one has 0.3 % to 30 times (on a floor) or 2 % to 100 % (two corners) of the variance
    of the fast one. Candidates are weighed by their likelihood with the size integrated out (prior 1/size), instead
    of taking the likeliest: what the records cannot show about slow movements widens the interval. Cost is linear in
    the number of readings. (Bayesian model averaging; from memory. Constants chosen by simulation.)
    Raises ValueError unless spacing > 0 and all readings are finite.
    """
    if not spacing > 0.0 or any(np.ndim(x) != 1 or not np.all(np.isfinite(x)) for x in records):
        raise ValueError(
            f"no wander (spacing = {spacing} s, {len(records)} records) - a spacing > 0 and rows of finite readings "
            f"are asked for - leave gaps out or fill them"
        )
    used = [np.asarray(x, dtype=float) for x in records if len(x) >= _FEWEST]
    if not used or all(np.ptp(x) == 0.0 for x in used):
        return None
    table, score = _candidates(max(len(x) for x in used))
    squares = np.empty((len(used), len(table)))
    counts = np.empty(len(used))
    score = score.copy()
    for index, x in enumerate(used):
        squares[index], logs, counts[index] = _evidence(x, table, settling)
        score -= 0.5 * logs
    total, dof = squares.sum(axis=0), float(counts.sum())
    score -= 0.5 * dof * np.log(np.maximum(total, np.finfo(float).tiny))
    probability = np.exp(score - score.max())
    probability /= probability.sum()
    levels = (squares / counts[:, None]) @ probability
    return Wander(spacing, table[:, 0], table[:, 1], table[:, 2], probability, total / dof, dof, tuple(levels.tolist()))


@lru_cache(maxsize=16)
def _candidates(n: int) -> tuple[np.ndarray, np.ndarray]:
    """Return (low corner, share, high corner) of every candidate, (m, 3), and the logarithm of its prior, (m,)."""
    corners = np.geomspace(_SLOWEST / n, 6.0, 16)
    white = [(np.inf, 1.0, np.inf)]
    one = [(low, 0.0, np.inf) for low in corners]
    # Sizes are spread as variances, not as densities at frequency zero: those of slow movements have no bound.
    floor = [
        (low, 1.0 / (1.0 + ratio / _variance(low)), np.inf)
        for low in corners
        for ratio in np.geomspace(0.003, 30.0, 10)
    ]
    two = [
        (low, 1.0 / (1.0 + ratio * _variance(low * times) / _variance(low)), low * times)
        for low in corners
        for times in np.geomspace(3.0, 300.0, 5)
        if low * times < 3.0
        for ratio in np.geomspace(0.02, 1.0, 5)
    ]
    kinds = (white, one, floor, two)
    prior = [np.full(len(rows), math.log(odds / len(rows))) for rows, odds in zip(kinds, _PRIOR, strict=True) if rows]
    return np.array([row for rows in kinds for row in rows]), np.concatenate(prior)


def _variance(corner: float) -> float:
    """Return the variance of AR(1) noise with density 1 at frequency zero."""
    return corner / math.sqrt(4.0 + corner * corner)


def _evidence(x: np.ndarray, table: np.ndarray, settling: bool) -> tuple[np.ndarray, np.ndarray, float]:
    """Return for one record the whitened sum of squares (m,), the log determinant (m,), and how many count."""
    from scipy.fft import dct

    n = len(x)
    most = min(_COSINES, n - 1)
    swing = 4.0 * np.sin(0.5 * np.pi * np.arange(1, most + 1) / n) ** 2
    low, share, high = table[:, 0:1], table[:, 1:2], table[:, 2:3]
    spectrum = (1.0 - share) / (1.0 + swing / low**2) + share / (1.0 + swing / high**2)
    inverse = 1.0 / spectrum
    seen = dct(x - x.mean(), norm="ortho")[1 : most + 1]
    # einsum, not @: threads cost more than they save on such small products.
    squares = np.einsum("mk,k->m", inverse, seen * seen)
    logs = np.log(spectrum).sum(axis=1)
    if not settling:
        return squares, logs, float(most)
    decays = np.exp(-np.outer(np.arange(n) / n, _DECAYS))
    slow, fast = np.linalg.qr(dct(decays - decays.mean(axis=0), norm="ortho", axis=0)[1 : most + 1])[0].T
    a, b, c = (np.einsum("mk,k->m", inverse, row) for row in (slow * slow, slow * fast, fast * fast))
    d, e = (np.einsum("mk,k->m", inverse, row) for row in (slow * seen, fast * seen))
    determinant = a * c - b * b
    squares = squares - (c * d * d - 2.0 * b * d * e + a * e * e) / determinant
    return np.maximum(squares, 0.0), logs + np.log(determinant), float(most - 2)


def _mean_variance(corner: np.ndarray, count: float) -> np.ndarray:
    """Return the variance of the mean of `count` readings of AR(1) noise with density 1 at frequency zero, (m,).

    The closed form of `effective_count`; a corner of c [rad per reading] belongs to the lag-1 correlation r with
    c^2 = (1 - r)^2 / r, so that the density is 1 / (1 + 4 sin^2(w/2) / c^2).
    """
    finite = np.isfinite(corner)
    square = np.where(finite, corner, 1.0) ** 2
    gap = 0.5 * (np.sqrt(square * square + 4.0 * square) - square)  # 1 - r
    r = 1.0 - gap
    faded = -np.expm1(count * np.log1p(-gap))
    variance = (1.0 - 2.0 * r * faded / (count * gap * (1.0 + r))) / count
    return np.where(finite, variance, 1.0 / count)


@lru_cache(maxsize=1)
def _student_ratios() -> tuple[np.ndarray, np.ndarray]:
    """Return degrees of freedom and, for each, the 95 % bound over the 68 % bound (falling)."""
    from scipy.special import stdtrit

    dof = np.concatenate([np.geomspace(1.0, 60.0, 200), np.geomspace(61.0, 1e5, 60)])
    return dof, stdtrit(dof, 0.975) / stdtrit(dof, 0.84)


def _as_student(weight: np.ndarray, scale: np.ndarray, dof: float) -> tuple[float, float]:
    """Return (u, dof) of the Student variable with the 68 % and 95 % bounds of a mixture of scaled ones."""
    from scipy.special import stdtr, stdtrit

    if scale.max() == 0.0:
        return 0.0, dof

    def bound(outside: float) -> float:
        single = -float(stdtrit(dof, 0.5 * outside))
        low, high = single * max(float(scale.min()), 1e-9 * float(scale.max())), single * float(scale.max())
        for _ in range(30):  # by bisection of the logarithm
            middle = math.sqrt(low * high)
            beyond = 2.0 * float(np.sum(weight * stdtr(dof, -middle / scale)))
            low, high = (middle, high) if beyond > outside else (low, middle)
        return math.sqrt(low * high)

    wide, narrow = bound(0.05), bound(0.32)
    dofs, ratios = _student_ratios()
    found = min(float(np.interp(-wide / narrow, -ratios, dofs)), dof)
    return wide / float(stdtrit(found, 0.975)), found
