"""Exact passage of time in a linear network: growth over an interval, second moments, and the sum of its modes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from phasewright.physics._arguments import Array

__all__ = ["Modes", "growth", "modes_of", "moved", "second_moment"]

ORDER = 14
"""Terms of the power series; with a norm of 1/2 what is left out is below 0.5^15 / 15! = 2e-17."""
NODES, WEIGHTS = np.polynomial.legendre.leggauss(10)
WORST_CONDITION = 1e6
"""Of the matrix of modes; beyond it a network is too close to critical damping to be taken apart into modes."""


def _halvings(matrices: Array, lengths: Array) -> int:
    norm = float((np.abs(matrices).sum(axis=-2).max(axis=-1) * lengths).max(initial=0.0))
    return max(0, math.ceil(math.log2(norm / 0.5))) if norm > 0.0 else 0


def _small_growth(small: Array) -> Array:
    unit = np.eye(small.shape[-1])
    series = unit + small / ORDER
    for k in range(ORDER - 1, 1, -1):
        series = unit + small @ series / k
    return small @ series


def growth(matrices: Array, lengths: Array) -> Array:
    """Return exp(A t) - 1 for each matrix and length; shapes (K, d, d) and (K,).

    The difference from 1 is carried through the doublings, D(2h) = 2 D(h) + D(h)^2, so that a mode that hardly
    changes within an interval (currents circulating between phases of little resistance) keeps all its digits.
    """
    halvings = _halvings(matrices, lengths)
    result = _small_growth(matrices * (lengths / 2.0**halvings)[:, None, None])
    for _ in range(halvings):
        result = 2.0 * result + result @ result
    return result


def second_moment(matrices: Array, lengths: Array, start: Array) -> Array:
    """Return the integral of z z^T over each interval, z' = A z from `start`; shapes (K, d, d), (K,), (K, d).

    Gauss-Legendre over a piece so short that it is exact to rounding, then doubled: M(2h) = M(h) + E M(h) E^T.
    """
    halvings = _halvings(matrices, lengths)
    short = lengths / 2.0**halvings
    small = matrices * short[:, None, None]
    terms = [start[..., None]]
    for k in range(1, ORDER + 1):
        terms.append(small @ terms[-1] / k)
    series = np.concatenate(terms, axis=-1)  # (K, d, ORDER + 1)
    powers = (0.5 * (NODES + 1.0))[None, :] ** np.arange(ORDER + 1)[:, None]  # (ORDER + 1, nodes)
    values = series @ powers  # (K, d, nodes)
    moment = (values * WEIGHTS) @ values.transpose(0, 2, 1) * (0.5 * short)[:, None, None]
    passage = _small_growth(small)
    unit = np.eye(small.shape[-1])
    for _ in range(halvings):
        step = unit + passage
        moment = moment + step @ moment @ step.transpose(0, 2, 1)
        passage = 2.0 * passage + passage @ passage
    return moment


@dataclass(frozen=True, slots=True)
class Modes:
    """A network taken apart: x' = A x + B w, with w = (load current, its slope in A a period, 1)."""

    rates: NDArray[np.complex128]
    """[1/s] eigenvalues, shape (n,)"""
    shapes: NDArray[np.complex128]
    """columns are the modes, shape (n, n)"""
    weights: NDArray[np.complex128]
    """inverse of shapes"""
    drive: NDArray[np.complex128]
    """weights @ B, shape (n, 3)"""

    def first_derivatives(self, states: Array) -> Any:
        """Return the derivative of every mode's amplitude; states (K, n + 3), result (K, n)."""
        n = len(self.rates)
        return states[:, :n] @ (self.weights * self.rates[:, None]).T + states[:, n:] @ self.drive.T

    def halved(self) -> Modes:
        """Return one of each conjugate pair, counted twice: the real part of the sum is the same."""
        upper = self.rates.imag >= 0.0
        twice = np.where(self.rates.imag > 0.0, 2.0, 1.0)
        return Modes(self.rates[upper], (self.shapes * twice)[:, upper], self.weights[upper], self.drive[upper])


def moved(half: Modes, states: Array, time: Array, per_second: float) -> Array:
    """Return by how much the states change in a time; half modes, states (K, n + 3), time (K,), result (K, n).

    Neither a slow mode nor a short time costs digits: what is added up is the change alone.
    """
    n = half.weights.shape[1]
    first = states[:, :n] @ (half.weights * half.rates[:, None]).T + states[:, n:] @ half.drive.T
    product = time[:, None] * half.rates
    grown = time[:, None] * _phi1(product) * first
    ramping = np.flatnonzero(states[:, n + 1])
    if ramping.size:
        push = (states[ramping, n + 1] * per_second * time[ramping] ** 2)[:, None] * half.drive[:, 0]
        grown[ramping] += _phi2(product[ramping]) * push
    return (grown @ half.shapes.T).real


def _phi1(z: NDArray[np.complex128]) -> NDArray[np.complex128]:
    tiny = np.abs(z) < 1e-9
    safe = np.where(tiny, 1.0, z)
    return np.where(tiny, 1.0 + 0.5 * z, np.expm1(safe) / safe)


def _phi2(z: NDArray[np.complex128]) -> NDArray[np.complex128]:
    small = np.abs(z) < 0.7
    safe = np.where(small, 1.0, z)
    near = np.where(small, z, 0.0)
    series = np.full_like(z, 1.0 / math.factorial(18))
    for k in range(17, 1, -1):
        series = series * near + 1.0 / math.factorial(k)
    return np.where(small, series, (np.expm1(safe) - safe) / safe**2)


def modes_of(matrix: Array) -> Modes | None:
    """Return the modes of an augmented matrix (n + 3, n + 3), or None when they lie too close to be told apart."""
    n = len(matrix) - 3
    rates, shapes = np.linalg.eig(matrix[:n, :n])
    if not np.linalg.cond(shapes) < WORST_CONDITION:
        return None
    weights = np.linalg.inv(shapes)
    rates, shapes, weights = (item.astype(np.complex128) for item in (rates, shapes, weights))
    return Modes(rates, shapes, weights, weights @ matrix[:n, n:])
