"""A plan, or how ready its steps are, as plain text for an 80-column terminal."""

from __future__ import annotations

import math
from collections.abc import Sequence

from phasewright.plan import Plan, PlannedStep, ProtectionBand, Readiness
from phasewright.quantity import Value
from phasewright.report.escaping import clean
from phasewright.report.terminal import aligned, cut, plain_spaces, wrapped
from phasewright.report.terminal_model import percent
from phasewright.report.wording import plain, time_text

MOST_REASONS = 3
STOPS = (
    ("regulator_temperature", "Regulator", "/ °C"),
    ("rail_current", "Rail", "/ A"),
    ("input_power", "Input", "/ W"),
    ("coolant_temperature", "Coolant", "/ °C"),
)
"""What ends a step by a reading, with its head and unit."""
BANDS = (
    ("phase_current", "OCP of a phase", "/ A"),
    ("total_current", "OCP in total", "/ A"),
    ("temperature_trip", "Temperature trip", "/ °C"),
)
"""Protections whose thresholds are looked over, with head and unit."""


def preflight_text(plan: Plan | Readiness) -> str:
    """Return a plan or a readiness as plain text, 80 columns wide: each step with what it would do and when to stop."""
    readiness = plan.readiness if isinstance(plan, Plan) else plan
    steps = readiness.steps
    lines = wrapped(f"Preflight. {readiness.sentence}")
    if not readiness.measured:
        lines += wrapped("Nothing has been measured on this bench yet: part data alone speak.")
    if isinstance(plan, Plan):
        lines += wrapped(plan.next_sentence) + wrapped(plan.teaches_sentence)
        lines += wrapped(f"All of it takes {time_text(plan.duration)}, start marker and cool-downs included.")
    if steps:
        lines += ["", *_foreseen(steps), "", *_stops(steps)]
    bands = _bands(steps)
    lines += ["", *bands] if bands else []
    reasons = _reasons(steps)
    lines += ["", *reasons] if reasons else []
    if readiness.cautions:
        lines += ["", "Cautions"]
        for item in readiness.cautions:
            lines += wrapped(f"{item.title}. {item.why} {item.action}", f"  {item.grade}: ")
    if readiness.missing:
        lines += ["", "Not judged, and what would mend it"]
        lines += [line for item in readiness.missing for line in wrapped(f"{item.why} - {item.mend}", "  - ")]
    if isinstance(plan, Plan):
        lines += ["", "Start marker"]
        lines += [line for text in plan.marker.instructions for line in wrapped(text, "  - ")]
    return "\n".join(lines) + "\n"


def _ends(value: Value | None) -> str:
    """Return `46 to 57`: the 95 % interval, in tenths where it is narrow."""
    if value is None or not math.isfinite(value.value):
        return "not known"
    if value.low95 is None or value.high95 is None:
        return f"about {plain(value.value, 0)}"
    places = 1 if value.high95 - value.low95 < 3.0 else 0
    return plain_spaces(f"{plain(value.low95, places)} to {plain(value.high95, places)}")


def _foreseen(steps: Sequence[PlannedStep]) -> list[str]:
    rows = []
    for number, item in enumerate(steps, start=1):
        forecast = item.forecast
        rows.append(
            (
                str(number),
                cut(clean(item.name), 20),
                str(forecast.phase_count),
                _ends(forecast.quantities.get("phase_current")),
                _ends(forecast.quantities.get("regulator_temperature")),
                percent(forecast.chance_to_trip),
                plain(item.dwell / 60.0, 1) if item.runnable else "-",
                "done" if item.measured else forecast.verdict.replace("go with care", "care"),
            )
        )
    head = [
        ["#", "Step", "n", "A phase", "Hottest", "Trips", "Hold", "Go?"],
        ["", "", "", "/ A", "stage / °C", "/ %", "/ min", ""],
    ]
    lines = aligned(head, rows, [True, False, True, True, True, True, True, False])
    return [*lines, "Intervals hold with 95 %. Care: go with care, for the reasons below."]


def _stops(steps: Sequence[PlannedStep]) -> list[str]:
    """Return the readings at which each step ends, and what to wait for before it."""
    rows = []
    for number, item in enumerate(steps, start=1):
        if not item.runnable or item.measured:
            continue
        at = {stop.channel: stop for stop in item.forecast.stops if stop.action == "stop" and stop.unit != "s"}
        cells = [plain(at[channel].threshold, 0) if channel in at else "-" for channel, _, _ in STOPS]
        wait = f"{time_text(item.cool_down)} idle" if item.cool_down else "-"
        rows.append((str(number), *(plain_spaces(cell) for cell in cells), wait))
    if not rows:
        return ["No step is left that may be run."]
    head = [["#", *(title for _, title, _ in STOPS), "Before it"], ["", *(unit for _, _, unit in STOPS), ""]]
    return ["Stop the step when a reading passes", *aligned(head, rows, [*(True for _ in range(5)), False])]


def _bands(steps: Sequence[PlannedStep]) -> list[str]:
    """Return where each threshold may lie: above what the step asks for, below what the parts bear."""
    rows = []
    for number, item in enumerate(steps, start=1):
        if item.bands and not item.measured:
            bands = {band.name: band for band in item.bands}
            rows.append((str(number), *(band_words(bands[name]) if name in bands else "-" for name, _, _ in BANDS)))
    if not rows:
        return []
    head = [["#", *(title for _, title, _ in BANDS)], ["", *(unit for _, _, unit in BANDS)]]
    empty = any(cell.startswith("none") for row in rows for cell in row)
    return ["Where thresholds may lie: above the step's peak, below what the parts bear",
            *aligned(head, rows, [True] * (1 + len(BANDS))),
            *(["none: the step asks for more than the parts bear."] if empty else [])]  # fmt: skip


def band_words(band: ProtectionBand) -> str:
    """Return `61 to 95, set 98`: both ends, and what is set now where it lies outside; `none, 106 > 98` where none fits."""
    low, high = ("?" if end is None else plain(end, 0) for end in (band.low, band.high))
    set_to = band.threshold
    outside = set_to is not None and (
        (band.low is not None and set_to < band.low) or (band.high is not None and set_to > band.high)
    )
    said = f"none, {low} > {high}" if band.empty else f"{low} to {high}"
    return plain_spaces(said + (f", set {plain(set_to or 0.0, 0)}" if outside else ""))


def _reasons(steps: Sequence[PlannedStep]) -> list[str]:
    """Return why a step is not simply a go."""
    lines = []
    for number, item in enumerate(steps, start=1):
        if item.forecast.verdict == "go" or item.measured:
            continue
        lead = f"{number:3d} "
        for index, reason in enumerate(item.forecast.reasons[:MOST_REASONS]):
            lines += wrapped(
                f"{item.forecast.verdict}: {reason}" if not index else reason, lead if not index else "    "
            )
    return lines
