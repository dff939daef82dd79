"""How far the readings of one channel can be trusted: what the instrument's maker states, turned into GUM parts."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from phasewright.bench import Accuracy, Bench, base_channel
from phasewright.logs import AlignedTrace

__all__ = ["PACKAGE_GAIN_U", "PACKAGE_OFFSET_U", "Trust", "observed_resolution", "resolution_u", "trust_of"]

PACKAGE_GAIN_U = 0.03
"""[1] Standard uncertainty of package power's gain where nothing is stated (design, section 5)."""
PACKAGE_OFFSET_U = 1.0
"""[W] Standard uncertainty of package power's offset where nothing is stated (design, section 5)."""

NOT_MEASURED = {
    "phase_count": "a count, not a measurement",
    "error_count": "a count, not a measurement",
    "fan_duty": "a commanded value, not a measurement",
    "pump_duty": "a commanded value, not a measurement",
    "protection_active": "a flag, not a measurement",
}
"""Channels for which an accuracy has no meaning: only their scatter counts."""

PACKAGE = ("package_power", "package_energy")
DIVISOR = {"limit": math.sqrt(3.0), "standard": 1.0, "expanded": 2.0}
SHAPE = {"limit": "rectangular", "standard": "normal", "expanded": "normal"}
OFTEN = 20
"""Changes of a reading from which on their common step is believed."""


@dataclass(frozen=True, slots=True)
class Trust:
    """Standard uncertainties that every reading of one channel on one instrument shares."""

    instrument: str
    channel: str
    gain_u: float
    """Relative [1]."""
    offset_u: float
    """In the unit of the channel."""
    shape: str
    resolution: float
    """Step of the reading, in the unit of the channel; 0 = none seen and none stated."""
    basis: str
    reason: str = ""
    """Why the uncertainty is unknown, with the line to add; '' = it is known."""

    @property
    def known(self) -> bool:
        return not self.reason

    def source(self, what: str) -> str:
        """Return the name under which this instrument's error of kind `what` is shared by all its readings."""
        return f"{self.instrument}/{self.channel}/{what}"


def trust_of(bench: Bench, instrument: str, channel: str, seen_resolution: float = 0.0) -> Trust:
    """Return what is stated about `channel` on `instrument`, as standard uncertainties.

    A stated limit is a rectangular distribution (limit / sqrt 3), an expanded uncertainty is halved (JCGM 100:2008,
    4.3.7 and 4.3.3). `seen_resolution` is the step seen in the log [unit of the channel]; the coarser of stated and
    seen counts. Gain and offset both left out means that they are unknown, not that they are zero; only package
    power has a default then.
    """
    base = base_channel(channel).name
    stated = _stated(bench, instrument, channel, base)
    resolution = max(stated.resolution if stated else 0.0, seen_resolution)
    if base in NOT_MEASURED:
        return Trust(instrument, channel, 0.0, 0.0, "normal", 0.0, NOT_MEASURED[base])
    if stated and (stated.gain or stated.offset):
        divisor = DIVISOR[stated.stated_as]
        words = f"accuracy of {instrument} as stated" + (f" ({stated.source})" if stated.source else "")
        return Trust(
            instrument,
            channel,
            stated.gain / divisor,
            stated.offset / divisor,
            SHAPE[stated.stated_as],
            resolution,
            words,
        )
    if base in PACKAGE:
        offset = PACKAGE_OFFSET_U if base == "package_power" else 0.0
        words = f"accuracy of {instrument} not stated: 3 % and 1 W taken as standard uncertainty"
        return Trust(instrument, channel, PACKAGE_GAIN_U, offset, "normal", resolution, words)
    reason = (
        f"accuracy of {channel} on {instrument} is not stated: under the instrument {instrument} in bench.toml add "
        f'[instrument.accuracy.{base}] with gain = "... %" or offset = "... {base_channel(channel).unit}"'
    )
    return Trust(instrument, channel, 0.0, 0.0, "normal", resolution, "accuracy not stated", reason)


def _stated(bench: Bench, instrument: str, channel: str, base: str) -> Accuracy | None:
    for item in bench.instruments:
        if item.name == instrument:
            return item.accuracy.get(channel) or item.accuracy.get(base)
    return None


def observed_resolution(trace: AlignedTrace) -> float:
    """Return the step of the readings as seen in the log, in the channel's unit; 0 when none can be seen.

    A step is seen when the readings change often, between few values, and always by whole steps.
    """
    values = trace.value if trace.high is None else trace.high
    stride = max(1, len(values) // 4096)
    sample = values[::stride]
    sample = sample[np.isfinite(sample)]
    changes = np.abs(np.diff(sample))
    changes = changes[changes > 1e-9 * float(np.max(np.abs(sample), initial=0.0))]
    if changes.size < OFTEN or np.unique(sample).size > sample.size / 4:
        return 0.0
    step = float(changes.min())
    ratio = changes / step
    return step if np.all(np.abs(ratio - np.round(ratio)) < 0.02) else 0.0


def resolution_u(step: float, scatter: float) -> float:
    """Return the standard uncertainty that rounding to `step` leaves in a mean, in the unit of both arguments.

    u^2 = sum over k of step^2 / (2 pi^2 k^2) exp(-4 pi^2 k^2 sigma^2 / step^2)

    Readings that stand still are all rounded the same way: u = step / sqrt 12 (JCGM 100:2008, F.2.2.1), and no number
    of readings makes it smaller. Readings that wander over several steps average the rounding out. `sigma` is the
    scatter before rounding, taken as the least that `scatter` [same unit], seen after rounding, can come from:
    toggling between two codes alone makes step / 2.

    Source: mean error of a rounded normal variable as a Fourier series (quantization theory of Widrow, from memory).
    """
    if step <= 0.0:
        return 0.0
    ratio_squared = max((scatter / step) ** 2 - 0.25, 0.0)
    orders = np.arange(1, 41)
    if ratio_squared == 0.0:
        return step / math.sqrt(12.0)
    terms = np.exp(-4.0 * math.pi**2 * orders**2 * ratio_squared) / (2.0 * math.pi**2 * orders**2)
    return step * math.sqrt(float(terms.sum()))
