"""Chances under a mixture of normal distributions: several models, each with its weight, mean and uncertainty."""

from __future__ import annotations

import numpy as np


def normal_tail(z: np.ndarray) -> np.ndarray:
    """Return the chance that a standard normal variable exceeds `z`; absolute error below 1e-7.

    Source: Abramowitz and Stegun, Handbook of Mathematical Functions, 26.2.17.
    """
    a = np.abs(z)
    t = 1.0 / (1.0 + 0.2316419 * a)
    series = t * (0.319381530 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429))))
    tail = np.exp(-0.5 * a * a) / (2.0 * np.pi) ** 0.5 * series
    return np.where(z >= 0, tail, 1.0 - tail)


def chance_beyond(weight: np.ndarray, mean: np.ndarray, u: np.ndarray, bound: float) -> float:
    """Return the chance that a variable of the mixture is greater than `bound` in magnitude."""
    s = np.maximum(u, 1e-12)
    return float(weight @ (normal_tail((bound - mean) / s) + normal_tail((bound + mean) / s)))


def magnitude_bound(weight: np.ndarray, mean: np.ndarray, u: np.ndarray, level: float) -> float:
    """Return the magnitude that a variable of the mixture does not exceed with chance `level`.

    By 24 halvings, four at a time: the chances at all places that four halvings could visit cost one look.
    """
    s = np.maximum(u, 1e-12)[:, None]
    middle, places = mean[:, None], np.array([0.0, float(np.max(np.abs(mean) + 6.0 * u)) + 1e-12])
    for _ in range(6):
        for _ in range(4):
            halved = np.empty(2 * len(places) - 1)
            halved[::2], halved[1::2] = places, 0.5 * (places[1:] + places[:-1])
            places = halved
        inner = places[1:-1]
        beyond = weight @ normal_tail(np.stack([inner - middle, inner + middle]) / s).sum(axis=0)
        at = int(np.searchsorted(-beyond, level - 1.0))
        places = places[at : at + 2]
    return float(places[1])
