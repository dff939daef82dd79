"""The demonstration: an invented board that turns out to need few of its phases."""

from __future__ import annotations

from types import MappingProxyType

from phasewright.bench import (
    Accuracy,
    Bench,
    Board,
    CapacitorBank,
    Connector,
    Cooling,
    CoolingPart,
    Copper,
    Cost,
    Inductor,
    Processor,
    Protection,
    Regulator,
    Stage,
)
from phasewright.live.virtual.instruments import ClockError, Column, Dialect, VirtualInstrument
from phasewright.live.virtual.parts import Hidden, Layout
from phasewright.live.virtual.scenario import PlannedStep, Scenario
from phasewright.live.virtual.simulation import Surroundings
from phasewright.live.virtual.workload import Fluctuation

_TRUE_CLOCK = ClockError()
_SHEET = "invented data sheet of a simulated part"


def demo_bench() -> Bench:
    """Return the bench of the demonstration as its file states it. Every part is invented."""
    stage = Stage(
        name="simulated S80 stage", current_rating=80.0, peak_current_rating=120.0, temperature_limit=150.0,
        high_side_resistance=3.6e-3, low_side_resistance=1.0e-3, resistance_temperature_coefficient=0.0042,
        rise_time=6e-9, fall_time=5e-9, dead_time=16e-9, diode_voltage=0.75, gate_charge=42e-9, gate_voltage=5.0,
        output_charge=30e-9, recovery_charge=14e-9, quiescent_power=0.04, thermal_resistance=1.3,
        derating=((95.0, 80.0), (125.0, 50.0), (150.0, 0.0)), rated_life=1.0e5 * 3600.0, rated_life_temperature=125.0,
        activation_energy_ev=0.7, rated_cycles=3000, rated_swing=100.0, cycle_exponent=2.5, source=_SHEET)
    inductor = Inductor(
        name="simulated 150 nH inductor", inductance=150e-9, resistance=0.22e-3, saturation_current=110.0,
        current_rating=82.0, temperature_limit=125.0, core_loss=0.45, tolerance=0.2, source=_SHEET)
    regulator = Regulator(
        name="core rail", phase_count=10, stages_per_phase=1, switching_frequency=550e3, rail_voltage=1.22,
        load_line=0.25e-3, stage=stage, inductor=inductor,
        output_capacitors=CapacitorBank(capacitance=6.2e-3, resistance=0.35e-3, current_rating=60.0,
                                        temperature_limit=105.0, life=5000 * 3600.0, kind="polymer", tolerance=0.2,
                                        thermal_resistance=1.5, source=_SHEET),
        input_capacitors=CapacitorBank(capacitance=1.9e-3, resistance=0.9e-3, current_rating=45.0,
                                       temperature_limit=105.0, life=5000 * 3600.0, kind="polymer", tolerance=0.2,
                                       thermal_resistance=2.5, source=_SHEET),
        tolerance_band=36e-3, settling_time=25e-6, ripple_limit=8e-3, response_delay=0.3e-6, drive_power_limit=9.0,
        protection=Protection(phase_current=98.0, total_current=480.0, temperature_warning=115.0,
                              temperature_trip=125.0, source="regulator settings of the simulated board"),
        controller_power=0.5, sharing_error=0.08)
    return Bench(
        name="Simulated open bench with the Tarrowmere TM-10 board",
        board=Board(name="Tarrowmere TM-10", description="invented ten-phase board; it does not exist",
                    input_voltage=12.0, input_resistance=1.6e-3, input_resistance_u=0.4e-3, other_loads=25.0,
                    other_loads_u=2.0,
                    connectors=tuple(Connector(name, 4, 8.0, _SHEET, contact_resistance=6e-3, temperature_limit=105.0,
                                               wire_gauge=18, wire_count=4, wire_length=0.6,
                                               wire_temperature_limit=80.0) for name in ("P1", "P2")),
                    copper=(Copper("input plane", "input_current", 0.04, 70e-6, "inner", 2, 20.0, _SHEET),
                            Copper("rail plane", "rail_current", 0.09, 70e-6, "inner", 6, 30.0, _SHEET)),
                    service_life=20000 * 3600.0, cycles_per_day=10.0),
        regulator=regulator,
        processor=Processor(
            name="simulated 16-core processor", temperature_limit=95.0, power_limit=400.0, load_step=120.0,
            load_slew=250e6),
        cooling=Cooling(
            coolant="liquid", coolant_limit=50.0,
            description="one loop: plate on the regulator, block on the processor, radiator with two fans",
            chain=(CoolingPart("pad", "pad", 2.6, False, _SHEET), CoolingPart("plate", "plate", 0.06, True, _SHEET)),
            fan_map=((28.0, 0.30), (34.0, 0.55), (40.0, 1.0))),
        instruments=(), simulated=True,
        notes="Simulated. Board, parts and instruments are invented; the logs come from the virtual bench.")


