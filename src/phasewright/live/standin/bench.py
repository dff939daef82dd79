"""The virtual bench as it runs: loads come and go, settings are changed by hand, instruments look at it at any moment."""

from __future__ import annotations

import math
import threading
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from phasewright.bench import Accuracy
from phasewright.live.clock import Clock
from phasewright.live.load import LoadEnd
from phasewright.live.virtual import campaign as making
from phasewright.live.virtual import simulation, thermal, workload
from phasewright.live.virtual.instruments import drawn_error
from phasewright.live.virtual.processor import dynamic_power
from phasewright.live.virtual.scenario import PlannedStep, Scenario
from phasewright.live.virtual.signals import Signals
from phasewright.live.virtual.simulation import Piece, Run, Stretch

LONGEST_LOAD = 7200
"""[s] A load's fluctuation is drawn for so long, and repeats then."""
KEPT = 6
"""[s] Of signals at hand for averaging instruments."""


@dataclass(slots=True, eq=False)
class _Past:
    start: int
    signals: Signals


class RunningBench:
    """A simulated bench on a clock. Lab time 0 is the clock's 0; changes take effect at the next whole second."""

    def __init__(self, scenario: Scenario, seed: int, clock: Clock):
        self.scenario, self.clock = scenario, clock
        self._lock = threading.RLock()
        """In real time several instruments look at once."""
        self._start_ns = clock.monotonic_ns()
        physics, self._noise, self._drawn = (np.random.default_rng([seed, part]) for part in (0, 1, 5))
        self.errors = making.drawn_quantiles(scenario, np.random.default_rng([seed, 4]))
        self._true = making._true_bench(scenario, self.errors, physics)
        self._network = thermal.build_network(self._true, scenario.surroundings.liquid)
        self._store = simulation._Store()
        self._keeper = simulation.Keeper(scenario.surroundings.duty_at(scenario.surroundings.room))
        start = making._idle_temperature(scenario, self._true, self._network)
        if start is None:
            start = np.full(len(self._network.capacity), scenario.surroundings.room)
        self._state = simulation.State(start, start, self._true.set_voltage, self._true.supply_voltage)
        self._past: deque[_Past] = deque(maxlen=KEPT)
        self._second = 0
        self._dark_until = -1
        self.pieces: list[Piece] = []
        self.step: PlannedStep | None = None
        """As set by hand; None = all phases, as the bench has them."""
        self._activity: np.ndarray | None = None
        self._load_from = 0
        self._end: LoadEnd | None = None
        self.trips: list[tuple[float, str]] = []
        """(lab time [s], what shut it down)."""

    @property
    def lab(self) -> float:
        """Lab time now [s]."""
        return (self.clock.monotonic_ns() - self._start_ns) * 1e-9

    @property
    def alive(self) -> bool:
        """Whether the machine runs."""
        with self._lock:
            self.catch_up()
            return self._dark_until <= self._second

    def set_by_hand(self, step: PlannedStep | None) -> None:
        """Set phases, protection, limits and fan as `step` says."""
        with self._lock:
            self.catch_up()
            self.step = step

    def load_on(self, power: float) -> None:
        """Put on a load that takes `power` [W] at the package at 65 degC."""
        with self._lock:
            self.catch_up()
            full = dynamic_power(self._true, power)
            self._activity = full * workload.activity(LONGEST_LOAD, self.scenario.fluctuation, self._noise)
            self._load_from = self._second

    def load_off(self) -> None:
        """Take the load off."""
        with self._lock:
            self.catch_up()
            self._activity = None

    def load_ended(self) -> LoadEnd | None:
        """Return how the load ended when the machine went down under it, once."""
        with self._lock:
            self.catch_up()
            ended, self._end = self._end, None
            return ended

    def catch_up(self) -> None:
        """Run the bench up to the present moment."""
        with self._lock:
            until = math.floor(self.lab) + 1
            while self._second < until:
                self._one_second()

    def _one_second(self) -> None:
        step, second = self.step, self._second
        count = step.phase_count if step is not None else self._true.phase_count
        if second < self._dark_until:
            stretch = Stretch("", "off", count, np.zeros(workload.BLOCK), making._guards(self.scenario, None))
        else:
            idle = self.scenario.hidden.idle_power * workload.activity(
                1, workload.Fluctuation(0.0, 100.0, 0.06, 0.4, 0.3, 0.03), self._noise)
            activity = idle
            if self._activity is not None:
                at = (second - self._load_from) % LONGEST_LOAD * workload.BLOCK
                activity = self._activity[at : at + workload.BLOCK]
            stretch = Stretch("", "idle" if self._activity is None else "step", count, activity,
                              making._guards(self.scenario, step), step.fan_duty if step is not None else None)
        piece = Piece(stretch, second, second)
        simulation._run_stretch(self._true, self.scenario.surroundings, self._network, stretch, piece, self._keeper,
                                self._state, self._store)
        self._second += 1
        if piece.trip is not None:
            self.trips.append((piece.trip.time, piece.trip.kind))
            self._dark_until = self._second + self.scenario.restart
            if self._activity is not None:
                self._end = LoadEnd(-9, "simulated: the machine went down under the load")
            self._activity = None
        self._past.append(_Past(second, Signals(self._run(slice(second, second + 1)))))

    def _run(self, part: slice) -> Run:
        made = {key: np.array(values[part]) for key, values in self._store.rows.items()}
        rows = self._store.rows["temperatures"]
        after = rows[part.stop] if part.stop is not None and part.stop < len(rows) else self._state.temperature
        made["temperatures"] = np.vstack([made["temperatures"], after])
        for key in ("current", "voltage", "other", "auxiliary"):
            made[key] = made[key].reshape(-1)
        return Run(parts=self._true, network=self._network, surroundings=self.scenario.surroundings, pieces=self.pieces,
                   **made)

    def mean(self, signal: str, averaging: float) -> float:
        """Return the true mean of `signal` over the last `averaging` [s]; 0 = now."""
        with self._lock:
            self.catch_up()
            return self._mean(signal, averaging)

    def _mean(self, signal: str, averaging: float) -> float:
        end = max(self.lab, 1e-6)
        start = max(end - averaging, self._past[0].start, 0.0)
        if averaging <= 0.0 or end - start < 1e-6:
            start = max(end - 1e-3, self._past[0].start)
        total = weight = 0.0
        for item in self._past:
            first, last = max(start - item.start, 0.0), min(end - item.start, 1.0)
            if last > first:
                total += float(item.signals.get(signal).mean(first, last)) * (last - first)
                weight += last - first
        return total / weight if weight else float("nan")

    def signals(self) -> Signals:
        """Return every true signal of the run so far, for comparing with what was found."""
        self.catch_up()
        return Signals(self._run(slice(0, len(self._store.rows["fan"]))))

    def off_by(self, place: str, stated: Mapping[str, Accuracy], channel: str, value: float) -> float:
        """Return what an instrument with the stated accuracy shows for a true `value`; its errors are drawn once."""
        found = stated.get(channel)
        if found is None:
            return value
        gain = drawn_error(found.gain, found.stated_as, self.errors.get(f"{place}/{channel}/gain", 0.0))
        offset = drawn_error(found.offset, found.stated_as, self.errors.get(f"{place}/{channel}/offset", 0.0))
        return value * (1.0 + gain) + offset

    def noise(self, spread: float) -> float:
        """Return one draw of an instrument's noise."""
        with self._lock:
            return spread * float(self._drawn.standard_normal())


class SimulatedLoad:
    """The load of a step on the running bench; see `Load`."""

    def __init__(self, bench: RunningBench, power: float):
        self._bench, self._power = bench, power

    def start(self) -> None:
        """Put it on."""
        self._bench.load_on(self._power)

    def stop(self) -> None:
        """Take it off."""
        self._bench.load_off()

    def poll(self) -> LoadEnd | None:
        """Return how it ended, if it did."""
        return self._bench.load_ended()
