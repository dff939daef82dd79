"""Every way out of a run takes the load off, says why, and asks for what is done in need where a person or a fault ended it."""

from dataclasses import replace

import pytest

from phasewright.app import recording
from phasewright.app.recording import Guide
from phasewright.bench import Campaign, Fault, Instrument, NotReady, ReadingSource
from phasewright.live import Happened, MovedClock, Stopped, demo_scenario
from phasewright.live.instruments.driver import Reading
from phasewright.live.load import LoadEnd
from phasewright.plan import order_steps

BENCH = replace(demo_scenario().bench, loads=(), instruments=(
    Instrument("meter", period=1.0, reading={"input_power": ReadingSource("input_power", ask="p", must_see=True)}),
    Instrument("room", period=1.0,
               reading={"ambient_temperature": ReadingSource("ambient_temperature", ask="t", must_see=False)})))
STEPS = [{"phase_count": 10, "package_power": 100.0}, {"phase_count": 9, "package_power": 100.0}]


class Station:
    """A station whose moments are written down beforehand: `happens[n]` comes with the n-th advance."""

    slice_s, real_time = 1.0, False

    def __init__(self, happens=None, starts=True, silent=()):
        self.clock, self.happens, self.starts, self.silent = MovedClock(), dict(happens or {}), starts, silent
        self.count, self.done, self.events = 0, [], []

    def advance(self, seconds):
        self.clock.sleep(seconds)
        number, self.count = self.count, self.count + 1
        assert number < 2000, "the run never ended"
        found = self.happens.get(number, Happened())
        if isinstance(found, BaseException):
            raise found
        now = self.clock.monotonic_ns()
        if number not in self.silent:
            found.readings.append(("meter", Reading("input_power", 300.0, now)))
        return found

    def event(self, what, /, **given):
        self.events.append((what, given))

    def start_load(self, step, bounds):
        self.done.append(("on", self.count))
        return self.starts

    def stop_load(self, why, *, need=False):
        self.done.append(("off", why, need))

    def close(self):
        return True


class Person:
    """Answers from lists; presses `keys[n]` at the n-th look at the keyboard."""

    def __init__(self, answers=(), keys=None, switched=True):
        self.answers, self.keys, self.switched = list(answers), dict(keys or {}), switched
        self.looks, self.told, self.frames, self.asked, self.switches = 0, [], [], [], []

    def before(self, asked):
        self.asked.append(asked)
        return self.answers.pop(0) if self.answers else "go"

    def switch(self, on, load):
        self.switches.append(on)
        return self.switched

    def show(self, frame):
        self.frames.append(frame)

    def pressed(self):
        self.looks += 1
        return self.keys.get(self.looks - 1, "")

    def tell(self, text):
        self.told.append(text)


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr(recording, "IDLE", 2.0)
    monkeypatch.setattr(recording, "JUDGE", 1e9)


ORDERED = order_steps(BENCH, STEPS)


def with_steps(made, steps):
    return replace(made, readiness=replace(made.readiness, steps=tuple(steps)))


def plan(count=2):
    return with_steps(ORDERED, [replace(item, cool_down=0.0, dwell=10.0) for item in ORDERED.steps[:count]])


def run(station, person, count=2, done=(), **more):
    guide = Guide(BENCH, campaign(), station, person, **more)
    made = plan(count)
    return guide.run(made, done), made


def campaign():
    return Campaign("test", (), ())


def outcomes(result):
    return [(item.outcome, item.why) for item in result.steps]


ONE = 1
LOADED = 2
"""One look at the keyboard and one advance a second: 2 s idle, then the load, then 2 s cool-down."""


def test_a_plan_that_nothing_disturbs_is_held_and_taken_off_step_by_step():
    station, person = Station(), Person()
    result, made = run(station, person)
    assert [item.outcome for item in result.steps] == ["ran", "ran"] and result.left == () and result.ended == ""
    assert {item.why for item in result.steps} == {"held for 15 s, 1.5 times as long as planned, and not settled"}
    assert [word[0] for word in station.done] == ["on", "off", "on", "off"]
    assert all(word[2] is False for word in station.done if word[0] == "off")
    assert [what for what, _ in station.events] == [
        "foreseen", "step_intent", "set_by_hand", "step_on", "step_off", "step_done"] * 2


