"""What a run shows and records second by second, with the waits it has at a real bench (`docs/how-to/record.md`)."""

from dataclasses import replace

import pytest

from phasewright.app import recording
from phasewright.app.recording import Guide
from phasewright.bench import Campaign, Instrument, ReadingSource
from phasewright.live import Happened, MovedClock, demo_scenario
from phasewright.live.instruments.driver import Reading
from phasewright.live.load import LoadEnd
from phasewright.plan import order_steps

BENCH = replace(demo_scenario().bench, instruments=(
    Instrument("meter", period=1.0, reading={"input_power": ReadingSource("input_power", ask="p", must_see=True)}),))
STEPS = [{"phase_count": 10, "package_power": 100.0}, {"phase_count": 9, "package_power": 100.0}]
ORDERED = order_steps(BENCH, STEPS)


class Station:
    """A station on a clock that waits for nobody, which notes what it is told and when [s]."""

    slice_s, real_time = 1.0, False

    def __init__(self, happens=None, starts=True, start_ns=0, slice_s=1.0, power=lambda now: 300.0):
        self.clock, self.happens, self.starts = MovedClock(start_ns=start_ns), dict(happens or {}), starts
        self.begins, self.done, self.events, self.slice_s, self.power = start_ns, [], [], slice_s, power

    @property
    def now(self):
        return round((self.clock.monotonic_ns() - self.begins) * 1e-9, 6)

    def advance(self, seconds):
        assert 0.0 < seconds <= 1.0 + 1e-9
        self.clock.sleep(seconds)
        assert self.now < 3000.0, "the run never ended"
        found = self.happens.pop(self.now, Happened())
        value = self.power(self.now)
        found.readings.append(("meter", Reading("input_power", value, self.clock.monotonic_ns(), "",
                                                "" if value is not None else "no answer")))
        return found

    def event(self, what, /, **given):
        self.events.append((self.now, what, given))

    def start_load(self, step, bounds):
        self.done.append((self.now, "on"))
        return self.starts

    def stop_load(self, why, *, need=False):
        self.done.append((self.now, "off"))

    def told(self, name):
        return [(now, given) for now, what, given in self.events if what == name]


class Person:
    """Goes on with everything; presses `keys[now]`."""

    def __init__(self, station, keys=None):
        self.station, self.keys, self.frames, self.asked, self.told = station, dict(keys or {}), [], [], []

    def before(self, asked):
        self.asked.append(asked)
        return "go"

    def switch(self, on, load):
        self.told.append((on, load))
        return True

    def show(self, frame):
        self.frames.append((self.station.now, frame))

    def pressed(self):
        return self.keys.pop(self.station.now, "")

    def tell(self, text):
        self.told.append(text)


def plan(count=1, **more):
    steps = [replace(item, **{"cool_down": 0.0, "dwell": 10.0, **more}) for item in ORDERED.steps[:count]]
    return replace(ORDERED, readiness=replace(ORDERED.readiness, steps=tuple(steps)))


def run(station, person, made, **more):
    return Guide(BENCH, Campaign("test", (), ()), station, person, **more).run(made)


@pytest.fixture
def unjudged(monkeypatch):
    monkeypatch.setattr(recording, "judged_window", lambda *given: None)


@pytest.mark.parametrize("start_ns", [0, 77_000_000_000])
def test_a_step_is_shown_every_second_with_its_phase_and_time(unjudged, start_ns):
    station = Station(start_ns=start_ns)
    person = Person(station)
    result = run(station, person, plan())
    (first, at), (_, off) = station.done
    shown = [(frame.phase, round(frame.elapsed, 6), frame.planned) for _, frame in person.frames]
    idle = [item for item in shown if item[0] == "idle"]
    load = [item for item in shown if item[0] == "load"]
    cool = [item for item in shown if item[0] == "cool-down"]
    assert shown == idle + load + cool
    assert idle == [("idle", float(second), 12.0) for second in range(1, 13)]
    assert load == [("load", float(second), 10.0) for second in range(1, 16)]
    assert cool == [("cool-down", float(second), 12.0) for second in range(1, 13)]
    assert {(frame.step, frame.number, frame.count, frame.remaining, frame.to_settle) for _, frame in person.frames} == {
        (plan().steps[0].name, 1, 1, None, None)}
    assert (at, off) == ("on", "off") and station.done[1][0] - first == 15.0  # 1.5 times the planned time
    assert (result.steps[0].outcome, result.steps[0].seconds) == ("ran", 15.0)