def power_meter(*, period: float = 0.02, averaging: float | None = None, stamp_at: str = "end",
                clock: ClockError = _TRUE_CLOCK, dialect: Dialect | None = None, gain: float = 0.005,
                offset: float = 0.3, **options) -> VirtualInstrument:
    """Return an inline power meter on two connectors; the product sum of its columns is the input power."""
    columns = (
        Column("Ua", "input_voltage.1", "V", decimals=3, noise=0.002),
        Column("Ia", "input_current.1", "A", decimals=3, noise=0.012, gain_of="input_power", offset_share=1.0 / 12.0),
        Column("Ub", "input_voltage.2", "V", decimals=3, noise=0.002),
        Column("Ib", "input_current.2", "A", decimals=3, noise=0.012, gain_of="input_power", offset_share=0.0),
    )
    accuracy = {"input_power": Accuracy(gain, offset, 0.012, "limit", "stated by the simulated meter's maker")}
    return VirtualInstrument(
        name="meter", log="meter", columns=columns, period=period, averaging=period if averaging is None else averaging,
        stamp_at=stamp_at, accuracy=MappingProxyType(accuracy), clock=clock,
        dialect=dialect or Dialect(stamp="elapsed_s", stamp_names=("t [s]",)),
        description=f"simulated inline meter on both 12 V connectors, {1 / period:.0f} readings a second", **options)


def host_log(*, period: float = 1.0, averaging: float = 1.0, stamp_at: str = "end", clock: ClockError = _TRUE_CLOCK,
             dialect: Dialect | None = None, regulator_resolution: float = 0.25, regulator_lag: float = 2.0,
             package: tuple[float, float] = (0.03, 1.0), fan: bool = True, rail_voltage: bool = True,
             protection: bool = True, **options) -> VirtualInstrument:
    """Return what the computer itself logs: package power, rail telemetry, temperatures, fan, phases."""
    columns = [
        Column("package power", "package_power", "W", "package_power", decimals=1, resolution=0.1, noise=0.15),
        Column("rail current", "rail_current", "A", "rail_current", decimals=1, resolution=0.25, noise=0.3),
    ]
    if rail_voltage:
        columns.append(Column("rail voltage", "rail_voltage", "V", "rail_voltage", decimals=3, resolution=0.001,
                              noise=0.0008))
    decimals = 0 if regulator_resolution >= 1 else 1 if regulator_resolution in (0.1, 0.5) else 2
    columns += [
        Column("regulator hottest", "regulator_temperature", "degC", "regulator_temperature", decimals=decimals,
               resolution=regulator_resolution, noise=0.15, lag=regulator_lag),
        Column("processor hottest", "processor_temperature", "degC", "processor_temperature", decimals=1,
               resolution=0.125, noise=0.2, lag=0.5),
        Column("phases on", "phase_count", "", decimals=0),
    ]
    if fan:
        columns.append(Column("fan duty", "fan_duty", "%", scale=100.0, decimals=0))
    if protection:
        columns.append(Column("limit active", "protection_active", "", decimals=0))
    gain, offset = package
    accuracy = {
        "package_power": Accuracy(gain, offset, 0.1, "standard", "no comparison with a better meter: 3 % and 1 W"),
        "rail_current": Accuracy(0.02, 0.5, 0.25, "standard", "regulator telemetry, simulated data sheet"),
        "rail_voltage": Accuracy(0.005, 0.002, 0.001, "limit", "regulator telemetry, simulated data sheet"),
        "regulator_temperature": Accuracy(0.0, 1.5, regulator_resolution, "limit", "simulated data sheet"),
        "processor_temperature": Accuracy(0.0, 2.0, 0.125, "limit", "simulated data sheet"),
    }
    if not rail_voltage:
        del accuracy["rail_voltage"]
    default = Dialect(stamp="split", stamp_decimals=3, stamp_names=("Day", "Clock"), delimiter=";", decimal=",",
                      units="row", preamble=True, date="%d.%m.%Y")
    return VirtualInstrument(
        name="host", log="host", columns=tuple(columns), period=period, averaging=averaging, stamp_at=stamp_at,
        accuracy=MappingProxyType(accuracy), clock=clock, dialect=dialect or default, dies_with_machine=True,
        description="simulated log of the computer under test, one line a second", **options)