@pytest.mark.parametrize(("look", "loads", "ended"), [
    (0, 0, "stopped by the person before the load"), (1, 0, "stopped by the person before the load"),
    (2, 1, "stopped by the person"), (8, 1, "stopped by the person"), (17, 1, "stopped by the person"),
])
def test_the_stop_key_ends_the_run_in_every_phase(look, loads, ended):
    """Idle, load and cool-down: the load is off and what is to be done in need is asked for."""
    station, person = Station(starts=True), Person(keys={look: "stop"})
    result, made = run(station, person)
    assert result.ended == ended
    assert sum(word[0] == "on" for word in station.done) == loads
    assert station.done[-1] == ("off", "stopped by the person", True)
    assert made.steps[-1].name in result.left


def test_the_stop_key_ends_the_asking_too():
    station, person = Station(), Person(answers=["", ""], keys={1: "stop"})
    result, made = run(station, person)
    assert result.ended == "ended by the person" and result.steps == [] and not any(word[0] == "on" for word in station.done)
    assert len(result.left) == 2


def test_a_step_is_skipped_on_word_and_the_run_goes_on():
    station, person = Station(), Person(answers=["skip"])
    result, made = run(station, person)
    assert [item.outcome for item in result.steps] == ["skipped", "ran"]
    assert result.left == (made.steps[0].name,)
    assert person.asked[1].ran == (result.steps[0],) and person.asked[0].left == (made.steps[1].name,)
    assert (person.asked[1].number, person.asked[1].count) == (2, 2)


def test_a_run_is_ended_on_word_before_a_step():
    result, made = run(Station(), Person(answers=["go", "end"]))
    assert result.ended == "ended by the person" and result.left == (made.steps[1].name,)


def test_a_step_is_ended_on_word_without_ending_the_run():
    station, person = Station(), Person(keys={LOADED + 3: "next"})
    result, _ = run(station, person, ONE)
    assert outcomes(result) == [("ran", "ended by the person after 4 s")]
    assert station.done[-1] == ("off", "ended by the person after 4 s", False)


@pytest.mark.parametrize(("action", "kind"), [("stop", "stop condition"), ("hold", "hold condition")])
def test_what_the_guard_ends_is_taken_off_and_said(action, kind):
    stopped = Happened(stopped=Stopped("input_power", action, "too much", 400.0))
    station, person = Station({LOADED + 4: stopped}), Person()
    result, _ = run(station, person, ONE)
    assert outcomes(result) == [("ran", f"{kind}: too much")] and result.ended == ""
    assert station.done[-1] == ("off", f"{kind}: too much", False)  # the recorder has done what is done in need
    assert any("too much" in text for text in person.told)


@pytest.mark.parametrize(("power", "outcome"), [(300.0, "crashed"), (10.0, "tripped")])
def test_a_load_that_ends_by_itself_tells_whether_the_machine_went_down(power, outcome):
    end = Happened(load_end=LoadEnd(9))
    station, person = Station({LOADED + 4: end}), Person()
    plain = station.advance

    def advance(seconds):
        found = plain(seconds)
        if station.count > LOADED + 5:
            found.readings = [("meter", Reading("input_power", power, station.clock.monotonic_ns()))]
        return found

    station.advance = advance
    result, _ = run(station, person, ONE)
    (item,) = result.steps
    assert item.outcome == outcome and "by itself after 4 s with exit code 9" in item.why
    assert ("went down" in item.why) is (outcome == "tripped")


def missing(now=0):
    return Happened(readings=[("meter", Reading("input_power", None, now, "", "no answer"))])


