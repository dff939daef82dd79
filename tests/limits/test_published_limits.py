"""Published rows, asserted through the limits that use them; each test is named after its row of the reference list."""

import math
from dataclasses import replace

import numpy as np
import pytest

from phasewright.bench import Board, CapacitorBank, Connector, Copper, Inductor, Processor, Stage
from phasewright.limits import State, figures_at, margins_at, rule_of
from phasewright.limits.case import Case

MIL = 25.4e-6
OUNCE = 1.378 * MIL


def ideal(make, phases, *, inductance=0.22e-6, frequency=400e3, rail=1.2, supply=12.0, **regulator):
    """Return a bench of ideal switches whose only figures are those of the row."""
    bench = make.bare(phases, switching_frequency=frequency, rail_voltage=rail,
                      inductor=Inductor(inductance=inductance, tolerance=0.0), **regulator)  # fmt: skip
    return replace(bench, board=Board("b", input_voltage=supply))


def figure(bench, current, name, make, **more):
    quantities = {"rail_current": make.known(current, "A"), "input_voltage": make.known(bench.board.input_voltage, "V")}
    return figures_at(bench, State(quantities | more, {"phase_count": bench.regulator.phase_count}))[name]


MB_24 = dict(zip((1, 2, 3, 4, 5, 6, 7, 8, 10, 12),
                 (60.011, 40.031, 30.612, 24.597, 20.156, 16.559, 13.424, 10.490, 3.543, 7.013), strict=True))  # fmt: skip
MB_14 = dict(zip((1, 2, 3, 4, 5, 6, 7, 8, 10, 12),
                 (12.2727, 10.9091, 9.5455, 8.1818, 6.8182, 5.4545, 4.0909, 2.7273, 0.0, 1.8182), strict=True))  # fmt: skip


@pytest.mark.parametrize("phases", MB_24)
def test_mb_24_input_capacitor_current(make, phases):
    """data sheets ISL6366 p. 38 Eq. 49-51 and SLUS660H Eq. 59, 200 A at D = 0.1"""
    found = figure(ideal(make, phases), 200.0, "input_capacitor_current", make)
    assert found.value == pytest.approx(MB_24[phases], abs=0.002)


@pytest.mark.parametrize("phases", MB_14)
def test_mb_14_output_capacitors_carry_the_cancelled_ripple(make, phases):
    """Total ripple of interleaved phases (MB-09 applied), effective value of a triangle as data sheet ADP2102 p. 21"""
    found = figure(ideal(make, phases), 200.0, "output_capacitor_current", make)
    assert found.value == pytest.approx(MB_14[phases] / math.sqrt(12.0), abs=3e-4)


def test_mb_12_and_mb_15_ripple_of_four_phases_at_their_own_frequency(make):
    """data sheet SLUS660H p. 54: 1.573 A; 212.4 uV is the physical value (the source leaves out the factor N, trap T-2)"""
    bank = CapacitorBank(capacitance=356e-6, resistance=0.0, tolerance=0.0)
    bench = ideal(make, 4, inductance=0.8e-6, frequency=650e3, rail=1.8, supply=13.2, output_capacitors=bank)
    assert figure(bench, 40.0, "output_capacitor_current", make).value * math.sqrt(12.0) == pytest.approx(1.573, abs=1e-3)
    # Triangle of unequal slopes on a capacitance: I_pp / (8 N f C), whatever the slopes.
    assert figure(bench, 40.0, "output_ripple", make).value == pytest.approx(212.4e-6, rel=1e-3)


def test_mb_06_effective_and_crest_current_of_an_inductor(make):
    """data sheet SLUS930B p. 52, Eq. 38-39: 20.05 A and 22.44 A at 20 A and 4.88 A of ripple"""
    bench = ideal(make, 1, inductance=750e-9, frequency=300e3, supply=14.0, sharing_error=0.0)
    assert figure(bench, 20.0, "phase_current_rms", make).value == pytest.approx(20.05, abs=5e-3)
    bench = replace(bench, regulator=replace(bench.regulator, inductor=replace(bench.regulator.inductor,
                                                                               saturation_current=30.0)))  # fmt: skip
    quantities = {"rail_current": make.known(20.0, "A"), "input_voltage": make.known(14.0, "V")}
    judged = margins_at(bench, State(quantities, {"phase_count": 1}))
    crest = next(m for m in judged.margins if m.limit.name == "inductor saturation with ripple")
    assert crest.figure.value == pytest.approx(22.44, abs=5e-3)
    assert crest.margin.value == pytest.approx(30.0 - 22.44, abs=5e-3)


