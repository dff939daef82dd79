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

__all__ = ["TIMES", "lag", "temperature_history"]

TIMES = ("quick_time", "stage_time", "plate_time", "package_time")
"""Time constants of the four lags, in their order."""


def lag(drives: np.ndarray, time_constants: np.ndarray, width: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Return the cell means of first-order lags, (..., lags, n).

    `drives` (..., lags, n) are constant within each cell, `time_constants` (..., lags) [s], `width` (n,) [s] the
    lengths of the cells, `start` (..., lags) the state of each lag before the first cell.
    """
    lengths, which = np.unique(width, return_inverse=True)
    ratio = lengths[:, None] / np.asarray(time_constants)[..., None, :]
    moved = -np.expm1(-ratio)
    along = np.moveaxis(drives, -1, 0)
    by_cell = np.moveaxis(moved, -2, 0)
    states = np.empty(along.shape)
    state = np.broadcast_to(start, along.shape[1:]).copy()
    for k, length in enumerate(which.tolist()):
        states[k] = state
        state += by_cell[length] * (along[k] - state)
    # Mean of the exponential between the states at both ends of a cell.
    share = np.moveaxis(moved / ratio, -2, 0)[which]
    return np.moveaxis(along + (states - along) * share, 0, -1)


def temperature_history(
    p: Mapping[str, np.ndarray], own: np.ndarray, plate: np.ndarray, behind: np.ndarray, width: np.ndarray,
    start: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """Return the cell means of the hottest stage's temperature, and where it would settle [degC], (..., n) each.

    Parameters `p` are (...); `own` loss of the hottest phase [W], where the `plate` would settle [degC] and how far the
    package would lift it from `behind` [K] are (..., n), `width` [s] is (n,). `start` (..., 2) is how far the stage's
    slow part and the plate are from settled at first [K].
    """
    quick, late = p["quick_share"], p["late_share"]
    stage = p["stage_rise"][..., None] * own
    drives = np.stack(
        np.broadcast_arrays(
            _weigh(quick, stage),
            _weigh((1.0 - quick) * (1.0 - late), stage)
            + _weigh(p["plate_share"], plate)
            + _weigh(p["package_share"], behind),
            _weigh((1.0 - quick) * late, stage) + _weigh(1.0 - p["plate_share"], plate),
            _weigh(1.0 - p["package_share"], behind),
        ),
        axis=-2,
    )
    begin = drives[..., 0].copy()
    begin[..., 1:3] += start
    times = np.stack(np.broadcast_arrays(*(p[name] for name in TIMES)), axis=-1)
    reached = lag(drives, times, width, begin).sum(axis=-2)
    return reached, stage + plate + behind


def _weigh(share, drive):
    return share[..., None] * drive