@pytest.mark.parametrize("back_after", [30, 400])
def test_a_machine_that_crashed_is_waited_for_and_not_for_ever(back_after):
    """At most 300 s; nobody is asked anything meanwhile."""
    happens = {LOADED + 4: Happened(load_end=LoadEnd(9))}
    gone = range(LOADED + 5, LOADED + 5 + back_after)
    happens.update({number: missing() for number in gone})
    station, person = Station(happens, silent=gone), Person(answers=["go", "end"])
    run(station, person)
    waited = (station.count - (LOADED + 5)) * 1.0
    assert len(person.asked) == 2
    assert waited == pytest.approx(back_after if back_after < 300 else 305.0, abs=6.0)


def test_the_stop_key_ends_the_waiting_for_a_machine_that_crashed():
    happens = {LOADED + 4: Happened(load_end=LoadEnd(9)), **{number: missing() for number in range(LOADED + 5, 900)}}
    station, person = Station(happens, silent=range(LOADED + 5, 900)), Person(keys={40: "stop"})
    result, _ = run(station, person)
    assert result.ended == "stopped by the person" and station.done[-1] == ("off", "stopped by the person", True)
    assert len(person.asked) == 1


@pytest.mark.parametrize("error", [KeyboardInterrupt(), RuntimeError("x")])
def test_a_guide_that_breaks_takes_the_load_off_and_says_so(error):
    station = Station({LOADED + 4: error})
    guide = Guide(BENCH, campaign(), station, Person())
    with pytest.raises(type(error)):
        guide.run(plan())
    assert station.done[-1] == ("off", f"the guide ended: {type(error).__name__}", True)


def test_a_load_by_hand_is_asked_for_on_and_off():
    station, person = Station(starts=False), Person()
    result, _ = run(station, person, ONE)
    assert person.switches == [True, False] and result.steps[0].outcome == "ran"


def test_a_load_that_is_set_by_the_bench_itself_is_not_asked_to_be_taken_off():
    seen, person = [], Person()
    run(Station(), person, ONE, set_up=seen.append)
    assert person.switches == [] and [step.settings["phase_count"] for step in seen] == [10]


def test_the_stop_key_while_a_load_is_put_on_by_hand_ends_the_run():
    station, person = Station(starts=False), Person(switched=False, keys={LOADED + 1: "stop"})
    result, _ = run(station, person)
    assert outcomes(result) == [("stopped", "stopped by the person")] and result.ended == "stopped by the person"
    assert station.done[-1] == ("off", "stopped by the person", True)
    assert "step_on" not in [what for what, _ in station.events]


def test_a_guard_that_stops_while_a_load_is_put_on_by_hand_ends_the_step():
    stopped = Happened(stopped=Stopped("input_power", "stop", "too much", 400.0))
    station, person = Station({LOADED + 1: stopped}, starts=False), Person(switched=False, keys={})
    person.switch = lambda on, load: not on
    result, _ = run(station, person, ONE)
    assert outcomes(result) == [("ran", "stop condition: too much")]


def test_steps_that_are_done_or_not_wise_are_left_alone():
    made = plan()
    result, _ = run(Station(), Person(), done=(made.steps[0].name,))
    assert [item.name for item in result.steps] == [made.steps[1].name] and result.left == ()


def test_the_roll_call_says_what_stays_away_and_what_that_means():
    station, person = Station({number: missing() for number in range(10)}, silent=range(10)), Person(answers=["end"])
    run(station, person)
    assert station.count == 10  # ROLL_CALL
    assert person.told == ["meter: no input power (no answer); the guard ends any load without it",
                           "room: no ambient temperature (nothing came yet); the run goes on without it"]


def test_the_roll_call_waits_no_longer_than_for_those_that_must_be_seen():
    station, person = Station(), Person(answers=["end"])
    run(station, person)
    assert station.count == 1 and [text.partition(":")[0] for text in person.told] == ["room"]


def learned(made, ran):
    return with_steps(made, made.steps[:1])


@pytest.mark.parametrize(("learn", "why"), [
    (lambda made, ran: 1 / 0, "ZeroDivisionError: division by zero"),
    (lambda made, ran: (_ for _ in ()).throw(NotReady(Fault("x", "too little", "more"))), "too little")])
