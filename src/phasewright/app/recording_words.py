"""What a recording says to a person, the same words at the terminal and on the page."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from phasewright.app.recording import LONGEST
from phasewright.app.recording_scene import Asked, Frame, Line
from phasewright.bench import CHANNELS
from phasewright.plan import plan_rows
from phasewright.quantity import to_text

PHASES = {"asking": "waiting for you", "idle": "at idle", "load": "load on", "cool-down": "load off, cooling down",
          "learning": "load off, making the plan anew"}
SETTINGS = (
    ("phase_count", "phases", ""), ("protection_phase_current", "over-current protection of a phase", "A"),
    ("protection_total_current", "over-current protection of the regulator", "A"),
    ("protection_temperature_warning", "temperature warning", "°C"),
    ("protection_temperature_trip", "over-temperature protection", "°C"), ("power_limit", "package power limit", "W"),
    ("rail_voltage", "rail voltage", "V"), ("switching_frequency", "switching frequency", "Hz"),
    ("load_line", "load line", "Ohm"), ("fan_duty", "fan duty", "%"), ("pump_duty", "pump duty", "%"),
    ("coolant_temperature", "coolant temperature", "°C"), ("cooling", "cooling", ""),
)  # fmt: skip


def duration(seconds: float) -> str:
    """Return a time as people read it."""
    minutes, rest = divmod(max(round(seconds), 0), 60)
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"


def by_hand(settings: Mapping[str, float | str]) -> tuple[tuple[str, str], ...]:
    """Return (what, to what) of every setting that a person makes by hand."""
    found = []
    for key, title, unit in SETTINGS:
        if key in settings:
            value = settings[key]
            shown = value if isinstance(value, str) else f"{100.0 * value if unit == '%' else value:g} {unit}".strip()
            found.append((title, shown))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Before:
    """What a person has to know and to do before a step, in words."""

    name: str
    verdict: str
    by_hand: tuple[tuple[str, str], ...]
    foreseen: str
    reasons: tuple[str, ...]
    hold_for: str
    ends_at: str
    load: str
    advice: tuple[str, ...]


def told_before(asked: Asked) -> Before:
    """Return a step that is to be set by hand in words."""
    item, forecast, settings = asked.planned, asked.planned.forecast, asked.planned.forecast.step.settings
    row = plan_rows([item])[0].cells()
    if asked.command:
        load = f"is started and ended for you: {' '.join(asked.command)}"
    else:
        load = f"{settings.get('load', 'yours')}: you put it on and take it off, when asked"
    return Before(
        item.name, forecast.verdict, by_hand(settings), f"hottest stage {row[4]} °C, {row[3]} A a phase, chance to trip {row[5]}",
        tuple(forecast.reasons[:2]) if forecast.verdict != "go" else (),
        f"up to {duration(LONGEST * item.dwell)}; it ends by itself once it is settled or decided", row[7] or "nothing stated",
        load, asked.advice)


def value_text(line: Line) -> str:
    """Return the value of a channel with its interval, or that there is none and why."""
    if line.value is None or (line.trouble and line.age > 3.0):
        age = "" if math.isinf(line.age) else f" for {duration(line.age)}"
        return f"no reading{age}" + (f": {line.trouble[:60]}" if line.trouble else "")
    if line.channel.partition(".")[0] == "protection_active":
        return "yes" if line.value.value > 0.0 else "no"
    return to_text(line.value)


def margin_text(line: Line) -> str:
    """Return how far a channel is from where the step ends, '' where it is not bounded."""
    if line.margin is None or line.bound is None or value_text(line).startswith("no reading"):
        return ""
    base = CHANNELS[line.channel.partition(".")[0]]
    unit = {"degC": "°C", "1": ""}.get(base.unit, base.unit)
    step = "K" if base.unit == "degC" else unit
    side = "below" if line.margin >= 0 else "ABOVE"
    return f"{abs(line.margin):.3g} {step} {side} its end at {line.bound:.4g} {unit}"


def settling_text(frame: Frame) -> str:
    """Return what may still come of the transients, and how long that looks."""
    if frame.remaining is None:
        return "not judged yet"
    wait = f", about {duration(frame.to_settle)} more" if frame.to_settle else ""
    return f"at most {frame.remaining:.1f} K may still come (settled below {frame.bound:g} K){wait}"


def moment_of(frame: Frame) -> dict[str, Any]:
    """Return a moment as JSON-safe words: the same at the terminal, on the board and on the page."""
    return {
        "step": frame.step, "number": frame.number, "count": frame.count, "phase": frame.phase,
        "phase_text": PHASES[frame.phase], "elapsed_s": frame.elapsed, "elapsed": duration(frame.elapsed),
        "planned": duration(frame.planned) if frame.planned > 1.0 else "",
        "settling": settling_text(frame) if frame.phase == "load" else "",
        "said": list(frame.said), "alarm": frame.alarm, "lines": [_line_words(line) for line in frame.lines],
    }  # fmt: skip


def _line_words(line: Line) -> dict[str, Any]:
    margin = margin_text(line)
    return {
        "channel": line.channel, "title": line.title, "value": value_text(line), "margin": margin, "bound": line.bound,
        "beyond": bool(margin) and line.margin is not None and line.margin < 0, "ends": line.ends,
        "missing": line.value is None or bool(line.trouble), "course": [],
    }  # fmt: skip


def asked_of(asked: Asked) -> dict[str, Any]:
    """Return a step that is to be set by hand as JSON-safe words."""
    return {"index": asked.number, "count": asked.count, **asdict(told_before(asked))}