def step_bench(make, *, phases=6, inductance=0.22e-6, load_line=None):
    bank = CapacitorBank(capacitance=4e-3, resistance=0.5e-3, tolerance=0.0)
    bench = ideal(make, phases, inductance=inductance, output_capacitors=bank, load_line=load_line, response_delay=0.0,
                  tolerance_band=60e-3)  # fmt: skip
    return replace(bench, processor=Processor(load_step=100.0))


def test_ll_06_droop_of_a_hundred_amperes(make):
    """own derivation, simulated on 2e6 points: 50.000 mV at t = 0"""
    assert figure(step_bench(make), 150.0, "droop", make).value == pytest.approx(50e-3, abs=1e-9)


def test_ll_08_and_ll_09_release_at_and_above_the_critical_inductance(make):
    """LL-08: 144 nH for N = 6; LL-09: 54.5455 mV is met by about 0.22 uH"""
    at, above = (figure(step_bench(make, inductance=x), 150.0, "overshoot", make).value for x in (144e-9, 150e-9))
    assert at == pytest.approx(50e-3, abs=1e-9)
    assert above > 50e-3 + 1e-6
    assert figure(step_bench(make), 150.0, "overshoot", make).value == pytest.approx(54.5455e-3, rel=1e-3)


def test_ll_01_load_line_takes_its_part_of_the_droop(make):
    """VRM 10.2L p. 14: 1.25 mOhm moves the target by 125 mV at 100 A"""
    stiff, soft = (figure(step_bench(make, load_line=r), 150.0, "droop", make).value for r in (0.0, 1.25e-3))
    assert stiff - soft == pytest.approx(125e-3, abs=1e-9)


@pytest.mark.parametrize(("housing", "rating", "power"), [(4, 8.0, 192.0), (4, 11.0, 264.0), (4, 12.0, 288.0),
                                                           (8, 8.0, 384.0), (8, 6.0, 288.0)])  # fmt: skip
