"""From messy log files to steady windows on one clock.

Takes: log files, Bench, Campaign.
Gives: Trace, ReadReport, ClockMap, Recording, StepSpan, Window; align, find_steps, find_window.
May import: bench, quantity.
May touch: reads log files; reads and writes the campaign's derived/ store.
Asks: does it make a trace, a clock map or a window?
"""

from phasewright.logs._names import column_position
from phasewright.logs.clocks import align
from phasewright.logs.opening import mended_values, open_log, open_table, question_values, table_aside
from phasewright.logs.pyramid import Pyramid, TraceView, build_pyramid, view_trace
from phasewright.logs.read import first_values, read_log, suggest_channels
from phasewright.logs.records import (
    AlignedTrace,
    ClockMap,
    Fingerprint,
    OpenedLog,
    ReadReport,
    Recording,
    Remark,
    Settling,
    StepSpan,
    Suggestion,
    Table,
    Trace,
    Window,
)
from phasewright.logs.sanity import Doubts, look_at
from phasewright.logs.steady import find_window
from phasewright.logs.steps import find_steps, places_text
from phasewright.logs.store import file_hash, verify_file

__all__ = [
    "align", "build_pyramid", "column_position", "file_hash", "find_steps", "find_window", "first_values", "look_at",
    "mended_values", "open_log", "open_table", "places_text", "question_values", "read_log", "suggest_channels",
    "table_aside", "verify_file",
    "view_trace",
    "AlignedTrace", "ClockMap", "Doubts", "Fingerprint", "OpenedLog", "Pyramid", "ReadReport", "Recording", "Remark", "Settling", "StepSpan",
    "Suggestion", "Table", "Trace", "TraceView", "Window",
]
