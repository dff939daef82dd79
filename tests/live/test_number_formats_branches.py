"""Number formats beside their usual way: what does not fit is refused with its reason, and nothing is guessed."""

import math
import struct

import pytest

from phasewright.live.encoding import answers, pmbus_words, sensors, sysfs_files


def test_a_list_of_answers_keeps_the_place_of_what_is_missing():
    found = answers.numbers_answer("1.5,9.91E37,-2E-3")
    assert [item.value for item in found] == [1.5, None, -0.002] and "not a number" in found[1].missing


@pytest.mark.parametrize(("text", "value"), [("9.89E37", 9.89e37), ("-9.9E37", None), ("9.9E37", None), ("1E38", None),
                                            ("9.91E37", None), ("-9.91E37", None), ("9.8E37", 9.8e37)])
def test_sentinels_end_where_scpi_says(text, value):
    """SCPI-99, volume 1, 7.2.1.4 and 7.2.1.5: 9.9E37 and -9.9E37 are infinite, 9.91E37 is not a number."""
    assert answers.number_answer(text).value == value


def test_a_block_whose_head_is_still_coming_is_waited_for():
    """IEEE 488.2, 8.7.9: # digit, that many digits of length, data."""
    assert [answers.block_length(b"#3004"[:count], 9) for count in range(6)] == [(0, 0)] * 5 + [(5, 4)]
    assert answers.block_length(b"#14", 4) == (3, 4)
    assert answers.block_length(b"#9000000004xyz", 4) == (11, 4)
    with pytest.raises(ValueError, match="at most 3"):
        answers.block_length(b"#14", 3)
    for bad in (b"#0", b"#:", b"1", b"#2x4"):
        with pytest.raises(ValueError):
            answers.block_length(bad, 99)


def test_numbers_of_a_block_are_those_of_ieee_754():
    for wide, letter in ((False, "f"), (True, "d")):
        for big, sign in ((True, ">"), (False, "<")):
            data = struct.pack(f"{sign}3{letter}", 1.5, -2.0, 1e6)
            assert answers.block_numbers(data, wide=wide, big_end_first=big) == (1.5, -2.0, 1e6)
            with pytest.raises(ValueError, match="cut"):
                answers.block_numbers(data[:-1], wide=wide, big_end_first=big)
    assert answers.block_numbers(b"") == ()


def test_an_entry_of_the_error_queue_may_come_without_its_text():
    assert answers.queue_entry("0") == (0, "")
    assert answers.queue_entry('-350,"Queue overflow"') == (-350, "Queue overflow")
    assert answers.queue_entry(f'-1,"{"x" * 999}"') == (-1, "x" * 200)
    with pytest.raises(ValueError, match="reopen"):
        answers.queue_entry("12.5")


@pytest.mark.parametrize("word", [-1, 1 << 16, 1 << 20])
def test_a_word_wider_than_the_wire_is_refused(word):
    for decode in (pmbus_words.linear11, pmbus_words.half, lambda item: pmbus_words.ulinear16(item, -9),
                   lambda item: pmbus_words.direct(item, 1, 0, 0)):
        with pytest.raises(ValueError, match="16 bits wide"):
            decode(word)
    assert pmbus_words.ulinear16(0xFFFF, 0) == 65535.0 and pmbus_words.ulinear16(0, 0) == 0.0
    with pytest.raises(ValueError, match="8 bits wide"):
        pmbus_words.vout_mode(256)


def test_numbers_that_fit_no_word_are_refused():
    assert pmbus_words.linear11(pmbus_words.to_linear11(1023 * 2.0**15)) == 1023 * 2.0**15
    assert pmbus_words.linear11(pmbus_words.to_linear11(-1024 * 2.0**15)) == -1024 * 2.0**15
    for value in (1024 * 2.0**15, -1025 * 2.0**15, 1e9):
        with pytest.raises(ValueError, match="LINEAR11"):
            pmbus_words.to_linear11(value)
    with pytest.raises(ValueError, match="LINEAR11"):
        pmbus_words.to_linear11(1024.0, 0)
    assert [pmbus_words.to_direct(value, 1, 0, 0) for value in (32767, -32768)] == [0x7FFF, 0x8000]
    for value in (32768, -32769):
        with pytest.raises(ValueError, match="16 bits"):
            pmbus_words.to_direct(value, 1, 0, 0)
    with pytest.raises(ValueError, match="must not be zero"):
        pmbus_words.direct(1, 0, 0, 0)
    with pytest.raises(ValueError, match="half precision"):
        pmbus_words.to_half(65520.0)
    assert pmbus_words.to_ulinear16(65535.4, 0) == 65535
    with pytest.raises(ValueError, match="16 bits wide"):
        pmbus_words.to_ulinear16(65536.0, 0)