def test_cu_10_cu_13_contacts_at_their_rating_leave_no_margin(make, housing, rating, power):
    """Upgrading and Repairing PCs, tables 18.14-18.15, and arithmetic on them; half of a housing carries +12 V"""
    board = Board("b", connectors=(Connector("p", housing // 2, rating),))
    bench = replace(make.bare(), board=board)
    current = make.known(power / 12.0 / (housing // 2), "A")
    judged = margins_at(bench, State({"contact_current": current}, {}))
    found = next(m for m in judged.margins if m.limit.name == "connector contact rating")
    assert found.margin.value == pytest.approx(0.0, abs=1e-9)


def test_cu_14_twelve_contacts_at_600_w(make):
    """Power supply design guide 336521, table 5-7: 600 W on six contacts is 8.333 A each"""
    bench = replace(make.bare(), board=Board("b", connectors=(Connector("p", 6, 9.2),)))
    judged = margins_at(bench, State({"contact_current": make.known(600.0 / 12.0 / 6, "A")}, {}))
    found = next(m for m in judged.margins if m.limit.name == "connector contact rating")
    assert found.figure.value == pytest.approx(8.333, abs=1e-3)
    assert found.margin.value == pytest.approx(9.2 - 8.333, abs=1e-3)


def test_cu_15_drop_of_a_harness_is_told(make):
    """4 + 4 wires AWG 18, 0.60 m, 25 A: 157.1 mV and 3.93 W at 20 degC; told at 40 degC, 7.86 % more by CU-02"""
    connector = Connector("p", 4, 8.0, wire_gauge=18, wire_length=0.6, wire_temperature_limit=80.0)
    bench = replace(make.bare(), board=Board("b", connectors=(connector,)))
    quantities = {"input_current": make.known(25.0, "A"), "ambient_temperature": make.known(24.0, "degC")}
    (found,) = [m for m in margins_at(bench, State(quantities, {})).margins if m.limit.name == "cable insulation: p"]
    assert f"{157.1 * 1.0786:.0f} mV" in found.note
    assert f"{3.93 * 1.0786:.1f} W" in found.note


@pytest.mark.parametrize(("width", "thickness", "rise", "current"),
                         [(100, 1, 10, 4.701), (100, 1, 20, 6.377), (300, 2, 10, 17.233), (300, 2, 20, 23.378)])  # fmt: skip
def test_cu_08_copper_runs_are_rated_by_the_curve_fit(make, width, thickness, rise, current):
    """IPC-2221 curve fit, constants read on several public pages"""
    run = Copper("c", "input_current", width * MIL, thickness * OUNCE, "outer", 1, float(rise))
    bench = replace(make.bare(), board=Board("b", copper=(run,)))
    judged = margins_at(bench, State({"input_current": make.known(1.0, "A")}, {}))
    (found,) = [m for m in judged.margins if m.limit.name == "board copper: c"]
    assert found.limit.value == pytest.approx(current, rel=1e-3)


def life_of(make, kind, temperature):
    bank = CapacitorBank(kind=kind, life=2000 * make.hour, temperature_limit=105.0)
    bench = replace(make.bare(output_capacitors=bank), board=Board("b", service_life=1000 * make.hour))
    state = State({"board_temperature": make.known(temperature, "degC")}, {})
    return next(m for m in margins_at(bench, state).margins if m.limit.applies_to == "output_capacitor_life")


@pytest.mark.parametrize(("kind", "temperature", "hours"), [
    ("electrolytic", 95.0, 4000.0), ("electrolytic", 85.0, 8000.0), ("electrolytic", 65.0, 32000.0),
    ("polymer", 95.0, 6325.0), ("polymer", 85.0, 20000.0),
])  # fmt: skip
def test_lf_04_lf_05_capacitor_life(make, kind, temperature, hours):
    """data sheet NCP5314 p. 20; notes of polymer-capacitor makers"""
    found = life_of(make, kind, temperature)
    assert found.figure.value / make.hour == pytest.approx(hours, rel=1e-4)
    assert found.margin.value == pytest.approx(found.figure.value - 1000 * make.hour)


def test_makers_vouch_for_fifteen_years_at_most(make):
    assert life_of(make, "polymer", 45.0).figure.value == pytest.approx(15 * 365.25 * 86400)


@pytest.mark.parametrize(("energy", "use", "stress", "factor", "tolerance"), [
    (0.7, 55.0, 125.0, 77.65, 1e-4), (1.2, 60.0, 100.0, 88.29574588, 1e-6), (0.323, 35.0, 70.0, 3.46, 1e-3),
])  # fmt: skip
def test_lf_01_lf_02_lf_03_stage_life(make, energy, use, stress, factor, tolerance):
    """JEP122 form; reliability package documentation; Yang 2007, example 7.1"""
    stage = Stage(rated_life=1000.0 * make.hour, rated_life_temperature=stress, activation_energy_ev=energy)
    state = State({"regulator_temperature": make.known(use, "degC")}, {})
    found = figures_at(make.bare(stage=stage), state)["stage_life"]
    assert found.value / (1000.0 * make.hour) == pytest.approx(factor, rel=tolerance)


@pytest.mark.parametrize(("exponent", "factor"), [(2.0, 4.0), (2.5, 5.657), (4.0, 16.0)])
def test_lf_09_cycles_at_half_the_swing(make, exponent, factor):
    """JEP122 exponents, 120 K against 60 K"""
    stage = Stage(rated_cycles=1000, rated_swing=120.0, cycle_exponent=exponent)
    bench = replace(make.bare(stage=stage), board=Board("b", cycles_per_day=10.0))
    found = figures_at(bench, State({"regulator_rise": make.known(60.0, "K")}, {}))["stage_cycle_life"]
    assert found.value / 86400.0 == pytest.approx(100.0 * factor, rel=1e-4)


def test_th_07_loop_gain_of_a_loss_that_grows_with_temperature(make):
    """closed form: 20 W that grow by 0.4 % a kelvin behind 2 K/W: gain 0.16"""
    stage = Stage(high_side_resistance=2e-3, low_side_resistance=2e-3, resistance_temperature_coefficient=0.004)
    bench = ideal(make, 1, stage=stage)
    more = {"thermal_resistance": make.known(2.0, "K/W"), "regulator_temperature": make.known(60.0, "degC")}
    assert figure(bench, 100.0, "loop_gain", make, **more).value == pytest.approx(0.16, rel=1e-9)  # 100^2 x 2 mOhm


def test_ls_03_gate_loss_of_the_drivers(make):
    """data sheet LM2743: two FETs of 3 nC at 3.3 V and 300 kHz take 5.94 mW, the controller 5.61 mW"""
    stage = Stage(gate_charge=2 * 3e-9, gate_voltage=3.3)
    bench = ideal(make, 1, frequency=300e3, stage=stage, controller_power=5.61e-3)
    assert figure(bench, 1.0, "drive_power", make).value == pytest.approx(5.94e-3 + 5.61e-3, rel=1e-9)


def test_mtbf_of_a_clean_run(make):
    """NIST/SEMATECH e-Handbook 8.4.5.1 and the rule of three: 2.9957 / T without a failure at 95 %"""
    (reading,) = [r for r in margins_at(make.full(), make.settled()).readings if r.name == "failure rate ruled out"]
    assert reading.figure.value == pytest.approx(2.9957 / (600.0 / 3600.0), rel=1e-4)


def test_mb_01_duty_with_drops_shifts_the_cancellation(make):
    """volt-second balance: D = 0.102843 at 20 A a phase with 3, 1 and 0.5 mOhm"""
    stage = Stage(high_side_resistance=3e-3, low_side_resistance=1e-3)
    bench = ideal(make, 1, stage=stage)
    bench = replace(bench, regulator=replace(bench.regulator, inductor=replace(bench.regulator.inductor,
                                                                               resistance=0.5e-3)))  # fmt: skip
    found = figure(bench, 20.0, "input_capacitor_current", make).value
    duty, falling = 0.102843, 1.2 + 20.0 * 1.5e-3
    ripple = falling * (1.0 - duty) / (0.22e-6 * 400e3)
    # Effective value of a pulse with a sloping top less its mean, textbook.
    expected = math.sqrt(duty * (20.0**2 + ripple**2 / 12.0) - (duty * 20.0) ** 2)
    assert found == pytest.approx(expected, rel=1e-5)


# ---- brute force -----------------------------------------------------------------------------------------------------


def waveforms(phases, duty, ripple, mean, points=1 << 16):
    """Return (summed inductor current, summed input current) over one period, phases shifted evenly."""
    time = (np.arange(points) + 0.5) / points
    total, drawn = np.zeros(points), np.zeros(points)
    for k in range(phases):
        at = (time - k / phases) % 1.0
        rising = at < duty
        current = mean / phases + ripple * np.where(rising, at / duty - 0.5, 0.5 - (at - duty) / (1.0 - duty))
        total += current
        drawn += np.where(rising, current, 0.0)
    return total, drawn


@pytest.mark.parametrize("seed", range(12))
def test_ripple_and_capacitor_currents_are_those_of_summed_waveforms(make, seed):
    generator = np.random.default_rng(seed)
    phases, duty = int(generator.integers(1, 13)), float(generator.uniform(0.05, 0.6))
    mean, inductance, frequency = float(generator.uniform(20, 300)), float(generator.uniform(80e-9, 500e-9)), 500e3
    capacitance, resistance = 2e-3, float(generator.uniform(0.0, 1e-3))
    rail = 12.0 * duty
    ripple = rail * (1.0 - duty) / (inductance * frequency)
    total, drawn = waveforms(phases, duty, ripple, mean)
    bank = CapacitorBank(capacitance=capacitance, resistance=resistance, tolerance=0.0)
    bench = ideal(make, phases, inductance=inductance, frequency=frequency, rail=rail, output_capacitors=bank)
    found = figures_at(bench, State({"rail_current": make.known(mean, "A"), "input_voltage": make.known(12.0, "V")},
                                    {"phase_count": phases}))  # fmt: skip
    assert found["input_capacitor_current"].value == pytest.approx(drawn.std(), rel=2e-3)
    flowing = total - total.mean()
    assert found["output_capacitor_current"].value == pytest.approx(flowing.std(), rel=2e-3, abs=2e-3)
    charge = np.cumsum(flowing) / flowing.size / frequency
    voltage = resistance * flowing + charge / capacitance
    assert found["output_ripple"].value == pytest.approx(np.ptp(voltage), rel=2e-3, abs=2e-6)


def test_every_rule_names_its_source_and_formula():
    from phasewright.limits import RULES

    for rule in RULES:
        assert rule.formula and rule.source and rule.meaning, rule.name
        assert rule_of(rule.name) is rule
    assert len({rule.name for rule in RULES}) == len(RULES)


def test_case_reads_what_the_bench_states(make):
    case = Case(make.full(), make.settled())
    assert case.part("regulator.inductor.inductance", "H").u == pytest.approx(0.2 * 150e-9 / math.sqrt(3.0))
    with pytest.raises(KeyError):
        Case(make.bare(), make.settled()).part("regulator.inductor.inductance", "H")
