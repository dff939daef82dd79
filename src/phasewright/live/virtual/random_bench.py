"""Random benches for trials: boards, coolers, instruments and plans drawn from what practitioners meet."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from phasewright.bench import (
    Bench,
    Board,
    CapacitorBank,
    Connector,
    Cooling,
    CoolingPart,
    Cost,
    Inductor,
    Processor,
    Protection,
    Regulator,
    Stage,
)
from phasewright.live.virtual import demo, parts, steady, thermal, workload
from phasewright.live.virtual.instruments import ClockError, Dialect, VirtualInstrument
from phasewright.live.virtual.parts import Hidden, Layout
from phasewright.live.virtual.processor import dynamic_power
from phasewright.live.virtual.scenario import PlannedStep, Scenario
from phasewright.live.virtual.simulation import Guards, Stretch, Surroundings
from phasewright.live.virtual.workload import Fluctuation

_SHEET = "invented data sheet of a simulated part"
_FIRST = ("Bramble", "Corrie", "Dunlin", "Eskmere", "Fallow", "Garrow", "Harebell", "Ivel", "Kestle", "Lorn")
_LAST = ("ford", "wick", "combe", "haugh", "ley", "mouth", "holt", "stead", "thorpe", "well")


def random_scenario(generator: np.random.Generator) -> Scenario:
    """Return a random simulated campaign of 20-40 min: 6-14 phases, 100-410 W, liquid or air, board or graphics card.

    A step may trip, be held back or be too short to settle. The same state of `generator` gives the same scenario.
    """
    g = generator
    power, voltage = float(g.uniform(100.0, 410.0)), float(g.uniform(0.85, 1.35))
    current = power / voltage
    liquid, graphics = bool(g.random() < 0.55), bool(g.random() < 0.25)
    phases = int(g.integers(6, 15))
    doubled = 2 if g.random() < 0.12 else 1
    # Stages that let at least two phases be left out; the greatest there are where none does.
    enough = [r for r in (50.0, 60.0, 70.0, 80.0, 90.0) if current <= 0.75 * r * doubled * (phases - 2)]
    rating = float(g.choice(enough or [90.0]))
    # The fewest phases that the plan holds: what carries the heavy load at 60-90 % of the stage rating.
    fewest = int(np.clip(np.ceil(current / (rating * doubled * g.uniform(0.6, 0.9))), 2, phases - 2))
    hidden = _hidden(g, power)
    regulator = _regulator(g, phases, doubled, voltage, rating, current / fewest)
    # A rail that sags by a quarter of its voltage or more cannot carry the load at all.
    regulator = replace(regulator, load_line=min(regulator.load_line, round(0.18 * voltage / current, 6)))
    auxiliary = hidden.auxiliary_power / hidden.auxiliary_efficiency
    bench = _bench(g, regulator, power, auxiliary, liquid, graphics)
    layout = _layout(g, liquid, graphics, power)
    surroundings = Surroundings(room=float(g.uniform(18.0, 28.0)), room_swing=float(g.uniform(0.0, 0.5)),
                                fan_map=bench.cooling.fan_map, liquid=liquid,
                                room_angle=float(g.uniform(0.0, 6.0)))
    layout = _fit_cooling(bench, hidden, layout, surroundings, fewest, power, float(g.uniform(18.0, 62.0)))
    chain = (CoolingPart("pad", "pad", round(layout.pad_resistance * float(g.uniform(0.9, 1.1)), 2), False, _SHEET),
             CoolingPart("plate" if liquid else "heatsink", "plate" if liquid else "heatsink",
                         round(layout.plate_to_coolant * float(g.uniform(0.9, 1.1)), 3), True, _SHEET))
    bench = replace(bench, cooling=replace(bench.cooling, chain=chain))
    return Scenario(
        name=f"{bench.board.name}: trial of phase counts", bench=bench, instruments=_instruments(g, liquid),
        steps=_steps(g, phases, fewest, power, current, bench, layout), hidden=hidden, layout=layout,
        surroundings=surroundings, fluctuation=_fluctuation(g), gap=int(g.integers(8, 20)),
        lead=int(g.integers(20, 45)), tail=int(g.integers(15, 40)), restart=int(g.integers(35, 80)),
        marker=bool(g.random() < 0.5), begin=f"2025-{g.integers(1, 13):02d}-{g.integers(1, 28):02d}T"
        f"{g.integers(6, 20):02d}:{g.integers(0, 60):02d}:{g.integers(0, 60):02d}",
        step_clock="host" if g.random() < 0.7 else "", step_time_error=float(g.uniform(0.1, 1.0)),
        tell_outcome=bool(g.random() < 0.5), cost=Cost(8.0, 250.0, 0.3, "EUR"),
        notes="Simulated trial campaign on an invented bench.")


def _hidden(g: np.random.Generator, power: float) -> Hidden:
    return Hidden(
        resistance_curvature=float(g.uniform(4e-6, 14e-6)), overlap_per_current=float(g.uniform(0.04e-9, 0.16e-9)),
        recovery_per_current=float(g.uniform(0.1e-9, 0.4e-9)), plane_resistance=float(g.uniform(25e-6, 80e-6)),
        auxiliary_power=round(float(g.uniform(0.0, 0.08)) * power, 1), idle_power=0.06 * power + 5.0,
        auxiliary_efficiency=float(g.uniform(0.78, 0.9)), leakage=float(g.uniform(0.03, 0.11)) * power,
        leakage_temperature=float(g.uniform(25.0, 40.0)), connector_mismatch=float(g.uniform(-0.2, 0.2)),
        resistance_spread=float(g.uniform(0.02, 0.07)), sharing_spread=float(g.uniform(0.005, 0.03)),
        part_spread=float(g.uniform(0.03, 0.08)))


def _regulator(g: np.random.Generator, phases: int, doubled: int, voltage: float, rating: float,
               greatest: float) -> Regulator:
    """Draw a regulator; `greatest` is the phase current that the plan means to hold [A]."""
    scale = 70.0 / rating
    frequency = float(g.choice([300e3, 400e3, 500e3, 600e3, 750e3]))
    inductance = float(g.choice([100e-9, 120e-9, 150e-9, 180e-9, 220e-9]))
    ripple = voltage * (1.0 - voltage / 12.0) / (inductance * frequency)
    ocp = round(1.32 * greatest + 0.5 * ripple + float(g.uniform(3.0, 20.0)))
    stage = Stage(
        name=f"simulated {rating:.0f} A stage", current_rating=rating,
        peak_current_rating=float(round(max(1.6 * rating, 1.25 * ocp / doubled))),
        temperature_limit=float(g.choice([125.0, 150.0])),
        high_side_resistance=round(float(g.uniform(2.8, 4.6)) * scale * 1e-3, 5),
        low_side_resistance=round(float(g.uniform(0.75, 1.2)) * scale * 1e-3, 5),
        resistance_temperature_coefficient=round(float(g.uniform(0.0035, 0.0052)), 4),
        rise_time=float(g.integers(4, 9)) * 1e-9, fall_time=float(g.integers(3, 7)) * 1e-9,
        dead_time=float(g.integers(10, 24)) * 1e-9, diode_voltage=0.75, gate_charge=round(38.0 / scale) * 1e-9,
        gate_voltage=5.0, output_charge=round(28.0 / scale) * 1e-9, recovery_charge=round(14.0 / scale) * 1e-9,
        quiescent_power=0.03, thermal_resistance=round(float(g.uniform(0.7, 1.6)), 2), source=_SHEET)
    inductor = Inductor(
        name=f"simulated {inductance * 1e9:.0f} nH inductor", inductance=inductance,
        resistance=round(float(g.uniform(0.15, 0.34)) * 1e-3, 6), saturation_current=float(round(1.5 * ocp)),
        current_rating=float(round(max(1.25 * greatest, 1.1 * rating * doubled))), temperature_limit=125.0,
        core_loss=round(float(g.uniform(0.2, 0.7)), 2), source=_SHEET)
    warning = float(g.choice([105.0, 110.0, 115.0]))
    return Regulator(
        name="core rail", phase_count=phases, stages_per_phase=doubled, switching_frequency=frequency,
        rail_voltage=round(voltage, 3), load_line=round(float(g.choice([0.0, 0.15, 0.3, 0.5])) * 1e-3, 6),
        stage=stage, inductor=inductor,
        output_capacitors=CapacitorBank(5e-3, 0.4e-3, 60.0, 105.0, 5000 * 3600.0, "polymer", source=_SHEET),
        input_capacitors=CapacitorBank(1.6e-3, 0.9e-3, 40.0, 105.0, 5000 * 3600.0, "polymer", source=_SHEET),
        protection=Protection(float(ocp), float(round(1.5 * greatest * phases)), warning, warning + 10.0,
                              "regulator settings of the simulated board"),
        controller_power=round(float(g.uniform(0.3, 0.9)), 2), sharing_error=0.08)


def _bench(g: np.random.Generator, regulator: Regulator, power: float, auxiliary: float, liquid: bool,
           graphics: bool) -> Bench:
    """`auxiliary` is what the small regulators of the other rails draw from the metered input [W]."""
    name = f"{g.choice(_FIRST)}{g.choice(_LAST)} {int(g.integers(2, 99))}"
    contacts = 4 if power < 300.0 else 6
    low = float(g.uniform(26.0, 32.0))
    fan_map = ((low, 0.3), (low + 6.0, 0.6), (low + 14.0, 1.0)) if liquid else ()
    board = Board(
        name=name, description="invented graphics card" if graphics else "invented board on an open bench",
        input_voltage=12.0, input_resistance=round(float(g.uniform(0.8, 3.0)) * 1e-3, 6), input_resistance_u=0.4e-3,
        other_loads=round(auxiliary + float(g.uniform(7.0, 25.0 if graphics else 12.0)), 1), other_loads_u=2.0,
        connectors=(Connector("left", contacts, 9.0, _SHEET), Connector("right", contacts, 9.0, _SHEET)))
    kind = "graphics" if graphics else "processor"
    return Bench(
        name=f"Simulated bench with the {name}", board=board, regulator=regulator,
        processor=Processor(f"simulated {kind}", kind, 100.0, float(round(1.6 * power))),
        cooling=Cooling(coolant="liquid" if liquid else "air", fan_map=tuple((round(t, 1), d) for t, d in fan_map),
                        coolant_limit=60.0, description="invented liquid loop" if liquid else "invented heatsinks"),
        instruments=(), simulated=True, notes="Simulated. Everything on this bench is invented.")


def _layout(g: np.random.Generator, liquid: bool, graphics: bool, power: float) -> Layout:
    per_watt = 300.0 / power
    shared = Layout(
        stage_capacity=float(g.uniform(0.3, 0.7)), inductor_capacity=float(g.uniform(4.0, 8.0)),
        copper_capacity=float(g.uniform(6.0, 12.0)), stage_to_copper=float(g.uniform(3.0, 7.0)),
        inductor_to_plate=float(g.uniform(5.0, 20.0)), die_to_block=float(g.uniform(0.06, 0.1)) * per_watt,
        block_to_coolant=0.02 * per_watt, die_to_copper=float(g.uniform(2.0, 5.0)),
        plate_segments=int(g.integers(2, 6)), block_to_plate=float(g.uniform(1.5, 4.0)) if graphics else 0.0)
    if liquid:
        return replace(shared, plate_to_coolant=float(g.uniform(0.03, 0.09)), plate_capacity=float(g.uniform(25, 55)),
                       flow=float(g.uniform(45.0, 140.0)), coolant_capacity=float(g.uniform(500.0, 1300.0)),
                       radiator_capacity=float(g.uniform(250.0, 600.0)), air_still=3.0,
                       air_full=float(g.uniform(32.0, 60.0)))
    return replace(shared, plate_to_coolant=float(g.uniform(0.25, 0.6)), plate_capacity=float(g.uniform(22.0, 40.0)),
                   plate_fan=float(g.uniform(0.03, 0.08)), flow=float(g.uniform(15.0, 30.0)), coolant_capacity=25.0,
                   radiator_capacity=float(g.uniform(250.0, 450.0)), air_still=2.0,
                   air_full=float(g.uniform(9.0, 13.0)) / per_watt, recirculation=float(g.uniform(0.05, 0.3)),
                   block_capacity=60.0)


def _fit_cooling(bench: Bench, hidden: Hidden, layout: Layout, surroundings: Surroundings, fewest: int, power: float,
                 rise: float) -> Layout:
    """Choose the pad so that the hottest stage of the hardest step settles about `rise` [K] over the coolant."""
    low, high = 0.15, 6.0
    for _ in range(9):
        middle = 0.5 * (low + high)
        trial = replace(layout, pad_resistance=middle)
        made = parts.true_parts(bench, hidden, trial, {}, np.random.default_rng(0), other_loads=10.0,
                                path_resistance=2e-3)
        network = thermal.build_network(made, surroundings.liquid)
        held = Stretch("", "step", fewest, np.full(workload.BLOCK, dynamic_power(made, power)), Guards())
        at, _ = steady.find_steady(made, network, surroundings, held, room=surroundings.room)
        hot = at[network.nodes.stage].max()
        if not np.isfinite(hot) or hot - at[network.nodes.coolant] > rise or hot > 96.0:
            high = middle
        else:
            low = middle
    return replace(layout, pad_resistance=round(low, 2))


def _fluctuation(g: np.random.Generator) -> Fluctuation:
    return Fluctuation(drift=float(g.uniform(0.001, 0.005)), drift_time=float(g.uniform(80.0, 300.0)),
                       code=float(g.uniform(0.008, 0.03)), burst=float(g.uniform(0.05, 0.14)),
                       burst_rate=float(g.uniform(0.05, 0.3)), flutter=float(g.uniform(0.003, 0.015)))


def _steps(g: np.random.Generator, phases: int, fewest: int, power: float, current: float, bench: Bench,
           layout: Layout) -> tuple[PlannedStep, ...]:
    count = int(g.integers(3, 6))
    counts = sorted({int(round(n)) for n in np.linspace(phases, fewest, count)}, reverse=True)
    dwell = lambda: float(g.integers(260, 430))  # noqa: E731
    steps = []
    if g.random() < 0.4:
        light = round(0.6 * power)
        steps.append(PlannedStep(f"{phases} phases at {light} W", phases, light, dwell(), load="light code"))
    heavy = round(power)
    for number, n in enumerate(counts):
        steps.append(PlannedStep(f"{n} phases at {heavy} W", n, heavy, dwell() + (120.0 if number == 0 else 0.0),
                                 baseline=number == 0, load="heavy code"))
    kind = g.random()
    ripple = 0.5 * bench.regulator.rail_voltage / (bench.regulator.inductor.inductance
                                                   * bench.regulator.switching_frequency)
    if kind < 0.18:
        low = float(round(g.uniform(1.04, 1.16) * current / fewest + 0.5 * ripple))
        steps.append(PlannedStep(f"{fewest} phases, low protection", fewest, heavy, 300.0,
                                 protection_phase_current=low, load="heavy code"))
    elif kind < 0.33:
        low = float(round(g.uniform(0.8, 0.92) * current / fewest + 0.5 * ripple))
        steps.append(PlannedStep(f"{fewest} phases, held back", fewest, heavy, dwell(), protection_phase_current=low,
                                 clamps=True, load="heavy code"))
    elif kind < 0.5:
        steps.append(PlannedStep(f"{phases} phases, power limit", phases, heavy, dwell(),
                                 power_limit=float(round(0.82 * power)), load="heavy code"))
    elif kind < 0.75:
        # Far from settled: a short step after the fans were slowed.
        steps.append(PlannedStep(f"{fewest} phases, fans slow", fewest, heavy, float(g.integers(80, 130)),
                                 fan_duty=0.3 if bench.cooling.coolant == "liquid" else 0.55, load="heavy code"))
    return tuple(steps)


def _instruments(g: np.random.Generator, liquid: bool) -> tuple[VirtualInstrument, ...]:
    rate = float(g.choice([20.0, 50.0, 100.0, 200.0]))
    drift = lambda: float(np.clip(g.normal(0.0, 30.0), -100.0, 100.0))  # noqa: E731
    away = lambda: float(g.uniform(-20.0, 20.0))  # noqa: E731
    elapsed = bool(g.random() < 0.35)
    meter_writes = Dialect(
        stamp="elapsed_s" if elapsed else "iso", stamp_decimals=3,
        stamp_names=("t [s]",) if elapsed else ("stamp",), delimiter=str(g.choice([",", ";", "\t"])),
        units="header", preamble=bool(g.random() < 0.7), newline=str(g.choice(["\n", "\r\n"])))
    meter = demo.power_meter(
        period=1.0 / rate, averaging=float(g.choice([1.0, 1.0, 2.0, 5.0])) / rate,
        stamp_at=str(g.choice(["end", "middle", "start"])), clock=ClockError(away(), drift()), dialect=meter_writes,
        gain=float(g.choice([0.003, 0.005, 0.01])), offset=float(g.choice([0.2, 0.5])),
        start=float(g.uniform(0.0, 8.0)), dropout_rate=float(g.choice([0.0, 2e-5])))
    comma = bool(g.random() < 0.5)
    host_writes = Dialect(
        stamp="split" if comma else "iso", stamp_decimals=3, stamp_names=("Day", "Clock") if comma else ("When",),
        delimiter=";" if comma else ",", decimal="," if comma else ".", units="row" if comma else "header",
        date="%d.%m.%Y" if comma else "%Y-%m-%d", bom=bool(g.random() < 0.2),
        trailing_delimiter=bool(comma and g.random() < 0.3))
    resolution = float(g.choice([1.0, 0.1]))
    host = demo.host_log(
        period=float(g.choice([1.0, 1.0, 1.004, 0.997])), averaging=float(g.choice([1.0, 1.0, 0.5])),
        stamp_at=str(g.choice(["end", "end", "start"])), clock=ClockError(away(), drift()), dialect=host_writes,
        regulator_resolution=resolution, regulator_lag=float(g.uniform(0.5, 4.0)), jitter=float(g.uniform(0.002, 0.03)),
        rail_voltage=bool(g.random() < 0.8), start=float(g.uniform(0.0, 10.0)),
        dropout_rate=float(g.choice([0.0, 5e-4])), stuck_rate=float(g.choice([0.0, 0.0, 2e-4])))
    probes = demo.thermometer(
        period=float(g.choice([1.0, 2.0, 5.0])), clock=ClockError(away(), drift()), jitter=float(g.uniform(0.0, 0.05)),
        coolant="coolant" if liquid else "inlet air", start=float(g.uniform(0.0, 10.0)))
    return meter, host, probes
