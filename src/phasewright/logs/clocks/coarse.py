"""Coarse offsets between two clocks: correlate edges, normalised by overlap, and see if the best peak stands alone.

Levels are not correlated: their second peak is near the first even when the first is right, so it cannot warn.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from phasewright.logs.clocks.integral import Integral

SHRINK = 0.05
"""Share of the whole edge energy that is added to both norms, so that a sliver of overlap cannot reach 1."""
_CLIP_QUANTILE = 0.995


@dataclass(frozen=True, slots=True)
class Peak:
    """A candidate: add `offset` [s] to the other clock's seconds to get reference seconds."""

    offset: float
    score: float
    drift: float
    """Drift hypothesis that it was found with [ppm]."""
    overlap: float
    """Common record at that offset [s]."""


@dataclass(frozen=True, slots=True)
class Correlation:
    """The peaks, best first, and what is needed to judge them."""

    peaks: tuple[Peak, ...]
    ratio: float
    """Second to first peak; 1.0 when there is no peak."""
    noise: float
    """Spread of the correlation away from its peaks."""
    lag_width: float
    """Peaks closer than this to the best are its own shoulders [s]."""


def correlate_edges(
    reference: Integral,
    other: Integral,
    *,
    window: float,
    low: float = -np.inf,
    high: float = np.inf,
    drifts: tuple[float, ...] = (0.0,),
    pivot: float = 0.0,
    peak_count: int = 8,
) -> Correlation:
    """Return the candidate offsets of `other` against `reference`, from `low` to `high` [s].

    Edges are differences of the means over `window` [s] before and after each moment. `drifts` [ppm] are tried one
    after the other, around `pivot` on the other clock [s].
    """
    step = _grid_step(reference, other, window)
    edge_a, mask_a, zero_a = _known_edges(reference, window, step)
    best: tuple[np.ndarray, ...] | None = None
    chosen = None
    for drift in drifts:
        edge_b, mask_b, zero_b = edges(other, window, step, drift=drift, pivot=pivot)
        full = len(edge_a) + len(edge_b) - 1
        turned = _known_transforms(reference, window, step, _quick_size(full))
        score, overlap = _normalised(edge_a, turned, edge_b, mask_b, full)
        lag = (np.arange(len(score)) - (len(edge_b) - 1)) * step + zero_a - zero_b
        allowed = (lag >= low) & (lag <= high) & (overlap * step >= min(10 * window, 0.5 * len(edge_b) * step))
        score = np.where(allowed, score, 0.0)
        if best is None or score.max(initial=0.0) > best[0].max(initial=0.0):
            best, chosen = (score, lag, overlap * step), drift
    score, lag, overlap = best
    return _peaks(score, lag, overlap, chosen, window, step, peak_count)


def edges(
    signal: Integral, window: float, step: float, *, drift: float = 0.0, pivot: float = 0.0
) -> tuple[np.ndarray, np.ndarray, float]:
    """Return edge heights on a grid of `step` [s], where they are on record (1.0 or 0.0), and the grid's first moment.

    An edge is the mean over `window` after the moment less the mean before; heights are cut at their 99.5 % quantile so
    that a spike or one great edge cannot decide alone. `drift` [ppm] stretches the clock around `pivot`.
    """
    rate = 1.0 + drift * 1e-6
    t0, t1 = (pivot + (t - pivot) * rate for t in signal.span)
    per = max(1, int(round(window / step)))
    n = max(2 * per + 1, int((t1 - t0) / step) + 1)
    grid = t0 + step * np.arange(n)
    own = pivot + (grid - pivot) / rate
    first = np.interp(own, signal.knot, signal.first)
    covered = np.interp(own, signal.knot, signal.covered)
    mean = (first[per:] - first[:-per]) / np.maximum(covered[per:] - covered[:-per], 1e-12)
    share = (covered[per:] - covered[:-per]) / (per * step / rate)
    height = mean[per:] - mean[:-per]
    mask = ((share[per:] > 0.6) & (share[:-per] > 0.6)).astype(float)
    height = np.where(mask > 0, height, 0.0)
    if mask.any():
        top = float(np.quantile(np.abs(height[mask > 0]), _CLIP_QUANTILE))
        if top > 0:
            height = np.clip(height, -top, top)
    return height, mask, float(grid[per])


