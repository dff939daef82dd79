"""The record by chapters of one cooling, and how every channel answers the load in each of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from phasewright.logs.records import AlignedTrace, StepSpan
from phasewright.logs.steady.drive import SLOW, make_drive
from phasewright.logs.steady.learning import Chapter, learn, sensor_of, share
from phasewright.logs.steady.load import Load, held_load, load_of
from phasewright.logs.steady.response import Response

COOLING = ("cooling", "fan_duty", "pump_duty", "coolant_temperature", "ambient_temperature")
"""Settings of a step that change the bench's time constants."""
_MOST = 8
"""Stretches in a chapter: the cost of a chapter grows with their square."""
_SHORT = 12.0
_LEAD, _TAIL = 900.0, 600.0


@dataclass(frozen=True, slots=True, eq=False)
class Learnt:
    """How the channels answer, by chapter, and in which chapter each step stands."""

    responses: tuple[Mapping[str, Response], ...]
    places: Mapping[str, tuple[int, int]]
    """By step: number of its chapter, and of its stretch in there."""

    def of(self, channel: str, step: str) -> tuple[Response | None, int]:
        """Return the response of `channel` in the chapter of `step`, None if there is none, and the stretch's number."""
        if step not in self.places:
            return None, 0
        chapter, number = self.places[step]
        return self.responses[chapter].get(channel), number


def learn_record(
    traces: dict[str, AlignedTrace], thermal: dict[str, AlignedTrace], spans: Sequence[StepSpan],
    settings: Mapping[str, Mapping[str, float | str]], guard: float,
) -> Learnt:
    """Return what the record tells of its bench; `thermal` are those of `traces` that are temperatures."""
    stretches = _stretches(traces, spans, guard)
    load = load_of(traces) or _assumed_load(thermal, [item[1:] for item in stretches])
    if load is None or not stretches:
        return Learnt((), {})
    cooling = [
        tuple(f"{key} {settings[name][key]}" for key in COOLING if key in settings.get(name, {}))
        for name, _, _ in stretches
    ]
    chapters, places = _chapters(stretches, cooling, load)
    sensors = {key: sensor_of(trace) for key, trace in thermal.items() if np.isfinite(trace.value).any()}
    known = {key: thermal[key] for key in sensors}
    found = []
    for chapter in chapters:
        drive = make_drive(load, traces, chapter.stretches, chapter.begin, chapter.end)
        found.append(learn(known, sensors, drive, chapter))
    responses = []
    for number, one in enumerate(found):
        shared = {}
        for key, (response, _) in one.items():
            votes = np.zeros(len(SLOW))
            for other, two in enumerate(found):
                if chapters[other].cooling == chapters[number].cooling:
                    votes += sum((vote for name, (_, vote) in two.items() if (other, name) != (number, key)), 0.0)
            shared[key] = share(response, votes)
        responses.append(shared)
    return Learnt(tuple(responses), places)


def _stretches(
    traces: dict[str, AlignedTrace], spans: Sequence[StepSpan], guard: float
) -> list[tuple[str, float, float]]:
    """Return (step, start, end) of where the load was held, in order of time."""
    found: list[tuple[str, float, float]] = []
    for span in sorted(spans, key=lambda item: item.start_s):
        held = held_load(traces, span, guard)
        start, end = max(held.start - guard, span.start_s), min(held.end + guard, span.end_s)
        if found:
            start = max(start, found[-1][2])
        if end - start >= _SHORT:
            found.append((span.name, start, end))
    return found


def _assumed_load(thermal: dict[str, AlignedTrace], stretches: Sequence[tuple[float, float]]) -> Load | None:
    """Without a power in the record: a load of one in every step and none between them."""
    if not thermal or not stretches:
        return None
    first = min(float(trace.start_s[0]) for trace in thermal.values())
    last = max(float(trace.end_s[-1]) for trace in thermal.values())
    time = first + np.arange(max(int(last - first), 2)) + 0.5
    power = np.zeros(len(time))
    for start, end in stretches:
        power[(time > start) & (time <= end)] = 1.0
    return Load(time, power, 1.0)


def _chapters(
    stretches: Sequence[tuple[str, float, float]], cooling: Sequence[tuple[str, ...]], load: Load
) -> tuple[list[Chapter], dict[str, tuple[int, int]]]:
    chapters: list[Chapter] = []
    places: dict[str, tuple[int, int]] = {}
    first = 0
    while first < len(stretches):
        last = first
        while last + 1 < len(stretches) and cooling[last + 1] == cooling[first] and last + 1 - first < _MOST:
            last += 1
        begin, end = stretches[first][1], stretches[last][2]
        if first == 0:
            begin = max(float(load.time[0]) - 0.5, begin - _LEAD)
        elif cooling[first - 1] == cooling[first]:
            begin = stretches[first - 1][2]
        if last + 1 == len(stretches):
            end = min(float(load.time[-1]) + 0.5, end + _TAIL)
        elif cooling[last + 1] == cooling[last]:
            end = stretches[last + 1][1]
        places |= {stretches[k][0]: (len(chapters), k - first) for k in range(first, last + 1)}
        chapters.append(Chapter(begin, end, tuple((a, b) for _, a, b in stretches[first : last + 1]), first == 0,
                                cooling[first]))
        first = last + 1
    return chapters, places
