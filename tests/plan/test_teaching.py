"""Which step teaches most, against the model's own lessons and intervals."""

import pytest

from phasewright.model import next_step
from phasewright.plan import Workload, matrix, order_steps, preflight
from phasewright.plan.teaching import lessons_of, most_taught


@pytest.fixture(scope="module")
def steps(bench):
    plan = order_steps(bench, matrix(bench, (10, 6, 4, 3), (Workload("a", 150.0), Workload("b", 300.0)), (32.0,)))
    return [item.forecast for item in plan.steps if not item.repeats]


def test_a_lesson_is_that_of_the_model(fitted, steps):
    """The model's own lessons are held to the information form in tests/model."""
    lessons = {lesson.name: lesson for lesson in lessons_of(fitted, steps, steps)}
    for candidate in steps:
        lesson = lessons[candidate.step.name]
        other = next(item for item in steps if item.step.name == lesson.of)
        (own,) = next_step(fitted, [candidate.prediction.setting], [other.prediction.setting])
        assert (lesson.before, lesson.after) == pytest.approx((own.before, own.after), rel=1e-9)
        assert lesson.before == pytest.approx(other.quantities["regulator_temperature"].u, rel=0.02)


def test_a_hard_step_teaches_more_than_a_mild_one(fitted, steps):
    order = [lesson.name for lesson in lessons_of(fitted, steps, steps)]
    assert "300 W" in order[0]
    assert order.index("10 phases, 150 W, coolant 32 °C") > order.index("4 phases, 300 W, coolant 32 °C")


def test_a_step_that_hardly_warms_teaches_little(bench, fitted, steps):
    (faint,) = [item.forecast for item in preflight(bench, {"phase_count": 10, "rail_current": 3.0}).steps]
    lesson = lessons_of(fitted, [faint], [faint, *steps])[0]
    best = lessons_of(fitted, steps, steps)[0]
    assert lesson.narrowed < 0.5 * best.narrowed
    name, sentence = most_taught(fitted, [faint], [faint, *steps])
    assert name == faint.step.name
    assert f"±{1.96 * lesson.after:.1f} K instead of ±{1.96 * lesson.before:.1f} K" in sentence


def test_where_nothing_is_open_nothing_is_taught(fitted, steps):
    assert most_taught(fitted, [], steps)[0] == ""
    assert most_taught(fitted, steps[:1], steps[:1]) == (
        steps[0].step.name,
        f"{steps[0].step.name} would teach most: it is the only one left.",
    )
