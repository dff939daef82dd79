"""From messy log files to steady windows on one clock.

Takes: log files, Bench, Campaign.
Gives: Trace, ReadReport, ClockMap, Recording, StepSpan, Window.
May import: bench, quantity.
May touch: reads log files; reads and writes the campaign's derived/ store.
Asks: does it make a trace, a clock map or a window?
"""

from phasewright.logs.records import (
    AlignedTrace, ClockMap, Fingerprint, ReadReport, Recording, Remark, Settling, StepSpan, Trace, Window,
)

__all__ = [
    "AlignedTrace", "ClockMap", "Fingerprint", "ReadReport", "Recording", "Remark", "Settling", "StepSpan", "Trace",
    "Window",
]
