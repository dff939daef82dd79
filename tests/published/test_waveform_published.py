"""Printed figures of data sheets and guides against the switching simulation of the same circuit with ideal parts.

The formulas that the sources state were checked elsewhere; here nothing but Kirchhoff's laws stands between the parts
and the printed figure. Capacitances are huge where a source neglects their ripple.
"""

import numpy as np
import pytest

from phasewright.physics import (
    CapacitorBank,
    Circuit,
    LoadProfile,
    Phases,
    VoltageLoop,
    load_step_waveform,
    steady_waveform,
)

STILL = (CapacitorBank(1e4),)


def ideal(phase_count, inductance, input_voltage, frequency, **more):
    more.setdefault("output_banks", STILL)
    return Circuit(Phases(phase_count, inductance), input_voltage, frequency, **more)


def steady(phase_count, inductance, input_voltage, output_voltage, frequency, load=20.0, **more):
    circuit = ideal(phase_count, inductance, input_voltage, frequency, **more)
    return steady_waveform(circuit, load, duty=output_voltage / input_voltage)


@pytest.mark.parametrize(
    "inductance, input_voltage, output_voltage, frequency, printed, tolerance",
    [
        (1e-6, 13.2, 1.5, 500e3, 2.66, 0.005),  # data sheet SLUS660H, design example 1, step 1, p. 43
        (0.88636e-6, 13.2, 1.5, 500e3, 3.0, 0.001),  # the same: 15 % of 20 A
        (609.5e-9, 14.0, 1.2, 300e3, 6.0, 0.001),  # data sheet SLUS930B, design example 1, p. 51: 30 % of 20 A
        (750e-9, 14.0, 1.2, 300e3, 4.88, 0.005),  # the same, p. 52, Eq. 37
    ],
)
def test_phase_ripple(inductance, input_voltage, output_voltage, frequency, printed, tolerance):
    wave = steady(1, inductance, input_voltage, output_voltage, frequency)
    assert wave.extremes("phase_current", 0).swing == pytest.approx(printed, abs=tolerance)


def test_inductor_rms_and_peak_of_slus930b_p52():
    wave = steady(1, 750e-9, 14.0, 1.2, 300e3, 20.0)
    assert wave.rms("phase_current", 0) == pytest.approx(20.05, abs=0.005)
    assert wave.extremes("phase_current", 0).high == pytest.approx(22.44, abs=0.005)


def test_switch_currents_of_adp3162_p10():
    """2 phases, 28 A, ripple 5.8 A, duty 0.36: 8.5 A and 11.3 A, from the heat in resistances too small to matter."""
    small = 1e-9
    inductance = 5.0 * 0.36 * 0.64 / (5.8 * 200e3)
    phases = Phases(2, inductance, high_side_resistance=small, low_side_resistance=small)
    wave = steady_waveform(Circuit(phases, 5.0, 200e3, STILL), 28.0, duty=0.36)
    balance = wave.energy_balance()
    each = [np.sqrt(heat / small * 200e3 / 2) for heat in (balance.high_sides, balance.low_sides)]
    assert each[0] == pytest.approx(8.5, abs=0.05) and each[1] == pytest.approx(11.3, abs=0.05)


def test_triangular_ripple_of_adp2102_p21():
    wave = steady(1, 2.2e-6, 4.2, 1.8, 3e6, 0.6)
    assert wave.ripple_rms("phase_current", 0) == pytest.approx(45e-3, rel=0.005)


RATIOS = {1: 1, 2: 0.888889, 3: 0.777778, 4: 0.666667, 5: 0.555556, 6: 0.444444, 7: 0.333333, 8: 0.222222, 10: 0,
          12: 0.148148}  # fmt: skip
TOTALS = {1: 12.2727, 2: 10.9091, 3: 9.5455, 4: 8.1818, 5: 6.8182, 6: 5.4545, 7: 4.0909, 8: 2.7273, 10: 0, 12: 1.8182}


@pytest.mark.parametrize("count", RATIOS)
def test_cancelled_ripple_12_to_1v2(count):
    """Formula read in data sheet ISL6316, p. 12, Eq. 1-2 (four phases: 8.1818 A); the others by the same closed form."""
    wave = steady(count, 0.22e-6, 12.0, 1.2, 400e3, 200.0)
    phase, total = wave.extremes("phase_current", 0).swing, wave.extremes("total_current").swing
    assert phase == pytest.approx(12.2727, abs=1e-4)
    assert total == pytest.approx(TOTALS[count], abs=1e-3)
    assert total / phase == pytest.approx(RATIOS[count], abs=1e-6)


