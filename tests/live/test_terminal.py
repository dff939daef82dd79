"""What the person at the bench sees and presses."""

import io
import os
import pty
import time

import pytest

from phasewright.app.recording_scene import Asked, Frame, Line
from phasewright.app.recording_terminal import KEYS, TerminalPerson, asked_text, moment_lines
from phasewright.app.recording_text import recorded_text, verified_text
from phasewright.app.recording_words import asked_of, margin_text, moment_of
from phasewright.live import demo_scenario
from phasewright.plan import order_steps
from phasewright.quantity import Part, value_from_parts

POWER = value_from_parts(356.12, "W", [Part("a", 0.9)], "measured")
HOT = value_from_parts(71.4, "degC", [Part("b", 0.8)], "measured")


ASKED = Asked(order_steps(demo_scenario().bench, [{"phase_count": 10, "package_power": 100.0}]).steps[0], 1, 1, (), ())


def frame(**changes):
    given = {"step": "6 phases, 300 W", "number": 3, "count": 7, "phase": "load", "elapsed": 125.0, "planned": 240.0,
             "lines": (Line("input_power", "Input power", POWER, 0.1, 768.0, 410.1),
                       Line("regulator_temperature", "Regulator temperature", HOT, 0.2, 110.0, 37.0),
                       Line("rail_current", "Rail current", None, 4.0, 480.0, None, "no acknowledge")),
             "remaining": 1.9, "bound": 1.0, "to_settle": 80.0, "said": ("125 s  disconnected: meter",), "alarm": ""}
    return Frame(**{**given, **changes})


def test_every_moment_shows_values_intervals_margins_and_the_key_that_stops():
    lines = moment_lines(moment_of(frame()))
    text = "\n".join(lines)
    assert lines[-1] == KEYS and "STOP" in KEYS
    assert "load on for 2 min 05 s, planned 4 min 00 s" in lines[0]
    assert "356.1 ± 1.8 W" in text and "410 W below its end at 768 W" in text
    assert "37 K below its end at 110 °C" in text
    assert "no reading for 4 s: no acknowledge" in text
    assert "at most 1.9 K may still come (settled below 1 K), about 1 min 20 s more" in text
    assert "±" in text and "min/max" not in text


@pytest.mark.parametrize("width", [40, 79, 200])
@pytest.mark.parametrize("changes", [{}, {"phase": "idle"}, {"remaining": None}, {"alarm": "write failed: no space left"}])
def test_the_stop_key_is_always_visible(width, changes):
    lines = moment_lines(moment_of(frame(**changes)), width)
    assert lines[-1].startswith("[s] STOP") and all(len(line) <= width for line in lines)
    if "alarm" in changes:
        assert "no space left" in "\n".join(moment_lines(moment_of(frame(**changes)), 200))


def test_a_value_beyond_its_end_says_so():
    assert "3 K ABOVE its end at 68 °C" in margin_text(Line("coolant_temperature", "Coolant", HOT, 0.0, 68.0, -3.0))


def test_before_a_step_the_person_is_told_what_to_set_and_what_is_foreseen():
    bench = demo_scenario().bench
    plan = order_steps(bench, [{"phase_count": 6, "package_power": 300.0, "load": "fixed work", "fan_duty": 0.6,
                                "protection_phase_current": 90.0}])
    text = asked_text(asked_of(Asked(plan.steps[0], 1, 2, ("my-load", "-t", "16"), (plan.next_sentence, plan.teaches_sentence))))
    for part in ("phases: 6", "over-current protection of a phase: 90 A", "fan duty: 60 %", "hottest stage", "chance to trip",
                 "started and ended for you: my-load -t 16", "Step 1 of 2", "The plan      Next: ", "would teach most"):
        assert part in text
    assert "fixed work: you put it on" in asked_text(asked_of(Asked(plan.steps[0], 1, 2, (), ())))


def test_single_keys_work_at_a_real_terminal_and_nothing_typed_ahead_is_lost():
    ours, theirs = pty.openpty()
    with (open(theirs, "w", encoding="utf-8", closefd=False) as out,
          open(theirs, encoding="utf-8", closefd=False) as source):
        person = TerminalPerson(out, source)
        with person.at_the_keys():
            assert person.pressed() == ""
            os.write(ours, b"n")
            time.sleep(0.05)
            assert person.pressed() == "next"
            os.write(ours, b"nns")
            time.sleep(0.05)
            assert person.pressed() == "stop"
            person.show(frame())
            person.show(frame(elapsed=126.0))
            assert person.before(ASKED) == "" and person.before(ASKED) == ""
            os.write(ours, b"xk")
            time.sleep(0.05)
            assert person.pressed() == ""  # while it is asked, keys are answers
            assert person.before(ASKED) == "skip"
            assert not person.switch(True, "x")
            os.write(ours, b"s")
            time.sleep(0.05)
            assert not person.switch(True, "x") and person.pressed() == "stop" and person.pressed() == ""
            os.write(ours, b"x\ny")
            assert person.may_start((("a", "b"),))
    seen = os.read(ours, 65536).decode()
    assert seen.count("[s] STOP") == 2 and "\x1b[7A" in seen and "a b" in seen
    os.close(ours)
    os.close(theirs)


def test_without_a_terminal_lines_are_printed_and_an_absent_person_ends_the_run():
    out = io.StringIO()
    person = TerminalPerson(out, io.StringIO(""))
    bench = demo_scenario().bench
    plan = order_steps(bench, [{"phase_count": 10, "package_power": 100.0}])
    assert person.before(Asked(plan.steps[0], 1, 1, (), ())) == "end"
    for elapsed in range(0, 40):
        person.show(frame(elapsed=float(elapsed)))
    assert out.getvalue().count("6 phases, 300 W: load") == 3 and person.pressed() == ""


def test_results_are_told_with_what_comes_next(tmp_path):
    from phasewright.app.recording_files import Verified
    from phasewright.app.recording_run import Recorded
    from phasewright.app.recording_scene import RunResult, StepRun

    run = RunResult([StepRun("a", "ran", "settled after 200 s", 200.0, True)], ("b",), "stopped by the person")
    text = recorded_text(Recorded(run, True, ("a",), ()), tmp_path)
    assert "Not run yet: b" in text and "1 step recorded; all of it is on the disk" in text
    text = verified_text(Verified(10, 1, 1, ("x is gone",), ("n",), False))
    assert text.splitlines() == ["journal: 10 records in 1 segment, 1 session", "note: n", "loss: x is gone",
                                 "1 loss; nothing is left to use"]
