"""Heat in time: three paths from loss and package power to the hottest stage, each with its time constants.

stage   loss of one phase over R_stage: at once (silicon, sensor), with the copper under it, and late with the plate
plate   loss of all phases over R_plate, on top of the coolant: with the copper, and late with the plate
package package power over R_couple: with the copper, and late with the substrate

Each path has shares of several time constants, so that how large a path is follows from how steps differ once settled
and not from how quickly it warms.
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
    quick, late = p["quick_share"], p["late_share"]
    stage = p["stage_rise"][..., None] * own
    plate = coolant + p["plate_rise"][..., None] * loss
    behind = p["package_rise"][..., None] * package
    drives = {
        "quick_time": _weigh(quick, stage),
        "stage_time": _weigh((1.0 - quick) * (1.0 - late), stage)
        + _weigh(p["plate_share"], plate)
        + _weigh(p["package_share"], behind),
        "plate_time": _weigh((1.0 - quick) * late, stage) + _weigh(1.0 - p["plate_share"], plate),
        "package_time": _weigh(1.0 - p["package_share"], behind),
    }
    off = {"stage_time": start[..., 0], "plate_time": start[..., 1]}
    return sum(lag(drive, p[name], step, drive[..., 0] + off.get(name, 0.0)) for name, drive in drives.items())


def _weigh(share, drive):
    return share[..., None] * drive
