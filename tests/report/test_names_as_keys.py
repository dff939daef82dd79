"""Names of channels become words in a sentence, but stay as they are where somebody copies them into a file."""

from types import SimpleNamespace

from phasewright.bench import Limit
from phasewright.limits import Margin
from phasewright.quantity import Value
from phasewright.report.ladder import chosen_step
from phasewright.report.wording import in_words


def test_step_nearest_to_a_limit_is_chosen_where_no_accuracy_is_stated():
    limit = Limit("stage rating", "stage_current", 60.0, "A", "rating", "bench.toml")

    def step(left):
        margin = Margin(limit, Value(60.0 - left, "A"), Value(left, "A"), None, None)
        return SimpleNamespace(margins=(margin,), verdict="unknown")

    mild, severe = step(45.8), step(-9.4)
    assert chosen_step(SimpleNamespace(steps=(mild, severe))) is severe


def test_names_become_words_but_keys_stay():
    text = "accuracy of rail_current on host is not stated: add [instrument.accuracy.rail_current] with gain"
    assert in_words(text) == "accuracy of rail current on host is not stated: add [instrument.accuracy.rail_current] with gain"
    assert in_words('write rail_voltage = "1.1 V" for input_power') == 'write rail_voltage = "1.1 V" for input power'
    assert in_words("log input_power at the board.") == "log input power at the board."
