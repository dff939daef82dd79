"""Names of channels become words in a sentence, but stay as they are where somebody copies them into a file."""

from phasewright.report.wording import in_words


def test_names_become_words_but_keys_stay():
    text = "accuracy of rail_current on host is not stated: add [instrument.accuracy.rail_current] with gain"
    assert in_words(text) == "accuracy of rail current on host is not stated: add [instrument.accuracy.rail_current] with gain"
    assert in_words('write rail_voltage = "1.1 V" for input_power') == 'write rail_voltage = "1.1 V" for input power'
    assert in_words("log input_power at the board.") == "log input power at the board."