@pytest.mark.parametrize(("value", "well"), [(1.0, True), (math.inf, False), (-math.inf, False), (math.nan, False)])
def test_only_finite_numbers_are_booked(value, well):
    assert pmbus_words.finite(value) is well


def test_an_absent_byte_is_not_an_absent_word():
    assert pmbus_words.is_absent(0xFF, 8) and not pmbus_words.is_absent(0xFF) and not pmbus_words.is_absent(0xFFFE)


@pytest.mark.parametrize("call", [
    lambda: sensors.thermistor_temperature(0.0, 1e4, 3435.0), lambda: sensors.thermistor_temperature(-1.0, 1e4, 3435.0),
    lambda: sensors.thermocouple_voltage(20.0, "J"), lambda: sensors.thermocouple_voltage(-0.1, "K"),
    lambda: sensors.thermocouple_voltage(1372.1, "K"), lambda: sensors.thermocouple_voltage(400.1, "T"),
    lambda: sensors.thermocouple_temperature(-0.5, "K"), lambda: sensors.thermocouple_temperature(60.0, "K"),
    lambda: sensors.platinum_temperature(18.2), lambda: sensors.platinum_temperature(391.0),
    lambda: sysfs_files.longest_wait(1.0, 0.0), lambda: sysfs_files.longest_wait(1.0, -1.0),
    lambda: sysfs_files.decimal_number("1e3"), lambda: sysfs_files.decimal_number("1."),
    lambda: sysfs_files.whole_number("1.0"), lambda: sysfs_files.whole_number("1" * 20),
])
def test_what_no_sensor_or_file_can_give_is_refused_with_a_mend(call):
    with pytest.raises(ValueError, match=" - "):
        call()


def test_ends_of_curves_are_inside():
    assert sensors.thermocouple_voltage(0.0, "T") == 0.0
    # ITS-90, type K at 1372 degC: 54.886 mV; type T at 400 degC: 20.872 mV (reference tables).
    assert sensors.thermocouple_voltage(1372.0, "K") == pytest.approx(54.886, abs=0.001)
    assert sensors.thermocouple_voltage(400.0, "T") == pytest.approx(20.872, abs=0.001)
    assert sensors.thermocouple_temperature(0.0, "K") == pytest.approx(0.0, abs=1e-6)
    # IEC 60751: 18.52 Ohm at -200 degC, 390.48 Ohm at 850 degC.
    assert sensors.platinum_temperature(18.52) == pytest.approx(-200.0, abs=0.02)
    assert sensors.platinum_temperature(390.48) == pytest.approx(850.0, abs=0.02)


def test_values_of_iio_are_raw_plus_offset_times_scale():
    """Linux, Documentation/ABI/testing/sysfs-bus-iio: Y = (raw + offset) * scale."""
    assert sysfs_files.iio_value(1000.0, 0.5, -200.0) == 400.0
    assert sysfs_files.iio_value(7.0) == 7.0


def test_numbers_of_sysfs_files():
    assert sysfs_files.whole_number(" -42\n") == -42 and sysfs_files.whole_number("9" * 19) == int("9" * 19)
    assert sysfs_files.decimal_number("0.125\n") == 0.125 and sysfs_files.decimal_number("-3") == -3.0
    assert sysfs_files.longest_wait(262_143.0, 300.0) == pytest.approx(873.81)  # E / P


def test_a_counter_that_did_not_move_went_round_not_at_all():
    assert [sysfs_files.energy_step(5, 5, 100), sysfs_files.energy_step(5, 6, 100), sysfs_files.energy_step(95, 2, 100)] == [
        0, 1, 7]
