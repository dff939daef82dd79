"""Which step teaches most, against regression in its other form and against the model's own intervals."""

import numpy as np
import pytest

from phasewright.plan import Workload, matrix, order_steps, preflight
from phasewright.plan.teaching import COUNT_SCATTER, READING, _root, _slopes, lessons_of, most_taught


@pytest.fixture(scope="module")
def steps(bench):
    plan = order_steps(bench, matrix(bench, (10, 6, 4, 3), (Workload("a", 150.0), Workload("b", 300.0)), (32.0,)))
    return [item.forecast for item in plan.steps if not item.repeats]


def test_one_more_reading_narrows_as_the_information_form_says(fitted, steps):
    """Rasmussen and Williams, Gaussian Processes for Machine Learning, Eq. 2.8-2.9: covariance (X X'/s2 + S^-1)^-1."""
    lessons = {lesson.name: lesson for lesson in lessons_of(fitted, steps, steps)}
    prior = (_root(fitted) @ _root(fitted).T)[:4, :4]
    for candidate in steps:
        lesson = lessons[candidate.step.name]
        *x, stage = _slopes(fitted, candidate)
        posterior = np.linalg.inv(np.outer(x, x) / (READING**2 + (COUNT_SCATTER * stage) ** 2) + np.linalg.inv(prior))
        other = next(item for item in steps if item.step.name == lesson.of)
        *row, stage = np.array(_slopes(fitted, other))
        own = (COUNT_SCATTER * stage) ** 2
        left = (row @ posterior @ row + own) / (row @ prior @ row + own)
        assert lesson.before == other.quantities["regulator_temperature"].u
        assert (lesson.after / lesson.before) ** 2 == pytest.approx(left, rel=1e-9)


def test_the_unknowns_make_up_the_uncertainty_that_the_model_states(fitted, steps):
    """With the coolant set, resistances and loss are nearly all that is not known."""
    for item in steps:
        row = _slopes(fitted, item) @ _root(fitted)
        assert float(np.sqrt(row @ row)) == pytest.approx(item.quantities["regulator_temperature"].u, rel=0.35)


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