def thermometer(*, period: float = 2.0, clock: ClockError = _TRUE_CLOCK, dialect: Dialect | None = None,
                coolant: str = "coolant", **options) -> VirtualInstrument:
    """Return a three-probe thermometer: coolant, room, and the board by the regulator."""
    columns = (
        Column(coolant, "coolant_temperature", "degC", "coolant_temperature", decimals=2, resolution=0.01, noise=0.02,
               lag=3.0),
        Column("room", "ambient_temperature", "degC", "ambient_temperature", decimals=2, resolution=0.01, noise=0.02,
               lag=10.0),
    )
    columns += (Column("board", "board_temperature", "degC", "board_temperature", decimals=2, resolution=0.01,
                       noise=0.03, lag=1.5),)
    stated = Accuracy(0.0, 0.2, 0.01, "limit", "probe class of the simulated thermometer")
    accuracy = {column.channel: stated for column in columns}
    return VirtualInstrument(
        name="thermometer", log="thermometer", columns=columns, period=period, averaging=0.0, stamp_at="end",
        accuracy=MappingProxyType(accuracy), clock=clock,
        dialect=dialect or Dialect(stamp="epoch_ms", stamp_names=("epoch_ms",), delimiter="\t", units="suffix",
                                   preamble=True),
        description="simulated three-probe thermometer", **options)


def demo_scenario() -> Scenario:
    """Return the demonstration campaign: ten phases stepped down at two loads on a liquid-cooled board, 75 min."""
    light, heavy = "all cores, scalar code", "all cores, vector code"
    steps = [PlannedStep("10 phases, 210 W", 10, 210.0, 420.0, load=light)]
    steps += [PlannedStep(f"{n} phases, 210 W", n, 210.0, 300.0, load=light) for n in (8, 6, 5, 4, 3)]
    steps.append(PlannedStep("10 phases, 300 W", 10, 300.0, 480.0, baseline=True, load=heavy))
    steps += [PlannedStep(f"{n} phases, 300 W", n, 300.0, 330.0, load=heavy) for n in (8, 6, 5, 4)]
    steps.append(PlannedStep("4 phases, fans slow", 4, 300.0, 130.0, fan_duty=0.30, load=heavy,
                             note="stopped early, the coolant was still climbing"))
    steps.append(PlannedStep("3 phases, 300 W", 3, 300.0, 330.0, load=heavy, note="expected to be too few"))
    return Scenario(
        name="How few phases are enough at 300 W?", bench=demo_bench(), steps=tuple(steps),
        instruments=(
            power_meter(clock=ClockError(offset=1.9, drift=23.0), start=3.0, dropout_rate=2e-5,
                        dialect=Dialect(stamp="iso", stamp_names=("stamp",))),
            host_log(clock=ClockError(offset=7.4, drift=-12.0), jitter=0.012, dropout_rate=5e-4),
            thermometer(clock=ClockError(offset=-3.7, drift=41.0), jitter=0.02),
        ),
        fluctuation=Fluctuation(drift=0.003, code=0.015), hidden=Hidden(auxiliary_power=15.0),
        layout=Layout(pad_resistance=2.6, plate_to_coolant=0.06),
        surroundings=Surroundings(room=23.5, fan_map=((28.0, 0.30), (34.0, 0.55), (40.0, 1.0))),
        step_clock="host", cost=Cost(6.0, 330.0, 0.32, "EUR"),
        notes="Simulated campaign: an invented board, stepped from all phases to few at two loads.")