def test_steps_are_numbered_and_asked_for_in_turn(unjudged):
    station = Station()
    person = Person(station)
    made = plan(2)
    result = run(station, person, made)
    assert [(item.number, item.count, item.left) for item in person.asked] == [(1, 2, (made.steps[1].name,)), (2, 2, ())]
    assert [item.ran for item in person.asked] == [(), (result.steps[0],)]
    assert [frame.number for _, frame in person.frames] == sorted(frame.number for _, frame in person.frames)


def test_a_longer_cool_down_than_the_idle_time_is_waited_for(unjudged):
    station = Station()
    run(station, Person(station), plan(cool_down=40.0))
    assert station.done[0] == (41.0, "on")  # one second of roll call


def test_what_was_foreseen_and_asked_is_on_record_before_the_load_and_what_came_of_it_after(unjudged):
    station = Station()
    made = plan()
    step = made.steps[0]
    run(station, Person(station), made)
    names = [what for _, what, _ in station.events]
    assert names == ["foreseen", "step_intent", "set_by_hand", "step_on", "step_off", "step_done"]
    ((at, foreseen),), ((_, intent),), ((done_at, done),) = (station.told(name) for name in ("foreseen", "step_intent",
                                                                                           "step_done"))
    assert at < station.done[0][0] < station.done[1][0] <= done_at
    hot = step.forecast.quantities["regulator_temperature"]
    assert foreseen == {"step": step.name, "verdict": step.forecast.verdict, "chance_to_trip": step.forecast.chance_to_trip,
                        "reasons": list(step.forecast.reasons), "hottest_stage": [hot.low95, hot.value, hot.high95],
                        "stops": [[item.channel, item.threshold, item.unit, item.action] for item in step.forecast.stops]}
    assert intent == {"step": step.name, "settings": dict(step.forecast.step.settings), "answer": "go"}
    assert station.told("set_by_hand")[0][1] == {"step": step.name, "confirmed": True}
    assert done["outcome"] == "ran" and done["settled"] is False and done["step"] == step.name


class Window:
    settled = True


@pytest.mark.parametrize("slice_s", [1.0, 0.25])
def test_a_step_is_judged_every_quarter_of_a_minute_after_the_first_and_ends_settled_after_three(monkeypatch, slice_s):
    """Three times in succession (`docs/how-to/record.md`), the first when there is a minute to judge by."""
    judged = []

    def look(so_far, step, began, bench, campaign):
        judged.append(station.now - began)
        return Window()

    monkeypatch.setattr(recording, "judged_window", look)
    monkeypatch.setattr(recording, "still_to_come", lambda window: (0.1, 5.0) if window is not None else (None, None))
    station = Station(slice_s=slice_s)
    person = Person(station)
    result = run(station, person, plan(dwell=500.0, dwell_to_decide=900.0))
    assert judged == pytest.approx([60.0, 75.0, 90.0])
    assert (result.steps[0].settled, result.steps[0].why) == (True, "settled after 90 s")
    shown = [(frame.elapsed >= 60.0, frame.remaining, frame.to_settle) for _, frame in person.frames if frame.phase == "load"]
    assert set(shown) == {(False, None, None), (True, 0.1, 5.0)}


@pytest.mark.parametrize("key_at, why", [(20.0, "ended by the person after 7 s"), (14.0, "ended by the person after 1 s")])
def test_the_time_a_load_was_held_is_told_from_its_start(unjudged, key_at, why):
    station = Station(start_ns=5_000_000_000)
    result = run(station, Person(station, {key_at: "next"}), plan())
    assert [(item.outcome, item.why) for item in result.steps] == [("ran", why)]


@pytest.mark.parametrize("back_at, waited", [(60.0, 60.0), (100.0, 100.0), (2000.0, 330.0)])
def test_a_machine_that_went_down_is_waited_for_up_to_five_minutes(unjudged, back_at, waited):
    """13 s until the load is on, its end at 17 s; the cool-down of 12 s comes first."""
    station = Station({17.0: Happened(load_end=LoadEnd(9))}, power=lambda now: None if 17.0 < now < back_at else 300.0)
    person = Person(station)
    result = run(station, person, plan())
    assert result.steps[0].outcome in ("tripped", "crashed")
    assert station.now == pytest.approx(waited, abs=5.0)
    assert {frame.planned for now, frame in person.frames if now > 33.0} == {5.0}