def test_what_cannot_be_learned_leaves_the_plan_and_ends_no_run(learn, why):
    station, person = Station(), Person()
    result, _ = run(station, person, learn=learn)
    assert [item.outcome for item in result.steps] == ["ran", "ran"]
    assert ("plan_kept", {"why": why}) in station.events and f"The plan stays as it was: {why}" in person.told


def test_a_plan_that_was_learned_takes_the_place_of_the_old_one():
    station, person, seen = Station(), Person(), []

    def learn(made, ran):
        seen.append(ran)
        return learned(made, ran)

    result, made = run(station, person, learn=learn)
    assert len(result.steps) == 1 and seen == [frozenset({made.steps[0].name})]
    (given,) = [given for what, given in station.events if what == "plan_updated"]
    assert given["left"] == [] and result.left == (made.steps[1].name,)


@pytest.mark.parametrize("key", ["", "stop"])
def test_learning_in_real_time_holds_no_key_up(key):
    import threading

    gate = threading.Event()
    station, person = Station(), Person()
    station.real_time = True
    plain = person.show

    def show(frame):
        plain(frame)
        if frame.phase == "learning":
            if key:
                person.keys[person.looks] = key
            elif len([item for item in person.frames if item.phase == "learning"]) > 2:
                gate.set()

    person.show = show

    def learn(made, ran):
        gate.wait(30.0)
        return made

    result, _ = run(station, person, learn=learn)
    gate.set()
    if key:
        assert result.ended == "stopped by the person" and len(result.steps) == 1
        assert station.done[-1] == ("off", "stopped by the person", True)
    else:
        assert [item.outcome for item in result.steps] == ["ran", "ran"]
        assert any(what == "plan_updated" for what, _ in station.events)


@pytest.mark.parametrize(("what", "given", "text"), [
    ("clock_step", {"text": "set by 3600 s"}, "clock step: set by 3600 s"), ("stopped", {"reason": "hot"}, "stopped: hot"),
    ("disk", {"alarm": "full"}, "disk: full"), ("load_ended", {"code": 3}, "load ended: exit code 3"),
    ("note", {"text": "x"}, "")])
def test_what_happens_is_on_show(what, given, text):
    station, person = Station({LOADED + 1: Happened(events=[(what, given)], alarm="full")}), Person()
    run(station, person, ONE)
    shown = {said.partition("  ")[2] for frame in person.frames for said in frame.said}
    assert shown == ({text} if text else set())
    assert any(frame.alarm == "full" for frame in person.frames)


def test_of_what_happened_the_last_four_are_on_show():
    events = [("disk", {"alarm": str(number)}) for number in range(9)]
    station, person = Station({LOADED + 1: Happened(events=events)}), Person()
    run(station, person, ONE)
    assert [said[-1] for said in person.frames[-1].said] == ["5", "6", "7", "8"]


class Window:
    def __init__(self, settled):
        self.settled = settled


@pytest.mark.parametrize(("seen", "decided", "why", "settled"), [
    ([True] * 9, False, "settled after 6 s", True),
    ([True, True, False] + [True] * 9, False, "settled after 9 s", True),
    ([False] * 99, True, "decided after 8 s: where it settles is known well enough", False),
    ([None] * 99, True, "held for 15 s, 1.5 times as long as planned, and not settled", False),
])
def test_a_step_ends_when_it_was_settled_three_times_or_where_it_settles_is_known(monkeypatch, seen, decided, why, settled):
    """Judged every second from the 4th on; the plan says that 8 s are enough to decide."""
    verdicts = iter([None if item is None else Window(item) for item in seen])
    monkeypatch.setattr(recording, "JUDGE", 1.0)
    monkeypatch.setattr(recording, "SHORTEST", 4.0)
    monkeypatch.setattr(recording, "judged_window", lambda *given: next(verdicts))
    monkeypatch.setattr(recording, "is_decided", lambda window, bounds: decided)
    monkeypatch.setattr(recording, "still_to_come", lambda window: (None, None))
    station = Station()
    made = with_steps(ORDERED, [replace(plan().steps[0], dwell_to_decide=8.0)])
    result = Guide(BENCH, campaign(), station, Person()).run(made)
    assert outcomes(result) == [("ran", why)] and result.steps[0].settled is settled
