"""Every released format keeps opening, and says what it said. The expected values are frozen: they are what the
authors of the example files wrote into them, converted to SI by hand."""

import dataclasses
from pathlib import Path

import pytest

from phasewright.bench import Accuracy, ChannelSource, ColumnTerm, read_bench, read_campaign

FROZEN = Path(__file__).parents[1] / "frozen"


def test_bench_1():
    bench = read_bench(FROZEN / "bench-1.toml")
    assert bench.simulated is True
    assert bench.name == "demo bench (simulated)"
    board, regulator = bench.board, bench.regulator
    assert (board.input_voltage, board.input_resistance, board.input_resistance_u) == (12.0, 1.5e-3, 0.4e-3)
    assert (board.other_loads, board.other_loads_u) == (6.0, 2.5)
    assert [(c.name, c.contact_count, c.contact_rating) for c in board.connectors] == [
        ("PWR_1", 4, 8.0),
        ("PWR_2", 4, 8.0),
    ]
    assert (regulator.phase_count, regulator.stages_per_phase) == (10, 1)
    assert (regulator.switching_frequency, regulator.rail_voltage) == (500e3, 1.1)
    assert (regulator.load_line, regulator.controller_power, regulator.sharing_error) == (0.3e-3, 0.6, 0.08)
    stage = regulator.stage
    assert (stage.current_rating, stage.peak_current_rating, stage.temperature_limit) == (60.0, 90.0, 150.0)
    assert (stage.high_side_resistance, stage.low_side_resistance) == (4.2e-3, 1.1e-3)
    assert stage.resistance_temperature_coefficient == 0.004
    assert (stage.rise_time, stage.fall_time, stage.dead_time) == (4e-9, 3e-9, 20e-9)
    assert (stage.gate_charge, stage.output_charge, stage.recovery_charge) == (35e-9, 30e-9, 15e-9)
    assert (stage.diode_voltage, stage.gate_voltage, stage.quiescent_power) == (0.7, 5.0, 0.02)
    assert stage.thermal_resistance == 1.2
    inductor = regulator.inductor
    assert (inductor.inductance, inductor.resistance, inductor.core_loss) == (150e-9, 0.29e-3, 0.25)
    assert (inductor.saturation_current, inductor.current_rating, inductor.temperature_limit) == (80.0, 55.0, 125.0)
    bank = regulator.output_capacitors
    assert (bank.kind, bank.capacitance, bank.resistance, bank.life) == ("polymer", 4.4e-3, 0.5e-3, 5000 * 3600.0)
    assert regulator.input_capacitors.current_rating == 30.0
    assert dataclasses.astuple(regulator.protection)[:4] == (52.0, 500.0, 110.0, 125.0)
    assert (bench.processor.kind, bench.processor.temperature_limit, bench.processor.power_limit) == (
        "processor",
        95.0,
        400.0,
    )
    cooling = bench.cooling
    assert (cooling.coolant, cooling.coolant_limit) == ("liquid", 50.0)
    assert cooling.fan_map == ((30.0, 0.3), (38.0, 0.6), (45.0, 1.0))
    assert [(p.name, p.kind, p.resistance, p.shared) for p in cooling.chain] == [
        ("thermal pad", "pad", 0.9, False),
        ("block plate", "plate", 0.12, True),
    ]
    meter, host = bench.instruments
    assert (meter.name, meter.period, meter.averaging, meter.stamp_at) == ("meter", 0.05, 0.05, "end")
    assert meter.accuracy["input_power"] == Accuracy(0.005, 0.2, 0.01, "limit", "invented figure")
    assert host.stamp_at == "unknown"
    assert host.accuracy["package_power"] == Accuracy(0.03, 1.0, 0.01, "standard", "invented figure")
    assert host.accuracy["regulator_temperature"] == Accuracy(0.0, 2.0, 1.0)
    assert host.accuracy["rail_current.phase_1"] == Accuracy(0.05, 0.0, 0.25)


def test_campaign_1():
    campaign = read_campaign(FROZEN / "campaign-1.toml")
    assert (campaign.reference_log, campaign.step_source, campaign.settle_bound) == ("meter", "times", 1.0)
    assert (campaign.window_length, campaign.window_lead) == (120.0, 60.0)
    cost = campaign.cost
    assert (cost.hours_per_day, cost.days_per_year, cost.price, cost.currency) == (8.0, 250.0, 0.3, "EUR")
    meter, host = campaign.logs
    assert meter.files == ("logs/meter.csv",)
    assert (meter.time_columns, meter.time_format, meter.zone) == (
        ("Date", "Time"),
        "%d.%m.%Y %H:%M:%S.%f",
        "Europe/Berlin",
    )
    assert (meter.encoding, meter.delimiter, meter.decimal, meter.header_line) == ("cp1252", ";", ",", 3)
    assert meter.channels == (
        ChannelSource("input_power", (ColumnTerm(("U1", "I1")), ColumnTerm(("U2", "I2"), ("V", "mA"), -1.0))),
        ChannelSource("input_voltage", (ColumnTerm(("U1",)),)),
    )
    assert host.files == ("logs/host-1.csv", "logs/host-2.csv")
    assert [source.channel for source in host.channels] == [
        "package_power", "rail_current", "regulator_temperature", "rail_voltage.sense_1", "rail_voltage.sense_2",
    ]  # fmt: skip
    assert host.channels[1].terms == (ColumnTerm(("Iout",), ("mA",), -1.0),)
    ten, eight, six = campaign.steps
    assert (ten.start, ten.end, ten.baseline, ten.outcome) == ("60 s", "660 s", True, "ran")
    assert (eight.start, eight.end, eight.baseline) == ("700 s", "", False)
    assert (six.start, six.end, six.outcome) == ("1400 s", "35 min", "clamped")
    assert dict(eight.settings) == {"phase_count": 8, "cooling": "second fan wall on"}
    assert dict(ten.settings) == {
        "phase_count": 10, "load": "all cores, fixed work", "package_power": 300.0, "rail_current": 240.0,
        "rail_voltage": 1.1, "switching_frequency": 500e3, "protection_phase_current": 50.0,
        "protection_total_current": 480.0, "protection_temperature_warning": 105.0,
        "protection_temperature_trip": 120.0, "power_limit": 400.0, "fan_duty": 0.6, "pump_duty": 0.8,
        "coolant_temperature": 35.0, "ambient_temperature": 23.0,
    }  # fmt: skip


def test_fingerprint_is_that_of_the_bytes_on_disk():
    import hashlib

    data = (FROZEN / "bench-1.toml").read_bytes()
    assert read_bench(FROZEN / "bench-1.toml").fingerprint == hashlib.sha256(data).hexdigest()


def test_records_cannot_be_changed():
    bench = read_bench(FROZEN / "bench-1.toml")
    with pytest.raises(dataclasses.FrozenInstanceError):
        bench.name = "other"
    with pytest.raises(TypeError):
        bench.instruments[0].accuracy["input_power"] = None
