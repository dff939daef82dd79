"""Heat in time: three paths from loss and package power to the hottest stage, each with its time constants.

stage   loss of one phase over R_stage: a quick share (silicon, sensor) and a slow one (copper under it, inductor)
plate   loss of all phases over R_plate, on top of the coolant, which it follows with the same lag
package package power over R_couple
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

__all__ = ["lag", "temperature_history"]


def lag(drive: np.ndarray, time_constant: np.ndarray, step: float, start: np.ndarray) -> np.ndarray:
    """Return the cell means of a first-order lag, (..., n).

    `drive` (..., n) is constant within each cell of length `step` [s], `time_constant` (...) [s], `start` (...) the
    lag's state before the first cell.
    """
    drive = np.ascontiguousarray(np.broadcast_to(drive, np.broadcast_shapes(drive.shape, (*np.shape(start), 1))))
    batch, n = drive.shape[:-1], drive.shape[-1]
    flat = drive.reshape(-1, n)
    begin = np.broadcast_to(start, batch).reshape(-1)
    ratio = step / np.broadcast_to(time_constant, batch).reshape(-1)
    keep = np.exp(-ratio)
    state = np.empty((len(flat), n + 1))
    for decay in np.unique(keep):
        own = np.flatnonzero(keep == decay)
        state[own] = _recur(float(decay), flat[own], begin[own])
    # Mean of the exponential between the states at both ends of a cell.
    share = ((1.0 - keep) / ratio)[:, None]
    return (flat + (state[:, :-1] - flat) * share).reshape(*batch, n)


def _recur(decay: float, drive: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Return x[0] = start, x[k+1] = decay x[k] + (1 - decay) drive[k], (m, n + 1), in blocks without a loop on n."""
    m, n = drive.shape
    out = np.empty((m, n + 1))
    out[:, 0] = start
    # In blocks, so that the powers of the decay stay above rounding.
    size = max(1, min(n, int(-25.0 / np.log(decay)) if decay > 0.0 else 1))
    powers = decay ** np.arange(1, size + 1)
    for first in range(0, n, size):
        part = drive[:, first : first + size]
        p = powers[: part.shape[1]]
        out[:, first + 1 : first + 1 + part.shape[1]] = p * (
            out[:, first : first + 1] + (1.0 - decay) * np.cumsum(part / p, axis=1)
        )
    return out


def temperature_history(
    p: Mapping[str, np.ndarray], own: np.ndarray, loss: np.ndarray, package: np.ndarray, coolant: np.ndarray,
    step: float, start: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """Return the cell means of the hottest stage's temperature [degC], (..., n).

    Parameters `p` are (...); `own` loss of the hottest phase [W], `loss` [W] and `package` [W] are (..., n), `coolant`
    [degC] is (n,). `start` (..., 2) is how far the stage's slow part and the plate are from settled at first [K].
    """
    head = np.broadcast_shapes(loss.shape[:-1], package.shape[:-1], own.shape[:-1])
    whole = coolant + p["plate_rise"][..., None] * loss
    parts = []
    for drive, time, weight, off in (
        (own, "quick_time", p["stage_rise"] * p["quick_share"], 0.0),
        (own, "stage_time", p["stage_rise"] * (1.0 - p["quick_share"]), start[..., 0]),
        (whole, "plate_time", np.ones(head), start[..., 1]),
        (package, "package_time", p["package_rise"], 0.0),
    ):
        weighted = weight[..., None] * np.broadcast_to(drive, (*head, drive.shape[-1]))
        parts.append(lag(weighted, p[time], step, weighted[..., 0] + off))
    return parts[0] + parts[1] + parts[2] + parts[3]