@pytest.mark.parametrize("count, duty", [(4, 0.25), (4, 0.5), (4, 0.75), (6, 1 / 6), (6, 1 / 3), (8, 0.125), (10, 0.1)])
def test_ripple_vanishes_where_duty_is_a_whole_number_of_nths(count, duty):
    wave = steady_waveform(ideal(count, 0.22e-6, 12.0, 400e3), 100.0, duty=duty)
    assert wave.extremes("total_current").swing < 1e-9 * wave.extremes("phase_current", 0).swing


@pytest.mark.parametrize("count, duty, product",
                         [(2, 0.3, 0.4), (3, 0.4, 0.133333), (4, 0.3, 0.133333), (5, 0.47, 0.0968085), (8, 0.1, 0.2)])
def test_vendor_product_form_of_slus660h_eq57(count, duty, product):
    wave = steady_waveform(ideal(count, 1e-6, 12.0, 500e3), 50.0, duty=duty)
    normal = 12.0 * duty / (1e-6 * 500e3)
    assert wave.extremes("total_current").swing / normal == pytest.approx(product, abs=1e-6)


def test_four_phase_ripple_of_slus660h_p54():
    wave = steady(4, 0.8e-6, 13.2, 1.8, 650e3, 40.0)
    assert wave.extremes("total_current").swing == pytest.approx(1.573, abs=0.001)


@pytest.mark.parametrize("count, inductance, volts, frequency, capacitance, physical", [
    (4, 0.8e-6, (13.2, 1.8), 650e3, 356e-6, 212.4e-6),  # SLUS660H p. 54, with the frequency of all phases together
])
def test_capacitive_ripple_voltage(count, inductance, volts, frequency, capacitance, physical):
    bank = (CapacitorBank(capacitance),)
    wave = steady(count, inductance, *volts, frequency, 40.0, output_banks=bank)
    assert wave.extremes("load_voltage").swing == pytest.approx(physical, rel=2e-3)


@pytest.mark.parametrize("count, duty, load, printed, tolerance", [
    (3, 0.125, 65.0, 10.5, 0.02),  # data sheet ADP3180, p. 17, Eq. 34
    (4, 0.125, 100.0, 12.5, 1e-3),  # data sheet NCP5314, p. 20: worst case 12.5 %
    (4, 0.06, 100.0, 10.677, 1e-3),  # the same: "about 10 %" at 0.06 and 0.19, exactly 10.677 %
    (4, 0.19, 100.0, 10.677, 1e-3),
    (1, 0.364, 4.0, 1.92, 0.005),  # data sheet SNVS276G, p. 19
    (1, 1.2 / 14.0, 20.0, 5.6, 0.005),  # data sheet SLUS930B, p. 53
])
def test_input_capacitor_current_without_ripple(count, duty, load, printed, tolerance):
    wave = steady_waveform(ideal(count, 1.0, 12.0, 400e3), load, duty=duty)
    assert wave.ripple_rms("input_current") == pytest.approx(printed, abs=tolerance)


@pytest.mark.parametrize("count, expected", [(3, 5.94), (1, 11.93)])
def test_input_capacitor_current_with_ripple_isl6366_p38(count, expected):
    """36 A, duty 0.125, ripple 7 A; the vendor family prints 5.9 and 11.9 (from memory), Eq. 49-51 were read."""
    inductance = 12.0 * 0.125 * 0.875 / (7.0 * 400e3)
    wave = steady_waveform(ideal(count, inductance, 12.0, 400e3), 36.0, duty=0.125)
    assert wave.ripple_rms("input_current") == pytest.approx(expected, abs=0.01)


INPUT_RMS = {1: 60.011, 2: 40.031, 3: 30.612, 4: 24.597, 5: 20.156, 6: 16.559, 7: 13.424, 8: 10.490, 10: 3.543, 12: 7.013}


@pytest.mark.parametrize("count", INPUT_RMS)
def test_input_capacitor_current_through_a_real_bank(count):
    """The same closed form with ripple, 200 A; here a bank behind a large source inductance carries the current."""
    more = {"input_banks": (CapacitorBank(10.0),), "source_inductance": 10.0, "source_resistance": 1e-4}
    wave = steady(count, 0.22e-6, 12.0, 1.2, 400e3, 200.0, **more)
    assert wave.rms("input_capacitor_current") == pytest.approx(INPUT_RMS[count], abs=0.002)


