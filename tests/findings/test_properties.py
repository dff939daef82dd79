"""What must hold for any readings."""

import json

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from phasewright.findings import VERDICTS, to_json

watts = st.floats(1.0, 900.0)
degrees = st.floats(-20.0, 180.0)


@st.composite
def played_steps(draw):
    """Return settings and levels of one to three steps, right or wrong, complete or not."""
    steps = []
    for index in range(draw(st.integers(1, 3))):
        levels = {
            "input_power": draw(watts),
            "package_power": draw(st.one_of(st.none(), watts)),
            "rail_current": draw(st.one_of(st.none(), st.floats(0.0, 800.0))),
            "rail_voltage": draw(st.one_of(st.none(), st.floats(0.4, 2.0))),
            "regulator_temperature": draw(st.one_of(st.none(), degrees)),
            "coolant_temperature": draw(st.one_of(st.none(), degrees)),
            "ambient_temperature": draw(st.one_of(st.none(), degrees)),
        }
        given_settings = {"phase_count": draw(st.integers(1, 12)), "load": draw(st.sampled_from(["x", "y"]))}
        outcome = draw(st.sampled_from(["", "ran", "clamped", "tripped"]))
        steps.append((f"step {index}", given_settings, levels, draw(st.booleans()), draw(st.booleans()), outcome))
    return steps


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(steps=played_steps())
def test_any_readings_give_an_honest_and_valid_analysis(hand, steps):
    analysis = hand.analyzed(
        *(
            hand.Played(name, given_settings, levels, length=120.0, settled=settled, found=found, outcome=outcome)
            for name, given_settings, levels, settled, found, outcome in steps
        )
    )
    text = json.dumps(to_json(analysis), allow_nan=False)
    assert "NaN" not in text and "Infinity" not in text
    for finding in analysis.steps:
        assert finding.verdict in VERDICTS and finding.reasons
        # To nine digits: what is as far away but for rounding keeps the order of the rules.
        order = [float(f"{margin.in_u:.9g}") for margin in finding.margins if margin.in_u is not None]
        assert order == sorted(order), "the margin that gives first comes first"
        for margin in finding.margins:
            assert margin.probability is None or 0.0 <= margin.probability <= 1.0
        for name, value in finding.quantities.items():
            assert (value.u is None) == (value.low95 is None) == (value.high95 is None)
            assert value.u is None or (value.u >= 0.0 and value.low95 <= value.value <= value.high95)
            assert value.u is not None or value.reason, name
        if finding.verdict == "sustained":
            deciding = [margin for margin in finding.margins if margin.role == "decides"]
            assert all(margin.margin.low95 > 0.0 for margin in deciding)
        assert not {item.name for item in finding.missing} & set(finding.quantities)
        above = any(
            finding.quantities[name].value > 1.0
            for name in ("delivery_efficiency", "conversion_efficiency")
            if name in finding.quantities
        )
        if above and finding.window.found and finding.verdict != "tripped":
            assert any(check.name == "efficiency" and check.outcome == "doubt" for check in analysis.checks)
    assert all(answer.sentence.endswith(".") for answer in analysis.answers)


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(power=st.floats(100.0, 400.0), extra=st.floats(0.0, 200.0))
def test_loss_and_efficiency_are_one_statement(hand, power, extra):
    step = hand.analyzed(
        hand.Played(length=120.0, levels={"package_power": power, "input_power": power + extra}), noise={}
    ).steps[0]
    loss, efficiency = step.quantities["loss"], step.quantities["delivery_efficiency"]
    drawn = step.quantities["input_power"].value
    assert abs(loss.value - drawn * (1.0 - efficiency.value)) < 1e-6 * drawn
    assert abs(step.quantities["phase_current"].value * 8 - step.quantities["rail_current"].value) < 1e-9
