"""Steps from load edges: cut the record where the load changes, match the pieces in order to the plan, never guess."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from phasewright.bench import Campaign, Fault, LogFault, Step
from phasewright.logs.records import AlignedTrace, Recording, StepSpan

_POINTS = 2000
_CHANNELS = ("package_power", "input_power", "rail_power", "rail_current", "input_current")
_SHORTEST = 12.0
"""Loads shorter than this are no step [s]."""
_BUSY = 0.35
"""Share of the way from idle to full load above which a stretch counts as a load."""
_CLEAR_CHANGE = 0.05
"""Smallest change inside a run of load, as a share of the whole swing, at which two steps may meet."""


@dataclass(frozen=True, slots=True)
class Load:
    """A stretch of even load."""

    start: float
    end: float
    level: float
    phase_count: float | None = None

    @property
    def length(self) -> float:
        """Length [s]."""
        return self.end - self.start


def spans_from_edges(recording: Recording, campaign: Campaign) -> list[StepSpan]:
    """Return one span for each planned step, or raise LogFault that lists what was found beside what was planned."""
    file = campaign.file or "campaign.toml"
    trace = _load_trace(recording)
    if trace is None:
        raise LogFault(Fault(file, "no power or current channel to find load edges in",
                             'map one, or state the times of the steps and set step_source = "times"',
                             path="step_source"))
    found = find_loads(recording, trace)
    spans = _match(found, campaign.steps)
    if spans is None:
        raise LogFault(_mismatch(found, campaign, trace))
    return [StepSpan(s.name, p.start, p.end, "edges", f"{p.level:.1f} {trace.unit} in {trace.channel}")
            for s, p in zip(campaign.steps, spans, strict=True)]


def _load_trace(recording: Recording) -> AlignedTrace | None:
    for name in _CHANNELS:
        for key in sorted(recording.traces):
            if key.partition(".")[0] == name and np.isfinite(recording.traces[key].value).sum() > 20:
                return recording.traces[key]
    return None


def find_loads(recording: Recording, trace: AlignedTrace) -> list[Load]:
    """Return the stretches of even load in `trace`, cut also where the phase count changes."""
    time, level, step = _grid(trace)
    cuts = change_points(level, least=max(2, int(np.ceil(_SHORTEST / 2 / step))))
    edges = [time[0] - step / 2, *(_refine(trace, time[c] - step / 2, step) for c in cuts), time[-1] + step / 2]
    phases = recording.traces.get("phase_count")
    if phases is not None:
        edges = sorted({*edges, *_jumps(phases, edges, step)})
    pieces = []
    for a, b in zip(edges[:-1], edges[1:], strict=True):
        inside = (trace.start_s >= a) & (trace.end_s <= b) & np.isfinite(trace.value)
        if not inside.any():
            continue
        count = _median_between(phases, a, b) if phases is not None else None
        pieces.append(Load(float(a), float(b), float(np.median(trace.value[inside])), count))
    return pieces


def _grid(trace: AlignedTrace) -> tuple[np.ndarray, np.ndarray, float]:
    """At most 2000 medians over the record; gaps carry the level before them."""
    good = np.isfinite(trace.value)
    middle, value = trace.middle_s[good], trace.value[good]
    span = float(middle[-1] - middle[0])
    step = max(span / _POINTS, 1.0)
    slot = np.minimum(((middle - middle[0]) / step).astype(int), int(span / step))
    count = int(slot[-1]) + 1
    number = np.bincount(slot, minlength=count)
    mean = np.bincount(slot, value, minlength=count) / np.maximum(number, 1)
    filled = np.maximum.accumulate(np.where(number > 0, np.arange(count), 0))
    return middle[0] + (np.arange(count) + 0.5) * step, mean[filled], step


def change_points(level: np.ndarray, *, least: int = 5, penalty: float | None = None) -> list[int]:
    """Return the indices where the mean of `level` (n,) changes: optimal partition with pieces of at least `least`.

    The penalty for one more piece comes from the spread of neighbouring means, so that slow wander inside a load is not
    cut. Optimal partition: Jackson et al., IEEE Signal Processing Letters 12 (2005) 105.
    """
    n = len(level)
    if n < 2 * least:
        return []
    if penalty is None:
        block = level[: n // least * least].reshape(-1, least).mean(axis=1)
        spread = 1.4826 * float(np.median(np.abs(np.diff(block) - np.median(np.diff(block))))) / 2**0.5
        floor = 0.01 * float(np.ptp(level)) + 1e-12
        penalty = 12.0 * np.log(n) * max(spread, floor) ** 2 * least
    one = np.concatenate([[0.0], np.cumsum(level - level.mean())])
    two = np.concatenate([[0.0], np.cumsum((level - level.mean()) ** 2)])
    best = np.full(n + 1, np.inf)
    best[0] = -penalty
    last = np.zeros(n + 1, dtype=int)
    for end in range(least, n + 1):
        start = np.arange(0, end - least + 1)
        length = end - start
        cost = best[start] + (two[end] - two[start]) - (one[end] - one[start]) ** 2 / length + penalty
        k = int(np.argmin(cost))
        best[end], last[end] = cost[k], start[k]
    cuts, at = [], n
    while last[at] > 0:
        at = int(last[at])
        cuts.append(at)
    return cuts[::-1]


def _refine(trace: AlignedTrace, near: float, step: float) -> float:
    """The moment within two grid steps at which one jump explains the readings best."""
    reach = 2.5 * step + 2 * trace.averaging
    pick = (trace.end_s > near - reach) & (trace.start_s < near + reach) & np.isfinite(trace.value)
    value = trace.value[pick]
    if len(value) < 4:
        return float(near)
    index = np.arange(1, len(value))
    total = np.cumsum(value)[:-1]
    left, right = total / index, (value.sum() - total) / (len(value) - index)
    gain = index * (len(value) - index) * (left - right) ** 2
    k = int(np.argmax(gain)) + 1
    return float(trace.start_s[pick][k])


def _jumps(phases: AlignedTrace, edges: list[float], step: float) -> list[float]:
    good = np.isfinite(phases.value)
    value, start = phases.value[good], phases.start_s[good]
    at = start[1:][np.diff(value) != 0]
    return [float(t) for t in at if min(abs(t - e) for e in edges) > max(5.0, 3 * step)]


def _median_between(trace: AlignedTrace, a: float, b: float) -> float | None:
    inside = (trace.start_s >= a) & (trace.end_s <= b) & np.isfinite(trace.value)
    return float(np.median(trace.value[inside])) if inside.any() else None


def _match(found: list[Load], steps: tuple[Step, ...]) -> tuple[Load, ...] | None:
    """The loads that are the steps, in order; None unless exactly one reading of the record fits the plan."""
    pieces = _busy(found)
    runs = _runs(pieces)
    runs = [run for run in runs if run[-1].end - run[0].start >= _SHORTEST]
    if not runs or len(runs) > len(steps):
        return None
    if len(runs) < len(steps):
        runs = _part(runs, len(steps), found)
        if runs is None:
            return None
    loads = tuple(_joined(run) for run in runs)
    return loads if _agree(loads, steps) else None


def _busy(found: list[Load]) -> list[Load]:
    """The stretches with a load; all of them when the record knows no idle."""
    if not found:
        return []
    order = sorted(found, key=lambda piece: piece.level)
    length = np.cumsum([piece.length for piece in order])
    idle, top = (order[int(np.searchsorted(length, share * length[-1]))].level for share in (0.02, 0.9))
    idle = min(idle, order[0].level)
    if top < 1.3 * idle + 5.0:
        return found
    return [piece for piece in found if piece.level > idle + _BUSY * (top - idle)]


def _runs(pieces: list[Load]) -> list[list[Load]]:
    """Stretches that follow each other without idle between them."""
    runs: list[list[Load]] = []
    for piece in pieces:
        if runs and piece.start - runs[-1][-1].end < 1.0:
            runs[-1].append(piece)
        else:
            runs.append([piece])
    return runs


def _part(runs: list[list[Load]], count: int, found: list[Load]) -> list[list[Load]] | None:
    """Part runs at the clearest changes of load or phase count until there are `count`; None when none is clear."""
    swing = max(piece.level for piece in found) - min(piece.level for piece in found)
    places = []
    for number, run in enumerate(runs):
        for k in range(1, len(run)):
            one, two = run[k - 1], run[k]
            size = abs(one.level - two.level) / max(swing, 1e-9)
            if one.phase_count is not None and two.phase_count is not None and one.phase_count != two.phase_count:
                size += 1.0
            places.append((size, number, k))
    places.sort(reverse=True)
    need = count - len(runs)
    if len(places) < need or places[need - 1][0] < _CLEAR_CHANGE:
        return None
    if len(places) > need and places[need][0] > 0.5 * places[need - 1][0]:
        return None
    cuts = {(number, k) for _, number, k in places[:need]}
    parted: list[list[Load]] = []
    for number, run in enumerate(runs):
        start = 0
        for k in range(1, len(run) + 1):
            if k == len(run) or (number, k) in cuts:
                parted.append(run[start:k])
                start = k
    return parted if all(run[-1].end - run[0].start >= _SHORTEST for run in parted) else None


def _joined(run: list[Load]) -> Load:
    length = np.array([piece.length for piece in run])
    counts = [piece.phase_count for piece in run if piece.phase_count is not None]
    return Load(run[0].start, run[-1].end, float(np.average([piece.level for piece in run], weights=length)),
                float(np.median(counts)) if counts else None)


def _agree(loads: tuple[Load, ...], steps: tuple[Step, ...]) -> bool:
    """Whether nothing that the plan says about the steps contradicts what was found."""
    ratios = []
    for load, step in zip(loads, steps, strict=True):
        planned = step.settings.get("phase_count")
        seen = load.phase_count
        if seen is not None and isinstance(planned, int | float) and round(seen) != round(planned):
            return False
        power = step.settings.get("package_power")
        if isinstance(power, int | float) and power > 0 and step.outcome in ("", "ran"):
            ratios.append(load.level / power)
    if not ratios:
        return True
    usual = float(np.median(ratios))
    return 0.5 < usual < 2.0 and all(0.75 < ratio / usual < 1.33 for ratio in ratios)


def _mismatch(found: list[Load], campaign: Campaign, trace: AlignedTrace) -> Fault:
    seen = "; ".join(f"{max(p.start, 0.0):.0f} to {p.end:.0f} s at {p.level:.0f} {trace.unit}" for p in found[:30])
    planned = "; ".join(
        s.name + "".join(f" {k} {v:g}" for k, v in s.settings.items() if isinstance(v, int | float))
        for s in campaign.steps[:30]
    )
    return Fault(
        campaign.file or "campaign.toml",
        f"{len(found)} stretches of even load in {trace.channel} do not match {len(campaign.steps)} planned steps. "
        f"Found: {seen or 'none'}. Planned: {planned}",
        'state start and end of each step and set step_source = "times", or mend the list of steps', path="step_source",
    )
