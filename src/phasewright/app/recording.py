"""Takes a person through a plan at the bench: what to set, the load, when a step has shown enough, the next one."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from phasewright.app.recording_enough import IN_A_ROW, is_dark, is_decided, judged_window
from phasewright.app.recording_scene import (
    Asked,
    Frame,
    Person,
    RunResult,
    StepRun,
    by_channel,
    latest,
    lines_of,
    still_to_come,
)
from phasewright.bench import CHANNELS, Bench, Campaign, PhasewrightError, Step
from phasewright.live import Bound, Happened, SoFar, Station, nested_bounds
from phasewright.plan import Plan, PlannedStep

if TYPE_CHECKING:
    from phasewright.logs import Window

TICK = 1.0
"""[s] The table is made anew so often."""
JUDGE = 15.0
"""[s] Whether a step has settled is judged so often; common practice, no source."""
SHORTEST = 60.0
"""[s] No step is ended as settled before: figures need a window; common practice, no source."""
LONGEST = 1.5
"""Times the planned dwell after which a step ends whatever it shows; common practice, no source."""
ROLL_CALL = 10.0
"""[s] For which instruments are waited before it is said what stays away."""
IDLE = 12.0
"""[s] Idle time before a step, so that its edge shows."""


def _foreseen(item: PlannedStep) -> dict[str, object]:
    """Return what was foreseen of a step, for the record: it stands there before the step is run."""
    forecast = item.forecast
    hot = forecast.quantities.get("regulator_temperature")
    return {"verdict": forecast.verdict, "chance_to_trip": forecast.chance_to_trip, "reasons": list(forecast.reasons),
            "hottest_stage": None if hot is None else [hot.low95, hot.value, hot.high95],
            "stops": [[stop.channel, stop.threshold, stop.unit, stop.action] for stop in forecast.stops]}


Learn = Callable[[Plan, frozenset[str]], Plan]
"""Given the plan and the names of the steps that were run, returns the plan with what is known now."""


class Guide:
    """Runs the steps of a plan, one after the other, on a station."""

    def __init__(self, bench: Bench, campaign: Campaign, station: Station, person: Person, *,
                 set_up: Callable[[Step], None] | None = None, learn: Learn | None = None):
        """`set_up` is told the step that a person has set (the dry run sets its bench by it); `learn` is called after
        each step that was run."""
        self.bench, self.campaign, self.station, self.person = bench, campaign, station, person
        self._set_up, self._learn = set_up, learn
        self.zero = station.clock.monotonic_ns()
        self.so_far = SoFar(bench, self.zero)
        self._said: list[str] = []
        self._alarm = ""
        self._loads = {item.name: item.command for item in bench.loads}
        self._handled: list[str] = []

    @property
    def now(self) -> float:
        """Seconds since the run began."""
        return (self.station.clock.monotonic_ns() - self.zero) * 1e-9

    def run(self, plan: Plan, done: tuple[str, ...] = ()) -> RunResult:
        """Run every step of the plan that may be run and is not in `done`; the load is off afterwards, whatever happens.

        After each step the plan is made again with what it has shown: the order of what is left may change, and a step
        that is no longer wise is left out.
        """
        self.plan, self._done = plan, done
        wished = [item.name for item in self._left()]
        result = RunResult()
        try:
            self._roll_call()
            while left := self._left():
                number = len(self._handled) + 1
                if not self._one(left[0], number, number + len(left) - 1, result):
                    break
        except BaseException as error:
            result.ended = f"{type(error).__name__}"
            self.station.stop_load(f"the guide ended: {type(error).__name__}", need=True)
            raise
        finally:
            ran = {item.name for item in result.steps if item.outcome not in ("skipped", "stopped")}
            names = dict.fromkeys([*wished, *(item.name for item in self.plan.steps if item.runnable and not item.measured)])
            result.left = tuple(name for name in names if name not in ran and name not in done)
        return result

    def _left(self) -> list[PlannedStep]:
        gone = {*self._done, *self._handled}
        return [item for item in self.plan.steps if item.runnable and not item.measured and item.name not in gone]

    def _roll_call(self) -> None:
        """Say what every instrument gives before anything is loaded, and what stays away."""
        until = self.now + ROLL_CALL
        while self.now < until and self._is_silent(unseen=True):
            self._took(self.station.advance(TICK))
        for part in self.bench.instruments:
            for channel, source in part.reading.items():
                if self.so_far.seen(channel) and not self.so_far.flag(channel):
                    continue
                what = "the guard ends any load without it" if source.must_see else "the run goes on without it"
                why = self.so_far.flag(channel) or "nothing came yet"
                self.person.tell(f"{part.name}: no {CHANNELS[channel.partition('.')[0]].title.lower()} ({why}); {what}")

    def _one(self, item: PlannedStep, number: int, count: int, result: RunResult) -> bool:
        """Run one step; return whether the run goes on."""
        step = item.forecast.step
        command = self._loads.get(str(step.settings.get("load", "")), ())
        advice = tuple(text for text in (self.plan.next_sentence, self.plan.teaches_sentence) if text)
        asked = Asked(item, number, count, command, advice, tuple(result.steps),
                      tuple(other.name for other in self._left()[1:]))
        answer, _ = self._asked(lambda: self.person.before(asked), item, number, count, {})
        if answer in ("end", "stop"):
            result.ended = "ended by the person"
            return False
        self._handled.append(step.name)
        self.station.event("foreseen", step=step.name, **_foreseen(item))
        self.station.event("step_intent", step=step.name, settings=dict(step.settings), answer=answer)
        if answer == "skip":
            result.steps.append(StepRun(step.name, "skipped", "skipped by the person", 0.0))
            return True
        if self._set_up is not None:
            self._set_up(step)
        self.station.event("set_by_hand", step=step.name, confirmed=True)
        if self._wait(item, number, count, "idle", max(item.cool_down, IDLE)) == "stop":
            result.ended = "stopped by the person before the load"
            return False
        run = self._load(item, number, count)
        self.station.event("step_done", step=step.name, outcome=run.outcome, why=run.why, settled=run.settled)
        result.steps.append(run)
        self.person.tell(f"{step.name}: {run.outcome} - {run.why}")
        if run.outcome == "stopped":
            result.ended = run.why
            return False
        return self._after(item, number, count, run, result) and self._learned(item, number, count, result)

    def _asked(self, ask: Callable[[], str], item: PlannedStep, number: int, count: int,
               bounds: Mapping[str, tuple[Bound, ...]]) -> tuple[str, Happened]:
        """Ask until there is an answer; readings are taken in meanwhile. What ends a load ends the asking too."""
        began, ended = self.now, Happened()
        while not (answer := ask()):
            happened, key = self._pass(self.station.slice_s)
            self.person.show(self._frame(item, number, count, "asking", began, 0.0, bounds, None))
            if key == "stop" or happened.stopped is not None or happened.load_end is not None:
                return "stop" if key == "stop" else "", happened
        return answer, ended

    def _learned(self, item: PlannedStep, number: int, count: int, result: RunResult) -> bool:
        """Make the plan anew with what the step has shown; return whether the run goes on."""
        learn = self._learn
        if learn is None or not any(left.name not in self._handled for left in self.plan.steps if left.runnable):
            return True
        ran = frozenset(step.name for step in result.steps if step.outcome not in ("skipped", "stopped"))
        before, found, why = self.plan, [], []

        def work() -> None:
            try:
                found.append(learn(before, ran))
            except PhasewrightError as error:
                why.append("; ".join(fault.what for fault in error.faults))
            except Exception as error:
                # Nothing that is worked out beside a run may end it.
                why.append(f"{type(error).__name__}: {str(error)[:200]}")

        if self.station.real_time:
            thread = threading.Thread(target=work, daemon=True)
            thread.start()
            while thread.is_alive():
                if self._wait(item, number, count, "learning", TICK) == "stop":
                    result.ended = "stopped by the person"
                    return False
        else:
            work()
        if not found:
            self.station.event("plan_kept", why=why[0])
            self.person.tell(f"The plan stays as it was: {why[0]}")
            return True
        self.plan = found[0]
        left = [step.name for step in self._left()]
        self.station.event("plan_updated", next=self.plan.next_sentence, teaches=self.plan.teaches_sentence, left=left)
        if left:
            self.person.tell("\n".join(filter(None, (self.plan.next_sentence, self.plan.teaches_sentence))))
        return True

    def _after(self, item: PlannedStep, number: int, count: int, run: StepRun, result: RunResult) -> bool:
        if self._wait(item, number, count, "cool-down", IDLE) == "stop":
            result.ended = "stopped by the person"
            return False
        until = self.now + 300.0
        while run.outcome in ("tripped", "crashed") and self._is_silent() and self.now < until:
            # The machine may take its time to come back; nobody is asked anything while it does.
            if self._wait(item, number, count, "cool-down", 5.0) == "stop":
                result.ended = "stopped by the person"
                return False
        return True

    def _is_silent(self, *, unseen: bool = False) -> bool:
        """Whether a channel that must be seen is missing now; with `unseen` also whether one never came at all."""
        must = [source.channel for part in self.bench.instruments for source in part.reading.values() if source.must_see]
        return any(self.so_far.flag(channel) or (unseen and not self.so_far.seen(channel)) for channel in must)

    def _wait(self, item: PlannedStep, number: int, count: int, phase: str, seconds: float) -> str:
        began = self.now
        while self.now - began < seconds - 1e-6:
            _, key = self._pass(min(TICK, seconds - (self.now - began)))
            self.person.show(self._frame(item, number, count, phase, began, seconds, {}, None))
            if key == "stop":
                self.station.stop_load("stopped by the person", need=True)
                return "stop"
        return ""

    def _load(self, item: PlannedStep, number: int, count: int) -> StepRun:
        step = item.forecast.step
        asked = [Bound(stop.channel, stop.threshold, stop.unit, stop.action, stop.why)
                 for stop in item.forecast.stops if stop.unit != "s"]
        bounds = nested_bounds(asked, self.bench, step.settings)
        said, nested = str(step.settings.get("load", step.name)), by_channel(bounds)
        early = Happened()
        if not self.station.start_load(step, bounds):
            answer, early = self._asked(lambda: "done" if self.person.switch(True, said) else "", item, number, count,
                                        nested)
            if answer == "stop":
                self.station.stop_load("stopped by the person", need=True)
                return StepRun(step.name, "stopped", "stopped by the person", 0.0)
        began = self.now
        self.station.event("step_on", step=step.name)
        outcome, why, settled = self._hold(item, number, count, nested, began, early)
        self.station.stop_load(why, need=outcome == "stopped")
        self.station.event("step_off", step=step.name)
        seconds = self.now - began
        if str(step.settings.get("load", "")) not in self._loads and self._set_up is None:
            self._asked(lambda: "done" if self.person.switch(False, said) else "", item, number, count, {})
        return StepRun(step.name, outcome, why, seconds, settled)

    def _hold(self, item, number: int, count: int, bounds: Mapping[str, tuple[Bound, ...]], began: float,
              early: Happened) -> tuple[str, str, bool]:
        """Hold the load until the step has shown what it can; return (outcome, why, settled)."""
        step, window, judged, row = item.forecast.step, None, began, 0
        while True:
            power_before = self._power()
            happened, key = self._pass(TICK) if early.stopped is None else (early, "")
            held = self.now - began
            if key == "stop":
                return "stopped", "stopped by the person", False
            if happened.load_end is not None:
                code = happened.load_end.code
                dark = self._is_dark(power_before)
                return ("tripped" if dark else "crashed",
                        f"the load ended by itself after {held:.0f} s with exit code {code}"
                        + (", and the machine went down" if dark else ""), False)
            if happened.stopped is not None:
                kind = "stop condition" if happened.stopped.action == "stop" else "hold condition"
                return "ran", f"{kind}: {happened.stopped.reason}", False
            if self.now - judged >= JUDGE and held >= SHORTEST:
                judged = self.now
                window = judged_window(self.so_far, step, began, self.bench, self.campaign)
                row = row + 1 if window is not None and window.settled else 0
                if row >= IN_A_ROW:
                    return "ran", f"settled after {held:.0f} s", True
                if window is not None and held >= item.dwell_to_decide and is_decided(window, bounds):
                    return "ran", f"decided after {held:.0f} s: where it settles is known well enough", False
            self.person.show(self._frame(item, number, count, "load", began, item.dwell, bounds, window))
            if key == "next":
                return "ran", f"ended by the person after {held:.0f} s", False
            if held >= LONGEST * item.dwell:
                return "ran", f"held for {held:.0f} s, {LONGEST:g} times as long as planned, and not settled", False

    def _pass(self, seconds: float) -> tuple[Happened, str]:
        """Let time pass, a slice at a time; return what ended the load in it, if anything, and the key that was pressed."""
        until, ended, key = self.now + seconds, Happened(), ""
        while self.now < until - 1e-6 and not key and ended.stopped is None and ended.load_end is None:
            happened = self.station.advance(min(self.station.slice_s, until - self.now))
            self._took(happened)
            ended.stopped, ended.load_end = happened.stopped, happened.load_end
            key = self.person.pressed()
        return ended, key

    def _took(self, happened: Happened) -> None:
        for instrument, reading in happened.readings:
            self.so_far.take(instrument, reading)
        self._alarm = happened.alarm
        for what, given in happened.events:
            if what in ("clock_step", "pause", "disconnected", "connected", "disk", "program_ended", "driver_failed",
                        "load_ended", "stopped", "instrument_error", "settings_changed", "settings_back",
                        "silent", "heard"):
                text = given.get("text") or given.get("reason") or given.get("alarm") or f"exit code {given.get('code')}"
                self._said = [*self._said[-3:], f"{self.now:.0f} s  {what.replace('_', ' ')}: {text}"]

    def _power(self) -> float | None:
        found = latest(self.so_far, "input_power", self.now)[0]
        return None if found is None else found.value

    def _is_dark(self, before: float | None) -> bool:
        for _ in range(3):
            self._took(self.station.advance(TICK))
        return is_dark(self.so_far, before)

    def _frame(self, item: PlannedStep, number: int, count: int, phase: str, began: float, planned: float,
               bounds: Mapping[str, tuple[Bound, ...]], window: Window | None) -> Frame:
        remaining, to_settle = still_to_come(window)
        return Frame(item.name, number, count, phase, self.now - began, planned,
                     lines_of(self.so_far, self.now, began, bounds), remaining, self.campaign.settle_bound, to_settle,
                     tuple(self._said), self._alarm, lambda channel, buckets: self.so_far.extremes(channel, began, buckets))
