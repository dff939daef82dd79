"""The start marker: three unequal load pulses that let clocks be put together without doubt."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

__all__ = ["Marker", "start_marker"]

PULSES = (3.0, 6.0, 9.0)
GAPS = (4.0, 7.0)
"""[s] Found by trying all whole seconds from 3 to 9: every two rising edges, and every two falling ones, lie apart by a
time of its own, and these times differ by 3 s at least, so a shifted copy never meets more than one edge of its sign.
Each stretch is shorter than 10 s, so that none is taken for a step, and at least 3 s, so that a log of one reading a
second shows it."""
QUIET = 30.0
"""[s] Idle before and after."""


@dataclass(frozen=True, slots=True)
class Marker:
    """Load pulses at the start of a record, unlike any shifted copy of themselves."""

    pulses: tuple[tuple[float, float], ...]
    """Start and end of each pulse from the start of the first [s]."""
    quiet: float
    """Idle time before and after [s]."""
    instructions: tuple[str, ...]
    """How to make it by hand."""

    @property
    def duration(self) -> float:
        """From the start of the idle time before it to the end of that after it [s]."""
        return self.pulses[-1][1] + 2.0 * self.quiet

    def activity(self, spacing: float) -> np.ndarray:
        """Return load on (1.0) or off (0.0) every `spacing` [s] over `duration`, the idle time included."""
        time = (np.arange(round(self.duration / spacing)) + 0.5) * spacing - self.quiet
        on = [(time >= start) & (time < end) for start, end in self.pulses]
        return np.any(on, axis=0).astype(float)


def start_marker(load: str = "the load of the first step") -> Marker:
    """Return the marker that opens every plan; `load` says in words what is switched."""
    edges = np.cumsum([0.0, PULSES[0], GAPS[0], PULSES[1], GAPS[1], PULSES[2]])
    pulses = tuple((float(a), float(b)) for a, b in zip(edges[::2], edges[1::2], strict=True))
    on, off = [f"{x:.0f} s" for x in PULSES], [f"{x:.0f} s" for x in GAPS]
    return Marker(
        pulses,
        QUIET,
        (
            f"Start every log, then leave the machine idle for {QUIET:.0f} s.",
            f"Then switch {load}: on for {on[0]}, off for {off[0]}, on for {on[1]}, off for {off[1]}, on for "
            f"{on[2]}, off.",
            f"Leave it idle for {QUIET:.0f} s, then begin the first step.",
            "A watch is good enough: half a second does no harm, as long as the three pulses stay unequal.",
            "Do it again before the end of the last log when the run is longer than an hour: it shows how "
            "clocks drift.",
        ),
    )
