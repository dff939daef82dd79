"""Channels from columns: units, sums of products, and what is refused."""

import numpy as np
import pytest

from phasewright.bench import ChannelSource, ColumnTerm, LogFault
from phasewright.logs import read_log
from phasewright.logs.trace import build_traces


def table(tmp_path, text):
    path = tmp_path / "log.csv"
    path.write_text(text)
    return read_log(path)


def trace(tmp_path, text, channel, *terms):
    source = ChannelSource(channel, tuple(terms))
    return build_traces([table(tmp_path, text)], [source], log="log")[0]


def test_sum_of_products(tmp_path):
    text = "time_s,U1 [V],I1 [mA],U2 [mV],I2 [A]\n0,12,10000,11900,20\n1,12,11000,11800,21\n"
    made = trace(tmp_path, text, "input_power", ColumnTerm(("U1", "I1")), ColumnTerm(("U2", "I2")))
    np.testing.assert_allclose(made.value, [12 * 10 + 11.9 * 20, 12 * 11 + 11.8 * 21], rtol=1e-15)
    assert made.unit == "W"


def test_units_are_converted(tmp_path):
    text = "time_s,coolant °F,fan [RPM],duty [%],flow [L/min]\n0,77,1200,45,6\n1,95,600,50,6\n"
    np.testing.assert_allclose(trace(tmp_path, text, "coolant_temperature", ColumnTerm(("coolant",))).value, [25, 35])
    np.testing.assert_allclose(trace(tmp_path, text, "fan_speed", ColumnTerm(("fan",))).value, [20, 10])
    np.testing.assert_allclose(trace(tmp_path, text, "fan_duty", ColumnTerm(("duty",))).value, [0.45, 0.5])
    np.testing.assert_allclose(trace(tmp_path, text, "coolant_flow", ColumnTerm(("flow",))).value, [1e-4, 1e-4])


def test_factor_and_stated_unit(tmp_path):
    text = "time_s,clamp\n0,10\n1,20\n"
    made = trace(tmp_path, text, "input_current", ColumnTerm(("clamp",), ("mA",), 100.0))
    np.testing.assert_allclose(made.value, [1, 2])


def test_by_position(tmp_path):
    made = trace(tmp_path, "time_s,,x\n0,5,1\n1,6,2\n", "input_power", ColumnTerm(("#2",), ("W",)))
    assert made.value.tolist() == [5, 6]


@pytest.mark.parametrize(
    "column, units, words",
    [
        ("nothing", (), "no column"),
        ("power", (), "states no unit"),
        ("temp", (), "needs W"),
        ("state", ("W",), "words, not numbers"),
        ("blank", ("W",), "no number in column"),
        ("#9", ("W",), "no column #9"),
    ],
)
def test_refusals_name_the_column_and_the_mend(tmp_path, column, units, words):
    text = "time_s,power,temp_C,state,blank\n0,1,2,on,\n1,2,3,off,\n2,2,3,off,\n"
    with pytest.raises(LogFault, match=words):
        trace(tmp_path, text, "input_power", ColumnTerm((column,), units))


def test_a_product_must_be_what_the_channel_measures(tmp_path):
    with pytest.raises(LogFault, match="is no W"):
        trace(tmp_path, "time_s,U_V,T_C\n0,1,2\n1,2,3\n", "input_power", ColumnTerm(("U_V", "T_C")))


def test_ratio_scale_is_said(tmp_path):
    made = trace(tmp_path, "time_s,fan duty\n0,45\n1,50\n", "fan_duty", ColumnTerm(("fan duty",)))
    assert made.value.tolist() == [0.45, 0.5]
    assert "percent" in made.remarks[0].what
    made = trace(tmp_path, "time_s,fan duty\n0,0.45\n1,1\n", "fan_duty", ColumnTerm(("fan duty",)))
    assert made.value.tolist() == [0.45, 1.0]


@pytest.mark.parametrize("code", [-127.0, 0.0, 127.5, 255.0, 85.0, -1.0])
def test_sensor_codes_are_taken_out(tmp_path, code):
    temps = [40 + i / 10 for i in range(50)]
    temps[20] = temps[21] = code
    text = "time_s,vrm_C\n" + "".join(f"{i},{t}\n" for i, t in enumerate(temps))
    made = trace(tmp_path, text, "regulator_temperature", ColumnTerm(("vrm_C",)))
    assert np.flatnonzero(np.isnan(made.value)).tolist() == [20, 21]
    assert made.remarks[0].count == 2


def test_readings_that_reach_a_code_smoothly_are_kept(tmp_path):
    temps = [80 + i / 2 for i in range(20)]
    text = "time_s,vrm_C\n" + "".join(f"{i},{t}\n" for i, t in enumerate(temps))
    made = trace(tmp_path, text, "regulator_temperature", ColumnTerm(("vrm_C",)))
    assert made.value.tolist() == temps