def _grid_step(reference: Integral, other: Integral, window: float) -> float:
    """A quarter of the window, coarser for very long records so that the transforms stay small."""
    longest = max(np.ptp(reference.span), np.ptp(other.span))
    return window / max(2, min(4, int(np.ceil(window * 400_000 / max(longest, 1.0)))))


def _known_edges(reference: Integral, window: float, step: float) -> tuple[np.ndarray, np.ndarray, float]:
    """Return the edges of a reference, which many are held against, worked out once."""
    found = reference.looked_at.get((window, step))
    if found is None:
        found = reference.looked_at[window, step] = edges(reference, window, step)
    return found


def _known_transforms(reference: Integral, window: float, step: float, size: int) -> np.ndarray:
    """Return the transforms of a reference's edges, of their mask and of their squares, (3, size // 2 + 1)."""
    from scipy.fft import rfft

    found = reference.looked_at.get("transforms")
    if found is None or found[0] != (window, step, size):
        height, mask, _ = _known_edges(reference, window, step)
        found = ((window, step, size), rfft(np.stack([height, mask, height * height]), size))
        # Those of one size are enough: a step and a length are asked for many times in a row.
        reference.looked_at["transforms"] = found
    return found[1]


def _normalised(
    a: np.ndarray, turned: np.ndarray, b: np.ndarray, mb: np.ndarray, full: int
) -> tuple[np.ndarray, np.ndarray]:
    """Correlation coefficient and number of common grid points at every lag, from -(len(b) - 1) to len(a) - 1.

    `turned` are the transforms of `a`, of its mask and of its squares.
    """
    from scipy.fft import irfft, rfft

    size = _quick_size(full)
    fa, fma, faa = turned
    fb, fmb, fbb = rfft(np.stack([b, mb, b * b])[:, ::-1], size)
    products = np.stack([fma * fmb, fa * fb, faa * fmb, fma * fbb])
    common, product, energy_a, energy_b = irfft(products, size, overwrite_x=True)[:, :full]
    # einsum, not @: threads cost more than they save.
    energy_a = np.maximum(energy_a, 0.0) + SHRINK * float(np.einsum("i,i->", a, a))
    energy_b = np.maximum(energy_b, 0.0) + SHRINK * float(np.einsum("i,i->", b, b))
    norm = np.sqrt(energy_a * energy_b)
    return product / np.where(norm > 0, norm, 1.0), common


def _quick_size(n: int) -> int:
    """Smallest 2^a 3^b 5^c that is not below `n`."""
    best = 1 << (n - 1).bit_length()
    five = 1
    while five < best:
        three = five
        while three < best:
            rest = -(-n // three)
            best = min(best, three << max(0, (rest - 1).bit_length()))
            three *= 3
        five *= 5
    return best


def _peaks(
    score: np.ndarray, lag: np.ndarray, overlap: np.ndarray, drift: float, window: float, step: float, count: int
) -> Correlation:
    inner = score[1:-1]
    at = 1 + np.flatnonzero((inner > 0) & (inner >= score[:-2]) & (inner > score[2:]))
    shoulder = 3.0 * window
    live = score[score != 0]
    noise = 1.4826 * float(np.median(np.abs(live))) if len(live) else 0.0
    if not len(at):
        return Correlation((), 1.0, noise, shoulder)
    order = at[np.argsort(score[at])[::-1]]
    kept: list[int] = []
    for k in order[:2000]:
        if all(abs(lag[k] - lag[j]) > shoulder for j in kept):
            kept.append(int(k))
            if len(kept) == count:
                break
    peaks = tuple(
        Peak(float(lag[k] + step * _vertex(score, k)), float(score[k]), drift, float(overlap[k])) for k in kept
    )
    ratio = peaks[1].score / peaks[0].score if len(peaks) > 1 else 0.0
    return Correlation(peaks, ratio, noise, shoulder)


def _vertex(score: np.ndarray, k: int) -> float:
    """Place of the vertex of the parabola through three points, in grid steps from the middle one."""
    a, b, c = score[k - 1], score[k], score[k + 1]
    bend = a - 2 * b + c
    return float(0.5 * (a - c) / bend) if bend < 0 else 0.0
