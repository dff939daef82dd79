"""Number formats against published rows; the source stands beside each."""

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from phasewright.live.encoding import answers, sensors, sysfs_files
from phasewright.live.encoding import pmbus_words as pm

# ---- PMBus and SMBus ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("word", "value"), [
    (0xE804, 0.5),  # TI TPS53676 data sheet SLUSDP0A, number formats
    (0xD280, 10.0),  # LTC2978A data sheet p. 29
    (0x9807, 854.4921875e-6),  # LTC3880 data sheet p. 37
    (0xEAC0, 88.0),  # Artesyn iHP manual p. 173-174, word read, value computed
    (0x7BFF, 33_521_664), (0x7C00, -33_554_432), (0x07FF, -1), (0x0400, -1024), (0x8001, 2.0**-16),  # bit arithmetic
])
def test_linear11_published_words(word, value):
    assert pm.linear11(word) == value


def test_linear11_encoding_published():
    assert pm.to_linear11(5.25, -4) == 0xE054  # TI TPS53676 data sheet
    # Rule of the Linux pmbus core driver (mantissa scaled into 511..1023), words computed.
    for value, word in ((12.0, 0xD300), (1.2, 0xBA66), (240.0, 0xF3C0), (0.5, 0xB200), (-1.0, 0xBE00), (88.0, 0xEAC0)):
        assert pm.to_linear11(value) == word


@given(st.integers(0, 0xFFFF))
def test_linear11_survives_the_round_trip(word):
    assert pm.linear11(pm.to_linear11(pm.linear11(word))) == pm.linear11(word)


def test_ulinear16_published():
    mode = pm.vout_mode(0x16)
    assert (mode.kind, mode.exponent) == ("linear", -10)
    assert pm.to_ulinear16(1.00, -10) == 0x0400  # TI TPS53676
    assert pm.ulinear16(0x03E6, -10) == pytest.approx(0.974609, abs=5e-7)  # the source's 03D6h is a typing slip
    assert pm.ulinear16(0x9800, -13) == 4.75  # LTC2978A p. 29
    assert pm.ulinear16(0x4C00, -12) == 4.75  # LTC3880 p. 37


def test_vout_mode_published():
    """Masks of Linux pmbus.h; TI TPS40425 and TPS546C25 data sheets; half precision from memory."""
    mode = pm.vout_mode(0x17)
    assert (mode.kind, mode.exponent, mode.relative) == ("linear", -9, False)
    assert 2.0**mode.exponent == 1.953125e-3
    assert pm.vout_mode(0x97) == pm.VoutMode("linear", -9, 0x17, True)
    assert [pm.vout_mode(byte).kind for byte in (0x1F, 0x20, 0x40, 0x60)] == ["linear", "vid", "direct", "half"]


def test_direct_published():
    # ADM1275 data sheet p. 33, examples 1 and 2
    assert pm.to_direct(10.0, 807 * 2, 20475, -1) == 3662
    assert pm.direct(3339, 807, 20475, -1) == pytest.approx(16.0037, abs=5e-5)
    # ADM1075 data sheet p. 35, examples 3 and 4
    assert pm.direct(1726, 27169, 0, -1) == pytest.approx(0.635, abs=5e-4)
    assert pm.direct(1726, 27169, 0, -1) * (820 + 11) / 11 == pytest.approx(47.99, abs=5e-3)
    # TI TPS25990 data sheet SLVSGG4B, table 8-67
    assert pm.direct(0x3FF, 5251, 0, -2) == pytest.approx(19.4820, abs=5e-5)
    assert pm.direct(pm.to_direct(-3.0, 100, 0, 0), 100, 0, 0) == -3.0


def test_half_published():
    """IEEE 754-2008 binary16."""
    values = (1.0, -2.0, 65504.0, 2.0**-14, 2.0**-24)
    assert [pm.half(word) for word in (0x3C00, 0xC000, 0x7BFF, 0x0400, 0x0001)] == list(values)
    assert (pm.to_half(1.2), pm.to_half(12.0)) == (0x3CCD, 0x4A00)
    with pytest.raises(ValueError, match="65504"):
        pm.to_half(1e6)


def test_packet_error_code_published():
    assert pm.packet_error_code(b"123456789") == 0xF4  # CRC catalogue, CRC-8/SMBUS
    frames = {
        "B4 07 B5 D2 3A": 0x30,  # Melexis MLX90614 data sheet
        "00 2E 00 00": 0x6F, "B4 06 B5 DF 3A": 0xCF, "C0 D0 00 80 C1 02 4D 40 7F": 0xB1,  # public forum threads
    }
    for frame, code in frames.items():
        assert pm.packet_error_code(bytes.fromhex(frame)) == code