def test_duty_with_conduction_drops():
    """12 V to 1.2 V at 20 A a phase, 3 and 1 mOhm, DCR 0.5 mOhm: duty 0.102843 (volt-second balance)."""
    phases = Phases(1, 10e-6, 0.5e-3, 3e-3, 1e-3)
    wave = steady_waveform(Circuit(phases, 12.0, 400e3, STILL), 20.0, load_voltage=1.2)
    assert wave.duty[0] == pytest.approx(0.102843, abs=1e-6)


def test_conduction_efficiency_of_the_textbook_buck():
    """Erickson & Maksimovic, Fundamentals of Power Electronics, ch. 3: 0.972447 without ripple."""
    phases = Phases(1, 1e-3, 0.5e-3, 3e-3, 1e-3)
    wave = steady_waveform(Circuit(phases, 12.0, 400e3, STILL), 20.0, duty=0.1)
    balance = wave.energy_balance()
    voltage = wave.mean("load_voltage")
    expected = 1 / (1 + (0.5e-3 + 0.1 * 3e-3 + 0.9 * 1e-3) / (voltage / 20.0))
    assert balance.delivered / balance.supplied == pytest.approx(expected, abs=1e-6)
    held = steady_waveform(Circuit(phases, 12.0, 400e3, STILL), 20.0, load_voltage=1.2)
    account = held.energy_balance()
    duty = held.duty[0]
    printed = 1 / (1 + (0.5e-3 + duty * 3e-3 + (1 - duty) * 1e-3) / 0.06)
    assert account.delivered / account.supplied == pytest.approx(printed, abs=1e-6)
    assert printed == pytest.approx(0.972447, abs=1e-4)  # printed for a duty of exactly 0.1


def slammed(scale, count, step, frequency, duration):
    """A loop so steep that the duty goes to its end at once, on a clock so fast that ripple vanishes."""
    bank = CapacitorBank(4e-3, 0.5e-3)
    circuit = ideal(count, 0.22e-6 * scale, 12.0 * scale, frequency, output_banks=(bank,))
    loop = VoltageLoop(1e9, duty_low=0.0, duty_high=1.0, delay_turns=0)
    return load_step_waveform(circuit, LoadProfile((1e-6, 1e-6), step), duration, duty=0.1, loop=loop)


def test_release_overshoot_with_slew_limited_inductors():
    """Own closed form of a release, 6 phases, 100 A, 4 mF, 0.5 mOhm: 54.5455 mV above.

    Voltages and inductance a hundred times greater keep the slope and make the rail stand still against the excursion,
    as the closed form takes for granted.
    """
    wave = slammed(100.0, 6, (150.0, 50.0), 20e6, 6e-6)
    high = wave.extremes("load_voltage", start=1e-6, end=6e-6)
    assert high.high - wave.mean("load_voltage", end=1e-6) == pytest.approx(54.5455e-3, rel=4e-3)


def test_step_with_resistance_alone():
    """The same regulator's step up: the inductors catch up before the capacitor sags, 50.000 mV at once."""
    wave = slammed(100.0, 6, (50.0, 150.0), 200e6, 1.5e-6)
    before = wave.sample("load_voltage", 1e-6 - 1e-12)
    assert before - wave.extremes("load_voltage", start=1e-6, end=1.5e-6).low == pytest.approx(50e-3, rel=2e-3)


def test_overshoot_by_energy_of_adp2102_p21():
    """2.2 uH, 0.6 A, 1.8 V, 50 mV: 4.34 uF (4.33 printed); all of the coil's energy goes into the capacitor."""
    circuit = ideal(1, 2.2e-6, 4.2, 1e9, output_banks=(CapacitorBank(4.340e-6),))
    loop = VoltageLoop(1e9, duty_low=0.0, duty_high=1.0, delay_turns=0)
    load = LoadProfile((1e-9, 1e-9), (0.6, 0.0))
    wave = load_step_waveform(circuit, load, 1.2e-6, duty=1.8 / 4.2, loop=loop)
    assert wave.extremes("load_voltage").high - 1.8 == pytest.approx(50e-3, rel=3e-3)


def test_kick_of_a_parasitic_inductance():
    """10 pH at 1200 A/us (slew of the VRM/EVRD 10.2 design guide, section 2.1): 12.0 mV."""
    bank = CapacitorBank(10.0, 0.0, 10e-12)
    circuit = ideal(6, 0.22e-6, 12.0, 400e3, output_banks=(bank,))
    start = 0.5e-6  # in the middle of an interval of the switches
    wave = load_step_waveform(circuit, LoadProfile((start, start + 50e-9), (50.0, 110.0)), 2e-6, duty=0.1)
    kick = wave.sample("load_voltage", start - 1e-15) - wave.sample("load_voltage", start + 1e-15)
    assert kick == pytest.approx(12.0e-3, rel=1e-3)
