"""Benches and states for the limits room; all parts are invented."""

from dataclasses import replace

import pytest

from phasewright.bench import (
    Bench,
    Board,
    CapacitorBank,
    Connector,
    Cooling,
    Copper,
    Inductor,
    Processor,
    Protection,
    Regulator,
    Stage,
)
from phasewright.limits import State
from phasewright.quantity import Part, value_from_parts

HOUR = 3600.0


def known(number, unit, u=0.0, source=""):
    """Return a figure with one source of uncertainty."""
    parts = [Part(source or f"test/{unit}/{number}", u)] if u else []
    return value_from_parts(number, unit, parts, kind="measured")


def bare(phases=12, **regulator):
    """Return a bench that states a regulator and nothing else, ideal switches."""
    return Bench("b", Board("b"), Regulator("r", phases, **regulator), Processor(), Cooling(), ())


def full():
    """Return a bench that states everything that a limit may need."""
    stage = Stage(
        current_rating=80.0, peak_current_rating=120.0, temperature_limit=150.0, high_side_resistance=3.6e-3,
        low_side_resistance=1.0e-3, resistance_temperature_coefficient=0.0042, gate_charge=42e-9, gate_voltage=5.0,
        output_charge=30e-9, recovery_charge=14e-9, quiescent_power=0.04,
        derating=((95.0, 80.0), (125.0, 50.0), (150.0, 0.0)), rated_life=1e5 * HOUR, rated_life_temperature=125.0,
        activation_energy_ev=0.7, rated_cycles=3000, rated_swing=100.0, cycle_exponent=2.5,
    )  # fmt: skip
    bank = CapacitorBank(
        capacitance=6e-3, resistance=0.35e-3, current_rating=50.0, temperature_limit=105.0, life=5000 * HOUR,
        kind="polymer", tolerance=0.2, thermal_resistance=1.5,
    )  # fmt: skip
    regulator = Regulator(
        "r", 10, switching_frequency=550e3, rail_voltage=1.2, load_line=0.25e-3, stage=stage,
        inductor=Inductor(inductance=150e-9, resistance=0.22e-3, saturation_current=110.0, current_rating=82.0,
                          temperature_limit=125.0, tolerance=0.2),
        output_capacitors=bank, input_capacitors=replace(bank, kind="electrolytic"),
        protection=Protection(98.0, 480.0, 115.0, 125.0), controller_power=0.5, sharing_error=0.08,
        tolerance_band=30e-3, settling_time=25e-6, ripple_limit=8e-3, response_delay=0.3e-6, drive_power_limit=9.0,
    )  # fmt: skip
    connector = Connector("P1", 8, 8.0, "", 6e-3, 105.0, 18, 8, 0.6, 80.0)
    board = Board("b", connectors=(connector,), copper=(Copper("plane", "input_current", 0.008, 70e-6, "outer", 2, 20.0),
                                                        Copper("rail", "rail_current", 0.01, 70e-6, "inner", 24, 30.0)),
                  service_life=20000 * HOUR, cycles_per_day=10.0)  # fmt: skip
    cooling = Cooling("liquid", fan_map=((28.0, 0.3), (40.0, 1.0)), coolant_limit=50.0)
    processor = Processor(temperature_limit=95.0, power_limit=400.0, load_step=120.0, load_slew=250e6)
    return Bench("b", board, regulator, processor, cooling, ())


def settled(phases=6, current=200.0, hot=75.0, **more):
    """Return a measured state of the full bench."""
    quantities = {
        "phase_count": known(phases, "1"), "rail_current": known(current, "A", 2.0, "meter/rail_current/gain"),
        "rail_current_peak": known(1.06 * current, "A", 2.0, "meter/rail_current/gain"),
        "phase_current": known(current / phases, "A", 2.0 / phases, "meter/rail_current/gain"),
        "stage_current": known(current / phases, "A", 2.0 / phases, "meter/rail_current/gain"),
        "rail_voltage": known(1.15, "V", 2e-3), "input_voltage": known(12.05, "V", 5e-3),
        "input_current": known(22.0, "A", 0.1), "contact_current": known(22.0 / 8, "A", 0.1 / 8),
        "input_power": known(265.0, "W", 1.0), "package_power": known(230.0, "W", 3.0),
        "regulator_temperature": known(hot, "degC", 0.8), "regulator_rise": known(hot - 32.0, "K", 0.8),
        "thermal_resistance": known(1.4, "K/W", 0.05), "coolant_temperature": known(32.0, "degC", 0.2),
        "ambient_temperature": known(24.0, "degC", 0.2), "board_temperature": known(hot - 10.0, "degC", 0.3),
        "inductor_temperature": known(hot - 5.0, "degC", 0.5), "connector_temperature": known(41.0, "degC", 0.5),
        "processor_temperature": known(70.0, "degC", 0.5), "error_count": known(0.0, "1"),
    }  # fmt: skip
    quantities |= more
    return State(quantities, {"phase_count": phases}, "test", duration=600.0)


@pytest.fixture
def make():
    """Everything that a test needs to build a case by hand."""
    from types import SimpleNamespace

    return SimpleNamespace(known=known, bare=bare, full=full, settled=settled, hour=HOUR)