def test_a_load_by_hand_is_named(unjudged):
    station = Station(starts=False)
    person = Person(station)
    made = plan()
    run(station, person, made)
    name = made.steps[0].forecast.step.settings.get("load", made.steps[0].name)
    assert [item for item in person.told if isinstance(item, tuple)][0] == (True, name)


def test_steps_that_may_not_be_run_or_were_measured_are_neither_asked_for_nor_left_over(unjudged):
    made = plan(2)
    first, second = made.steps
    unwise = replace(second, forecast=replace(second.forecast, verdict="no-go"))
    for other in (unwise, replace(second, measured=True), replace(unwise, measured=True)):
        station = Station()
        person = Person(station)
        result = run(station, person, replace(made, readiness=replace(made.readiness, steps=(first, other))))
        assert [item.name for item in result.steps] == [first.name] and result.left == ()
        assert len(person.asked) == 1


def test_a_skipped_step_took_no_time_and_is_left_over(unjudged):
    station = Station()
    person = Person(station)
    person.before = lambda asked: "skip"
    made = plan(2)
    result = run(station, person, made)
    assert [(item.outcome, item.seconds, item.settled) for item in result.steps] == [("skipped", 0.0, False)] * 2
    assert result.left == tuple(item.name for item in made.steps) and station.done == []
    assert [given["answer"] for _, given in station.told("step_intent")] == ["skip", "skip"]


def test_a_run_whose_load_is_never_put_on_took_no_time(unjudged):
    station = Station(starts=False)
    person = Person(station, {14.0: "stop"})
    person.switch = lambda on, load: False
    result = run(station, person, plan())
    assert [(item.outcome, item.seconds) for item in result.steps] == [("stopped", 0.0)]
    assert result.ended == "stopped by the person"


def test_while_a_person_is_asked_the_time_is_shown_and_nothing_is_planned(unjudged):
    station = Station()
    person = Person(station)
    person.before = lambda asked: "go" if station.now >= 4.0 else ""
    run(station, person, plan())
    asking = [(frame.phase, round(frame.elapsed, 6), frame.planned) for _, frame in person.frames if frame.phase == "asking"]
    assert asking == [("asking", float(second), 0.0) for second in range(1, 4)]


def test_why_a_plan_could_not_be_made_anew_is_told_with_200_characters_of_it(unjudged):
    def learn(made, ran):
        raise RuntimeError("x" * 300)

    station = Station()
    person = Person(station)
    result = run(station, person, plan(2), learn=learn)
    assert len(result.steps) == 2
    assert [given for _, given in station.told("plan_kept")] == [{"why": "RuntimeError: " + "x" * 200}]


def test_nothing_is_learned_when_no_step_is_left_and_of_those_that_ran_alone(unjudged):
    learned = []

    def learn(made, ran):
        learned.append(ran)
        return made

    made = plan(2)
    station = Station()
    run(station, Person(station), made, learn=learn)
    assert learned == [frozenset({made.steps[0].name})]
    learned.clear()
    station = Station()
    person = Person(station)
    person.before = lambda asked: "skip"
    run(station, person, made, learn=learn)
    assert learned == []


def test_what_the_plan_asks_for_is_guarded_but_for_times(unjudged):
    made = plan()
    step = made.steps[0]
    asked = [item for item in step.forecast.stops if item.unit != "s"]
    assert asked, "the plan asks for nothing: nothing is shown"
    station, seen = Station(), []
    plain = station.start_load

    def start_load(step, bounds):
        seen.extend(bounds)
        return plain(step, bounds)

    station.start_load = start_load
    run(station, Person(station), made)
    channels = {(item.channel, item.action) for item in seen}
    assert {(item.channel, item.action) for item in asked} <= channels
    assert not any(item.unit == "s" for item in seen)
    for item in asked:
        assert min(bound.threshold for bound in seen if bound.channel == item.channel) <= item.threshold
