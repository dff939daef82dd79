"""From messy log files to steady windows on one clock.

Takes: log files, Bench, Campaign.
Gives: Trace, ReadReport, ClockMap, Recording, StepSpan, Window; align, find_steps, find_window.
May import: bench, quantity.
May touch: reads log files; reads and writes the campaign's derived/ store.
Asks: does it make a trace, a clock map or a window?
"""

from phasewright.logs.clocks import align
from phasewright.logs.records import (
    AlignedTrace, ClockMap, Fingerprint, ReadReport, Recording, Remark, Settling, StepSpan, Trace, Window,
)
from phasewright.logs.steady import find_window
from phasewright.logs.steps import find_steps

__all__ = [
    "align", "find_steps", "find_window",
    "AlignedTrace", "ClockMap", "Fingerprint", "ReadReport", "Recording", "Remark", "Settling", "StepSpan", "Trace",
    "Window",
]