@given(st.binary(min_size=1, max_size=8), st.data())
def test_packet_error_code_finds_every_single_bit_flip(frame, data):
    bit = data.draw(st.integers(0, 8 * len(frame) - 1))
    flipped = bytearray(frame)
    flipped[bit // 8] ^= 1 << bit % 8
    assert pm.packet_error_code(bytes(flipped)) != pm.packet_error_code(frame)


def test_status_bits_published():
    """Linux drivers/hwmon/pmbus/pmbus.h."""
    assert pm.status_names("STATUS_WORD", 0x4010) == ("output over-current", "output current or power")
    assert pm.status_names("STATUS_WORD", 0x0804) == ("temperature", "power good negated")
    assert pm.status_names("STATUS_IOUT", 0x80) == ("over-current fault",)
    assert pm.status_names("STATUS_IOUT", 0x24) == ("power limiting", "over-current warning")
    assert pm.status_names("STATUS_TEMPERATURE", 0xC0) == ("over-temperature warning", "over-temperature fault")


def test_only_reporting_commands_are_known():
    """Command codes of Linux pmbus.h: what configures, limits, clears or stores is not on the list at all."""
    forbidden = {0x00, 0x01, 0x02, 0x03, 0x04, 0x10, 0x11, 0x12, 0x15, 0x16, 0x17, 0x18, 0x19, 0x1A, 0x21, 0x28, 0x30,
                 0x40, 0x44, 0x46, 0x4A, 0x4F, 0x51, 0x55, 0x59, 0x5B, 0x5D, 0x68, 0x6B}
    assert not forbidden & set(pm.TELEMETRY.values())
    published = {"STATUS_WORD": 0x79, "READ_VIN": 0x88, "READ_VOUT": 0x8B, "READ_IOUT": 0x8C,
                 "READ_TEMPERATURE_1": 0x8D, "READ_POUT": 0x96, "READ_PIN": 0x97}
    assert published.items() <= pm.TELEMETRY.items()


def test_all_ones_are_known_as_absent():
    assert pm.is_absent(0xFFFF) and pm.is_absent(0xFF, 8) and not pm.is_absent(0xFFFE)
    assert pm.linear11(0xFFFF) == -0.5  # what would be booked otherwise


# ---- Linux files ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("file", "count", "value", "unit"), [
    ("in0_input", 1225, 1.225, "V"), ("curr1_input", 45250, 45.25, "A"), ("temp1_input", 88500, 88.5, "degC"),
    ("power1_input", 412_300_000, 412.3, "W"), ("power2_average", 1_000_000, 1.0, "W"),
    ("energy1_input", 500_000, 0.5, "J"), ("fan1_input", 1500, 25.0, "Hz"),
])
def test_hwmon_units_published(file, count, value, unit):
    """Kernel Documentation/hwmon/sysfs-interface.rst: mV, mA, millidegree C, uW, uJ, RPM."""
    found, factor = sysfs_files.hwmon_unit(file)
    assert found == unit
    assert count * factor == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("file", ["name", "temp0_input", "temp1_label", "in1_alarm", "../temp1_input"])
def test_other_hwmon_files_are_no_readings(file):
    with pytest.raises(ValueError, match="hwmon"):
        sysfs_files.hwmon_unit(file)


def test_powercap_counter_published():
    """Documentation/power/powercap/powercap.rst; arithmetic."""
    assert abs(sysfs_files.energy_step(262_143_000_000, 500_000, 262_143_328_850) - 828_850) <= 1
    assert sysfs_files.longest_wait(262_143.3, 250.0) / 60 == pytest.approx(17.48, abs=0.005)
    assert sysfs_files.longest_wait(65_532.6, 35.0) / 60 == pytest.approx(31.21, abs=0.005)
    assert sysfs_files.longest_wait(65_532.6, 100.0) == pytest.approx(655.3, abs=0.05)


@pytest.mark.parametrize("text", ["", "\n", "12 34", "0x1f", "1_000", "١٢", "1.5", "nan", "9" * 25])
def test_sysfs_rubbish_is_no_number(text):
    with pytest.raises(ValueError, match="whole number"):
        sysfs_files.whole_number(text)


# ---- SCPI -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("text", "value"), [("1.2345E+01", 12.345), ("-.5", -0.5), (" +7.\r\n", 7.0), ("1e-3", 1e-3)])
def test_numbers_of_ieee_488_2(text, value):
    assert answers.number_answer(text) == answers.Answered(value)


@pytest.mark.parametrize("text", [
    "9.91E37", "+9.910000E+37", "9.9E37", "-9.9E+37", "9.90000000E+37", "NAN", "nan", "INF", "-INF", "NINF", "OVLD",
    "OL", '"OL"', "----", "", " ", "1,2", "1.2.3", "1_000", "１２", "0x10", "12 V", "SCPI> 12", "1e", "--5", "none", "n/a",
])
def test_what_is_no_number_is_missing_with_a_reason(text):
    """SCPI-99 sentinels; the rest must never become a number."""
    found = answers.number_answer(text)
    assert found.value is None and found.missing


