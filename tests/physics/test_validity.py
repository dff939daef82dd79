"""What is impossible is refused with name, value, rule and mend; what is doubtful can be asked for."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import phasewright.physics as physics
from phasewright.physics import Bound, FinalValue, Interval, formula, out_of_range

FORMULAS = {name: getattr(physics, name) for name in physics.__all__ if hasattr(getattr(physics, name), "range")}

# One possible set of arguments for each formula whose middle-of-the-road choice below would not fit together.
FITTING = {
    "coffin_manson_factor": {"test_swing": 100.0},
    "norris_landzberg_factor": {"test_swing": 100.0, "test_frequency": 24.0},
    "conversion_efficiency": {"input_power": 400.0, "other_loads": 10.0, "rail_power": 300.0},
    "clopper_pearson": {"failures": 1.0, "count": 20.0, "confidence": 0.9},
    "derated_life": {"voltage": 2.0, "rated_voltage": 4.0},
    "duty_ideal": {"input_voltage": 12.0, "rail_voltage": 1.2},
    "duty_with_drops": {"input_voltage": 12.0, "rail_voltage": 1.2, "phase_current": 10.0, "high_side_resistance": 3e-3,
                        "low_side_resistance": 1e-3, "inductor_resistance": 1e-3},
    "equivalent_activation_energy": {"low_temperature": 50.0, "high_temperature": 90.0},
    "esr_limit": {"ripple_voltage": 0.05, "ripple_current": 5.0, "capacitance": 5e-4, "switching_frequency": 3e5},
    "failure_probability_bound": {"failures": 1.0, "count": 20.0, "confidence": 0.9},
    "final_value": {"first_temperature": 40.0, "second_temperature": 60.0, "third_temperature": 70.0},
    "foster_history": {"time": [0.0, 1.0, 2.0], "power": [1.0, 2.0, 3.0]},
    "greatest_inductance": {"excursion_limit": 0.1, "capacitor_resistance": 1e-4, "current_step": 100.0},
    "hot_resistance": {"temperature_coefficient": 0.004},
    "inductance_for_output_ripple": {"duty": 0.1, "phase_count": 4.0},
    "inductance_for_ripple": {"input_voltage": 12.0, "rail_voltage": 1.2},
    "phase_ripple": {"input_voltage": 12.0, "rail_voltage": 1.2},
    "settle_linear": {"loss_coefficient": 0.004},
    "sizing_inductance": {"excursion_limit": 0.1, "capacitor_resistance": 1e-4, "current_step": 100.0},
    "total_ripple": {"input_voltage": 12.0, "rail_voltage": 1.2},
    "core_loss_waveform": {"flux": [0.1, -0.1]},
    "cauer_to_foster": {"thermal_resistances": [1.0, 2.0], "heat_capacities": [1.0, 10.0]},
}  # fmt: skip


def fitting(name):
    function = FORMULAS[name]
    arguments = {}
    for argument, bound in function.possible.items():
        low, high = max(bound.low, -10.0), min(bound.high, 10.0)
        middle = 0.5 * (low + high)
        arguments[argument] = float(math.ceil(middle)) if bound.whole else middle
    if name == "settle_together":
        arguments["loss_at"] = lambda temperature: 1.0 + 0.001 * np.asarray(temperature)
    return arguments | FITTING.get(name, {})


@pytest.mark.parametrize("name", sorted(FORMULAS))
def test_every_formula_answers_possible_arguments(name):
    answer = FORMULAS[name](**fitting(name))
    values = [answer] if isinstance(answer, float | int | np.ndarray) else [
        getattr(answer, field) for field in type(answer).__dataclass_fields__
    ]  # fmt: skip
    for value in values:
        assert isinstance(value, float) or isinstance(value, np.ndarray), type(value)
        assert not np.any(np.isnan(value))


IMPOSSIBLE = [
    (name, argument, value)
    for name, function in sorted(FORMULAS.items())
    for argument, bound in function.possible.items()
    for value in (
        [bound.low if bound.open_low else math.nextafter(bound.low, -math.inf)]
        if bound.low > -math.inf
        else [-math.inf]
    )
    + ([bound.high if bound.open_high else math.nextafter(bound.high, math.inf)] if bound.high < math.inf else [])
    + ([2.5] if bound.whole else [])
]


@pytest.mark.parametrize(("name", "argument", "value"), IMPOSSIBLE)
def test_every_impossible_argument_is_refused(name, argument, value):
    function = FORMULAS[name]
    arguments = fitting(name) | {argument: value}
    with pytest.raises(ValueError, match=argument) as caught:
        function(**arguments)
    text = str(caught.value)
    what, rule, mend = text.split(" - ", 2)
    assert what.startswith(f"{name}: impossible argument ({argument} = ")
    assert "must" in rule and mend
    # The same inside an array, with its place.
    with pytest.raises(ValueError, match=rf"\({argument}\[1\] = "):
        function(**fitting(name) | {argument: [np.ravel(fitting(name)[argument])[0], value]})


def test_refusal_shows_name_value_rule_and_mend():
    with pytest.raises(ValueError) as caught:
        physics.high_side_rms(1.2, 20.0, 5.0)
    assert str(caught.value) == (
        "high_side_rms: impossible argument (duty = 1.2) - duty must be at least 0 and be at most 1 - "
        "give duty within that range"
    )
    with pytest.raises(ValueError, match=r"input_power = 0 W\) - input_power must be above 0"):
        physics.delivery_efficiency(10.0, 0.0)
    with pytest.raises(ValueError, match=r"input_power\[1, 0\] = -2 W"):
        physics.contact_current(np.array([[1.0, 2.0], [-2.0, 1.0]]), 12.0, 4)
    with pytest.raises(ValueError, match=r"not a number \(energy = 'much'\) - .* - give it in J"):
        physics.cost_of("much", 0.3)


CROSSED = [
    (physics.duty_ideal, (1.2, 12.0), "rail_voltage must be below input_voltage"),
    (physics.duty_with_drops, (12.0, 11.9, 100.0, 1e-3, 1e-3, 1e-3), "voltage needed must be below"),
    (physics.phase_ripple, (12.0, 12.0, 1e-6, 4e5), "rail_voltage must be below input_voltage"),
    (physics.inductance_for_ripple, (12.0, [1.0, 13.0], 1.0, 4e5), "rail_voltage must be below input_voltage"),
    (physics.total_ripple, (12.0, 13.0, 1e-6, 4e5, 2), "rail_voltage must be below input_voltage"),
    (physics.conversion_efficiency, (100.0, 50.0, 60.0), "must have input power left"),
    (physics.esr_limit, (1e-6, 5.0, 5e-4, 3e5, 1), "take more capacitance"),
    (physics.inductance_for_output_ripple, (1.5, 0.5, 3, 2e5, 1e-3, 0.01), "holds only below 1"),
    (physics.greatest_inductance, (0.05, 1.2, 6, 4e-3, 0.5e-3, 100.0), "must be below excursion_limit"),
    (physics.sizing_inductance, (0.05, 1.2, 6, 4e-3, 0.5e-3, 100.0), "must be below excursion_limit"),
    (physics.hot_resistance, (1e-3, 200.0, -0.01), "never negative"),
    (physics.copper_resistivity, (-250.0,), "vanish"),
    (physics.derated_life, (1e6, 4.0, 5.0), "voltage must be below rated_voltage"),
    (physics.equivalent_activation_energy, (2.0, 90.0, 90.0), "low_temperature must be below high_temperature"),
    (physics.final_value, (40.0, 50.0, 65.0, 100.0), "an approach slows down"),
    (physics.final_value, (40.0, 40.0, 40.0, 100.0), "an approach slows down"),
    (physics.final_value, (40.0, 60.0, 55.0, 100.0), "an approach slows down"),
    (physics.foster_history, ([0.0, 0.0], [1.0, 1.0], [1.0], [1.0]), "moments must rise"),
    (physics.cauer_to_foster, ([1.0, 2.0], [1.0]), "same length"),
    (physics.core_loss_waveform, (1.0, 1.5, 2.5, [0.1], 1e-6), "at least two samples"),
    (physics.clopper_pearson, (11, 10, 0.9), "cannot exceed"),
    (physics.failure_probability_bound, (10, 0.9, 11), "cannot exceed"),
    (physics.trace_current, (1e-3, 35e-6, 10.0, "middle"), "'outer' or 'inner'"),
    (physics.trace_width, (1.0, 35e-6, 10.0, "middle"), "'outer' or 'inner'"),
    (physics.glycol_density, (30.0, 0.3, "butylene"), "'ethylene', 'propylene'"),
    (physics.glycol_heat_capacity, (30.0, 0.3, "butylene"), "'ethylene', 'propylene'"),
]


@pytest.mark.parametrize(("function", "arguments", "said"), CROSSED)
def test_arguments_that_are_impossible_together_are_refused(function, arguments, said):
    with pytest.raises(ValueError) as caught:
        function(*arguments)
    text = str(caught.value)
    assert said in text
    assert text.count(" - ") >= 2 and "=" in text.split(" - ")[0]


def test_range_is_data():
    assert physics.rule_of_three.range["count"].low == 30.0
    assert physics.duty_ideal.source
    assert out_of_range(physics.rule_of_three, count=100) == ()
    said = out_of_range(physics.rule_of_three, count=[5, 100, 10])
    assert len(said) == 1
    assert "count = 5 to 10" in said[0] and "at least 30" in said[0] and "common practice" in said[0]
    # Answered all the same.
    assert physics.rule_of_three(5) == 0.6


def test_out_of_range_names_everything_outside_and_never_computes():
    said = out_of_range(physics.trace_current, width=0.02, thickness=1e-3, rise=50.0)
    assert len(said) == 2
    assert any(text.startswith("width = 0.02 m") for text in said)
    assert any(text.startswith("thickness = 0.001 m") for text in said)
    assert out_of_range(physics.duty_ideal, input_voltage=-1.0)[0].startswith("input_voltage = -1 V: must be above 0")


def test_out_of_range_leaves_arguments_without_a_number_alone():
    assert out_of_range(physics.trace_current, width=1e-3, thickness=35e-6, rise=20.0, layer="inner") == ()


def test_a_history_of_one_moment_is_where_it_had_settled():
    assert physics.foster_history([5.0], [1.0], [2.0, 3.0], [1.0, 10.0], 4.0).tolist() == [20.0]


def test_out_of_range_refuses_what_it_does_not_know():
    with pytest.raises(TypeError, match="no formula"):
        out_of_range(math.sqrt, x=1.0)
    with pytest.raises(TypeError, match="unknown argument"):
        out_of_range(physics.duty_ideal, duty=0.5)


def test_python_says_in_its_own_words_what_is_wrong_with_a_call():
    with pytest.raises(TypeError, match="missing 1 required positional argument: 'price'"):
        physics.cost_of(1.0)
    with pytest.raises(TypeError, match="multiple values for argument 'energy'"):
        physics.cost_of(1.0, energy=2.0)
    with pytest.raises(TypeError, match="unexpected keyword"):
        physics.cost_of(1.0, price=1.0, tip=1.0)


def test_a_bound_of_an_unknown_argument_is_a_mistake_of_ours():
    with pytest.raises(TypeError, match="unknown argument"):

        @formula(possible={"y": Bound()}, source="none")
        def identity(x):
            return x


def test_unknown_stays_unknown():
    assert math.isnan(physics.phase_current(math.nan, 4))
    result = physics.contact_current([12.0, math.nan], 12.0, 2)
    assert result[0] == 0.5 and math.isnan(result[1])
    interval = physics.clopper_pearson([1.0, math.nan], 10, 0.9)
    assert isinstance(interval, Interval) and not math.isnan(interval.low[0]) and math.isnan(interval.low[1])
    assert math.isnan(physics.settle_linear(math.nan, 25.0, 0.004, 1.0, 30.0).temperature)
    assert math.isnan(physics.settle_together(lambda t: 1.0 + 0.0 * t, math.nan, 30.0).temperature)
    assert math.isnan(physics.final_value(math.nan, 1.0, 2.0, 1.0).temperature)


NUMBERS = [(name, argument) for name, function in sorted(FORMULAS.items()) for argument in function.possible]


@pytest.mark.parametrize(("name", "argument"), NUMBERS)
def test_an_unknown_argument_never_gives_a_known_answer(name, argument):
    given = fitting(name)
    if name == "cauer_to_foster":
        given[argument] = [math.nan, 1.0]
    elif isinstance(given[argument], list):
        given[argument] = [*given[argument][:-2], math.nan, given[argument][-1]]
    else:
        given[argument] = math.nan
    answer = FORMULAS[name](**given)
    fields = getattr(type(answer), "__dataclass_fields__", None)
    values = [getattr(answer, field) for field in fields] if fields else [answer]
    assert any(np.any(np.isnan(value)) for value in values)


def test_one_number_in_one_number_out():
    assert type(physics.total_ripple_ratio(0.1, 4)) is float
    assert type(physics.total_ripple_ratio(np.float64(0.1), np.int64(4))) is float
    assert type(physics.total_ripple_ratio(np.array(0.1), 4)) is float
    assert physics.total_ripple_ratio([0.1, 0.2], 4).shape == (2,)
    assert physics.total_ripple_ratio(np.full((3, 1), 0.1), np.arange(1, 5)).shape == (3, 4)
    assert type(physics.final_value(40.0, 60.0, 70.0, 1.0)) is FinalValue
    assert physics.phase_current(np.array([], dtype=float), 2).shape == (0,)


@given(
    low=st.floats(-1e3, 1e3),
    width=st.floats(0.0, 1e3),
    open_low=st.booleans(),
    open_high=st.booleans(),
    values=st.lists(st.floats(-3e3, 3e3) | st.just(math.nan) | st.just(math.inf), min_size=1, max_size=6),
)
@settings(max_examples=150, deadline=None)
def test_quick_and_exact_tests_of_a_bound_agree(low, width, open_low, open_high, values):
    bound = Bound(low, low + width, open_low, open_high)
    array = np.array(values)
    outside = bound.outside(array)
    assert bound.holds(array) == (not outside.any())
    least, most = bound.inner()
    for value, wrong in zip(values, outside, strict=True):
        assert bound.outside(value) == wrong
        if not math.isnan(value):
            assert (least <= value <= most) == (not wrong)
