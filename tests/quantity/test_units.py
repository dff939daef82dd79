"""Units: the closed table, conversions, and reading a number with its unit from text."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phasewright.quantity import base_unit, convert, parse_quantity, unit_symbol, units

SYMBOLS = sorted({(base, row[0]) for base, rows in units._TABLE.items() for row in rows})


@pytest.mark.parametrize(
    ("text", "unit", "number"),
    [
        ("45 A", "A", 45.0),
        ("300 kHz", "Hz", 300e3),
        ("2.4 mOhm", "Ohm", 0.0024),
        ("2.4 m\u03a9", "Ohm", 0.0024),
        ("2.4 m\u2126", "Ohm", 0.0024),
        ("850 uOhm", "Ohm", 850e-6),
        ("35 °C", "degC", 35.0),
        ("35C", "degC", 35.0),
        ("35 degC", "degC", 35.0),
        ("35 \u2103", "degC", 35.0),
        ("95 F", "degC", 35.0),
        ("-40 degF", "degC", -40.0),
        ("77.35 K", "degC", -195.8),
        ("0.5 %", "1", 0.005),
        ("0.45", "1", 0.45),
        ("250 ppm", "1", 250e-6),
        ("10 min", "s", 600.0),
        ("1.5 h", "s", 5400.0),
        ("2 d", "s", 172800.0),
        ("150 ns", "s", 150e-9),
        ("220 nH", "H", 220e-9),
        ("0.22 \u00b5H", "H", 220e-9),
        ("0.22 \u03bcH", "H", 220e-9),
        ("470 uF", "F", 470e-6),
        ("36 nC", "C", 36e-9),
        ("3 C", "C", 3.0),
        ("8.766 kWh", "J", 8.766 * 3.6e6),
        ("828850 uJ", "J", 0.82885),
        ("5 K", "K", 5.0),
        ("0.3 degC/W", "K/W", 0.3),
        ("0.3 K/W", "K/W", 0.3),
        ("0.4 %/K", "1/K", 0.004),
        ("3850 ppm/K", "1/K", 0.00385),
        ("1200 A/us", "A/s", 1.2e9),
        ("1.5 L/min", "m3/s", 2.5e-5),
        ("90 L/h", "m3/s", 2.5e-5),
        ("1800 rpm", "Hz", 30.0),
        ("1800 r/min", "Hz", 30.0),
        ("2.5 mm²", "m2", 2.5e-6),
        ("3 W/(m K)", "W/(m.K)", 3.0),
        ("+1e3 W", "W", 1000.0),
        (" 12\u00a0V ", "V", 12.0),
        (".5 V", "V", 0.5),
        (8, "1", 8.0),
    ],
)
def test_reads(text, unit, number):
    assert parse_quantity(text, unit) == pytest.approx(number, rel=4e-16, abs=0.0)


def test_us_gallon_flow():
    """1 US gal = 3.785411784 L, exact (NIST Handbook 44, appendix C; from memory)."""
    assert parse_quantity("1 US gal/min", "m3/s") == pytest.approx(0.003785411784 / 60, rel=1e-15)


def test_kilowatt_hour_in_joule():
    """Reference-values, libraries table: a general unit library gives 1 kWh = 3.6 MJ."""
    assert convert(1.0, "kWh", "MJ") == 3.6


def test_sg_06_accumulated_drift():
    """SG-06: 20 ppm over 1 h are 72.0 ms."""
    assert parse_quantity("20 ppm", "1") * parse_quantity("1 h", "s") == pytest.approx(0.0720, abs=5e-8)


@pytest.mark.parametrize(
    ("text", "unit", "says"),
    [
        ("45", "A", "write '45 A'"),
        (45, "A", "write '45 A'"),
        (4.5, "A", "write '4.5 A'"),
        (True, "1", "no quantity"),
        (None, "A", "no quantity"),
        (math.inf, "1", "finite"),
        (10**400, "1", "finite"),
        ("", "A", "no quantity"),
        ("A", "A", "no quantity"),
        ("45 V", "A", "A or a multiple"),
        ("45 bananas", "A", "unknown unit"),
        ("2,4 mOhm", "Ohm", "decimal mark is a point"),
        ("1,000 A", "A", "not grouped"),
        ("1_000 A", "A", "not grouped"),
        ("1'000 A", "A", "not grouped"),
        ("1.2.3 A", "A", "no quantity"),
        ("\u0663 A", "A", "digits are 0 to 9"),
        ("4\u0663 A", "A", "digits are 0 to 9"),
        ("\uff14 A", "A", "digits are 0 to 9"),
        ("\u22125 A", "A", "minus is '-'"),
        ("inf A", "A", "finite"),
        ("nan A", "A", "finite"),
        ("1e400 A", "A", "out of range"),
        ("1e-400 A", "A", "out of range"),
        ("1e4000 A", "A", "unknown unit"),
        ("0x10 A", "A", "unknown unit"),
        ("9" * 50 + " A", "A", "no quantity"),
        ("5 degC", "K", "write '5 K'"),
        ("5 °C", "K", "write '5 K'"),
        ("9 degF", "K", "5 K"),
        ("5 K", "degC", "-268.15 degC"),
        ("-300 degC", "degC", "absolute zero"),
        ("3 MV", "V", "case matters"),
        ("3 mhz", "Hz", "'MHz'"),
        ("3 Mw", "W", "case matters"),
        ("5 S", "s", "'s' for seconds"),
        ("5 m", "s", "min"),
        ("5 H", "s", "case matters, write '5 h'"),
        ("2 gal/min", "m3/s", "US gal/min"),
        ("2 deg", "degC", "'degC' or 'degF'"),
        ("3 h 20 min", "s", "unknown unit"),
    ],
)
def test_refuses_with_rule_and_mend(text, unit, says):
    with pytest.raises(ValueError) as caught:
        parse_quantity(text, unit)
    message = str(caught.value)
    assert says in message
    assert message.count(" - ") >= 2, "what - rule - mend"
    assert message.isprintable()


def test_milli_is_not_mega():
    assert parse_quantity("1 mW", "W") == 1e-3
    assert parse_quantity("1 MW", "W") == 1e6
    assert parse_quantity("1 mOhm", "Ohm") == 1e-3
    assert parse_quantity("1 MOhm", "Ohm") == 1e6


def test_asks_for_a_base_unit():
    with pytest.raises(ValueError, match="pass 's'"):
        parse_quantity("10 min", "min")
    with pytest.raises(ValueError, match="unknown unit"):
        parse_quantity("10 min", "fortnight")


@pytest.mark.parametrize(
    ("spelling", "symbol"),
    [
        ("°C", "degC"),
        ("C", "degC"),
        ("\u00baC", "degC"),
        ("K", "K"),
        ("F", "F"),
        ("m\u03a9", "mOhm"),
        ("Watts", "W"),
        ("RPM", "r/min"),
        ("µs", "us"),
        ("l/min", "L/min"),
        ("percent", "%"),
        ("m³/h", "m3/h"),
        ("-", "1"),
        ("deg", None),
        ("gpm", None),
        ("S", None),
        ("", None),
        ("nonsense", None),
    ],
)
def test_symbol_of_a_spelling(spelling, symbol):
    assert unit_symbol(spelling) == symbol


@pytest.mark.parametrize(
    ("symbol", "base"),
    [("mW", "W"), ("%", "1"), ("min", "s"), ("nC", "C"), ("C", "C"), ("K", "K"), ("degF", "degC"), ("L/min", "m3/s")],
)
def test_base_unit(symbol, base):
    assert base_unit(symbol) == base
    assert base_unit(base) == base


def test_unknown_units_are_refused():
    with pytest.raises(ValueError, match="unknown unit"):
        base_unit("parsec")
    with pytest.raises(ValueError, match="unknown unit"):
        convert(1.0, "parsec", "m")
    with pytest.raises(ValueError, match="do not fit"):
        convert(1.0, "W", "A")


def test_two_way_spellings_follow_the_other_side():
    assert convert(212.0, "F", "degC") == pytest.approx(100.0, rel=1e-14)
    assert convert(2.0, "F", "uF") == 2e6
    assert convert(1.0, "C", "nC") == 1e9
    assert convert(25.0, "C", "K") == 298.15
    assert convert(298.15, "K", "degC") == 25.0
    assert convert(5.0, "K", "mK") == 5000.0


def test_arrays_keep_their_shape_and_are_not_changed():
    given_ = np.array([[0.0, 1000.0], [2500.0, np.nan]])
    out = convert(given_, "mW", "W")
    np.testing.assert_array_equal(out, [[0.0, 1.0], [2.5, np.nan]])
    np.testing.assert_array_equal(given_, [[0.0, 1000.0], [2500.0, np.nan]])


def test_whole_numbers_become_floats():
    assert isinstance(convert(3, "W", "W"), float)


def test_no_spelling_means_two_things_of_one_quantity():
    for spelling, found in units._BY_SPELLING.items():
        bases = [unit.base for unit in found]
        assert len(bases) == len(set(bases)), spelling
    assert {s for s, found in units._BY_SPELLING.items() if len(found) > 1} == {"C", "F", "K", "kelvin", "Kelvin"}


def test_refused_spellings_are_not_in_the_table():
    assert not set(units._REFUSED) & set(units._BY_SPELLING)


def test_every_symbol_is_found_by_its_own_spelling():
    for base, symbol in SYMBOLS:
        assert any(unit.base == base and unit.symbol == symbol for unit in units._BY_SPELLING[symbol])


magnitudes = st.floats(min_value=1e-12, max_value=1e12, allow_nan=False)


@settings(deadline=None)
@given(st.sampled_from(SYMBOLS), st.sampled_from(SYMBOLS), magnitudes, st.sampled_from([-1.0, 1.0]))
def test_there_and_back(one, other, size, sign):
    if one[0] != other[0]:
        return
    x = sign * size
    back = convert(convert(x, one[1], other[1]), other[1], one[1])
    assert back == pytest.approx(x, rel=1e-12, abs=1e-12 if one[0] == "degC" else 0.0)


@settings(deadline=None)
@given(st.sampled_from(SYMBOLS), magnitudes, magnitudes)
def test_differences_convert_by_the_factor_alone(unit, a, b):
    base, symbol = unit
    factor = float(units._BY_SYMBOL[base, symbol].factor)
    gap = convert(a, symbol, base) - convert(b, symbol, base)
    assert gap == pytest.approx((a - b) * factor, rel=1e-9, abs=1e-12 * factor * (a + b) + 1e-12)


@settings(deadline=None)
@given(st.sampled_from(SYMBOLS), st.floats(min_value=1e-6, max_value=1e6))
def test_text_and_convert_agree(unit, size):
    base, symbol = unit
    if base == "degC" and symbol == "K":
        size += 51.0
    assert parse_quantity(f"{size!r} {symbol}", base) == pytest.approx(convert(size, symbol, base), rel=1e-12, abs=1e-9)


@given(st.text(max_size=30), st.sampled_from(sorted(units._TABLE)))
@settings(max_examples=300, deadline=None)
def test_any_text_gives_a_number_or_a_reason(text, unit):
    try:
        number = parse_quantity(text, unit)
    except ValueError as error:
        assert str(error).isprintable()
    else:
        assert math.isfinite(number)


PREFIXES = {"p": 1e-12, "n": 1e-9, "u": 1e-6, "m": 1e-3, "c": 1e-2, "k": 1e3, "M": 1e6, "G": 1e9}
OTHERS = {
    # minute, hour, day, litre (SI brochure, table 8); BTU 1055.05585262 J, gallons 3.785411784 L and 4.54609 L
    # (NIST SP 811, appendix B; from memory)
    "min": 60.0, "h": 3600.0, "d": 86400.0, "r/min": 1 / 60, "%": 0.01, "ppm": 1e-6, "%/K": 0.01, "ppm/K": 1e-6,
    "BTU/h": 0.2930710701722, "mAh": 3.6, "Ah": 3600.0, "mWh": 3.6, "Wh": 3600.0, "kWh": 3.6e6, "MWh": 3.6e9,
    "degF": 5 / 9, "mm2": 1e-6, "cm2": 1e-4, "g": 1e-3, "g/s": 1e-3, "kg/min": 1 / 60, "kg/h": 1 / 3600,
    "K/min": 1 / 60, "K/h": 1 / 3600, "m3/h": 1 / 3600, "L/s": 1e-3, "L/min": 1e-3 / 60, "L/h": 1e-3 / 3600,
    "mL/s": 1e-6, "mL/min": 1e-6 / 60, "US gal/min": 6.30901964e-5, "US gal/h": 6.30901964e-5 / 60,
    "imp gal/min": 7.576816667e-5, "A/ms": 1e3, "A/us": 1e6, "A/ns": 1e9, "V/ms": 1e3, "V/us": 1e6, "V/ns": 1e9,
    "mV/us": 1e3, "W/cm2": 1e4, "mm2.K/W": 1e-6, "cm2.K/W": 1e-4,
}  # fmt: skip


@pytest.mark.parametrize(("base", "symbol"), SYMBOLS)
def test_every_factor(base, symbol):
    """SI prefixes (SI brochure, table 7) or the named unit's definition; 0 and 1 of the unit, in the base unit."""
    if symbol == base or (base, symbol) == ("degC", "K"):
        expected = 1.0
    elif symbol in OTHERS:
        expected = OTHERS[symbol]
    else:
        assert symbol[1:] == base, symbol
        expected = PREFIXES[symbol[0]]
    assert convert(1.0, symbol, base) - convert(0.0, symbol, base) == pytest.approx(expected, rel=1e-9)