@given(st.floats(-9e37, 9e37, allow_nan=False))
def test_any_number_comes_through(value):
    assert answers.number_answer(f"{value:.17e}").value == value


def test_blocks_of_ieee_488_2():
    data = struct.pack(">3f", 1.5, -2.0, 12.25)
    block = b"#212" + data
    assert answers.block_length(block, 1000) == (4, 12)
    assert answers.block_numbers(block[4:]) == (1.5, -2.0, 12.25)
    assert answers.block_numbers(struct.pack("<d", 0.1), wide=True, big_end_first=False) == (0.1,)
    assert answers.block_length(b"#2", 1000) == (0, 0)
    for wrong, said in ((b"#9999999999", "at most"), (b"#0abc", "not stated"), (b"#2x1", "no number"), (b"12.5", "no block")):
        with pytest.raises(ValueError, match=said):
            answers.block_length(wrong, 1000)
    with pytest.raises(ValueError, match="cut"):
        answers.block_numbers(b"abc")


def test_error_queue_entries():
    assert answers.queue_entry('-350,"Queue overflow"') == (-350, "Queue overflow")
    assert answers.queue_entry('+0,"No error"\n') == (0, "No error")
    with pytest.raises(ValueError, match="error queue"):
        answers.queue_entry("12.5")


# ---- sensors --------------------------------------------------------------------------------------------------------


def test_thermistor_published():
    assert sensors.thermistor_resistance(50.0, 10e3, 3380.0) == pytest.approx(4160.1, abs=0.05)  # definition
    assert sensors.thermistor_temperature(4160.0, 10e3, 3380.0) == pytest.approx(50.001, abs=5e-4)
    tables = {  # Linux drivers/hwmon/ntc_thermistor.c: ncpXXwb473, ncpXXwf104, b57330v2103
        47000: {(16433, 50): 4049.9, (5518, 80): 4100.9, (4674, 85): 4107.8, (2902, 100): 4130.9},
        100_000: {(33195, 50): 4250, (10566, 80): 4303, (8873, 85): 4311, (5384, 100): 4334},
        10_000: {(4158, 50): 3382, (973, 100): 3456},
    }
    for nominal, points in tables.items():
        for (resistance, temperature), beta in points.items():
            assert sensors.beta_from(nominal, resistance, temperature) == pytest.approx(beta, abs=0.6)


def test_steinhart_hart_published():
    """Widely published three-point example, from memory."""
    a, b, c = sensors.steinhart_hart(((25_000.0, 5.0), (10_000.0, 25.0), (4_000.0, 45.0)))
    assert (a, b, c) == pytest.approx((2.108508173e-3, 0.7979204727e-4, 6.535076315e-7), rel=1e-6)


def test_platinum_published():
    """IEC 60751 table."""
    table = {-200: 18.52, -100: 60.26, -50: 80.31, 25: 109.73, 50: 119.40, 100: 138.51, 200: 175.86, 400: 247.09,
             850: 390.48}
    for temperature, resistance in table.items():
        assert sensors.platinum_resistance(temperature) == pytest.approx(resistance, abs=0.005)
        assert sensors.platinum_temperature(sensors.platinum_resistance(temperature)) == pytest.approx(temperature, abs=1e-6)
    assert sensors.platinum_temperature(138.5055) == pytest.approx(100.0, abs=5e-4)
    assert sensors.platinum_temperature(119.40) == pytest.approx(50.007, abs=5e-4)
    with pytest.raises(ValueError, match="open, shorted"):
        sensors.platinum_temperature(1e6)


@pytest.mark.parametrize(("kind", "table"), [
    ("K", {20: 0.798, 25: 1.000, 50: 2.023, 80: 3.267, 100: 4.096, 150: 6.138}),
    ("T", {20: 0.790, 25: 0.992, 50: 2.036, 80: 3.358, 100: 4.279, 150: 6.704}),
])
def test_thermocouples_published(kind, table):
    """ITS-90, NIST Monograph 175."""
    for temperature, emf in table.items():
        assert sensors.thermocouple_voltage(temperature, kind) == pytest.approx(emf, abs=0.001)
        made = sensors.thermocouple_voltage(temperature, kind)
        assert sensors.thermocouple_temperature(made, kind) == pytest.approx(temperature, abs=1e-6)


def test_cold_junction_published():
    """ITS-90: K, junction 100 degC, terminals 25 degC."""
    assert sensors.thermocouple_temperature(3.096, "K", 25.0) == pytest.approx(100.0, abs=0.03)
    assert math.isclose(sensors.thermocouple_temperature(3.096, "K") + 25.0, 100.9, abs_tol=0.1)  # the wrong way
