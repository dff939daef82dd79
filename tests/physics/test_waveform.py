"""The switching simulation: sums of shifted triangles, conservation, symmetry, extremes, refusals."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phasewright.physics import (
    CapacitorBank,
    Circuit,
    LoadProfile,
    Phases,
    VoltageLoop,
    load_step_waveform,
    steady_waveform,
)

REAL = {
    "output_banks": (CapacitorBank(2.8e-3, 0.9e-3, 0.2e-9), CapacitorBank(600e-6, 0.1e-3, 20e-12)),
    "path_resistance": 0.15e-3,
    "path_inductance": 30e-12,
    "load_banks": (CapacitorBank(200e-6, 0.08e-3, 3e-12), CapacitorBank(10e-6, 1e-3)),
    "input_banks": (CapacitorBank(100e-6, 0.4e-3), CapacitorBank(500e-6, 5e-3, 1e-9)),
    "source_resistance": 5e-3,
    "source_inductance": 100e-9,
}


def board(count=6, seed=None, *, dead=True, **more):
    """A regulator of believable invented parts; a seed gives every phase its own."""

    def spread(value, share):
        if seed is None:
            return value
        return tuple(value * (1 + share * generator.standard_normal(count)))

    generator = np.random.default_rng(seed)
    phases = Phases(
        count, spread(0.22e-6, 0.05), spread(0.3e-3, 0.1), spread(3e-3, 0.1), spread(1e-3, 0.1),
        rising_dead_time=15e-9 * dead, falling_dead_time=10e-9 * dead, diode_voltage=0.8,
    )  # fmt: skip
    return Circuit(phases, 12.0, 400e3, **{**REAL, **more})


def triangle(time, duty, swing):
    """Ripple of one phase less its mean, turned on at time 0, the period being 1."""
    after = time % 1.0
    return swing * (np.where(after < duty, after / duty, (1.0 - after) / (1.0 - duty)) - 0.5)


@given(count=st.integers(1, 20), duty=st.floats(0.02, 0.98), load=st.floats(-50.0, 400.0))
@settings(max_examples=40, deadline=None)
def test_sum_of_shifted_triangles(count, duty, load):
    circuit = Circuit(Phases(count, 0.22e-6), 12.0, 400e3, (CapacitorBank(1e6),))
    wave = steady_waveform(circuit, load, duty=duty)
    swing = 12.0 * duty * (1.0 - duty) / (0.22e-6 * 400e3)
    time = np.linspace(0.0, 1.0, 401)
    shifted = [load / count + triangle(time - k / count, duty, swing) for k in range(count)]
    scale = swing + abs(load)
    np.testing.assert_allclose(wave.sample("total_current", time / 400e3), sum(shifted), atol=1e-9 * count * scale)
    np.testing.assert_allclose(wave.sample("phase_current", time / 400e3, count - 1), shifted[-1], atol=1e-9 * scale)
    drawn = sum(np.where((time - k / count) % 1.0 < duty, shifted[k], 0.0) for k in range(count))
    near_edge = np.min([np.abs((time - k / count - edge + 0.5) % 1.0 - 0.5) for k in range(count)
                        for edge in (0.0, duty)], axis=0) < 1e-9  # fmt: skip
    ours = wave.sample("input_current", time / 400e3)
    np.testing.assert_allclose(ours[~near_edge], drawn[~near_edge], atol=1e-9 * count * scale)


@given(count=st.integers(1, 12), seed=st.integers(0, 10**6), load=st.floats(120.0, 400.0), duty=st.floats(0.08, 0.3))
@settings(max_examples=25, deadline=None)
def test_energy_and_charge_balance_in_the_steady_state(count, seed, load, duty):
    wave = steady_waveform(board(count, seed), load + 20.0 * count, duty=duty)
    account = wave.energy_balance()
    assert abs(account.residual) < 1e-12 * account.supplied
    assert abs(account.stored) < 1e-12 * account.supplied
    for bank, banks in (("output_bank_current", 2), ("load_bank_current", 2), ("input_bank_current", 2)):
        for k in range(banks):
            assert abs(wave.mean(bank, k)) < 1e-10 * load
    assert wave.mean("path_current") == pytest.approx(load + 20.0 * count, rel=1e-11)
    assert wave.mean("source_current") == pytest.approx(wave.mean("input_current"), rel=1e-11)


@pytest.mark.parametrize("loop", [None, VoltageLoop(2.0, 1e5, load_line=0.4e-3)])
@pytest.mark.parametrize("dead", [True, False])
def test_energy_balance_of_a_load_step(loop, dead):
    load = LoadProfile((3.3e-6, 3.8e-6, 21e-6, 21.1e-6), (120.0, 260.0, 260.0, 90.0))
    wave = load_step_waveform(board(6, 4, dead=dead), load, 40e-6, duty=0.105, loop=loop)
    account = wave.energy_balance()
    assert abs(account.residual) < 1e-11 * account.supplied
    assert abs(account.stored) > 1e-4 * account.supplied
    parts = [wave.energy_balance(start=a, end=b) for a, b in ((0.0, 7.77e-6), (7.77e-6, wave.time[-1]))]
    for field in dataclasses.fields(account):
        whole = getattr(account, field.name)
        assert sum(getattr(part, field.name) for part in parts) == pytest.approx(whole, rel=1e-9, abs=1e-15)


def test_shared_by_resistance():
    """With one duty for all, phases share as the conductances of their mean resistances."""
    dcr = (0.3e-3, 0.5e-3, 0.4e-3, 0.8e-3)
    phases = Phases(4, 5e-6, dcr, 2e-3, 1e-3)
    wave = steady_waveform(Circuit(phases, 12.0, 400e3, (CapacitorBank(1.0, 1e-4),)), 100.0, duty=0.1)
    conductance = 1.0 / (np.array(dcr) + 0.1 * 2e-3 + 0.9 * 1e-3)
    expected = 100.0 * conductance / conductance.sum()
    # The little ripple left (0.5 A) puts a trace of the switches' difference into the mean.
    found = [wave.mean("phase_current", k) for k in range(4)]
    np.testing.assert_allclose(found, expected, rtol=1e-6)


def test_hardly_any_resistance_still_shares_by_it():
    """1 uOhm against 3 uOhm: a period changes the circulating current by a hundred-thousandth."""
    phases = Phases(2, 0.22e-6, (1e-6, 3e-6))
    wave = steady_waveform(Circuit(phases, 12.0, 400e3, (CapacitorBank(1e6),)), 100.0, duty=0.1)
    assert wave.mean("phase_current", 0) == pytest.approx(75.0, rel=1e-8)


def test_no_resistance_at_all_shares_alike_or_is_refused():
    alike = Circuit(Phases(5, 0.22e-6), 12.0, 400e3, (CapacitorBank(1e-3),))
    wave = steady_waveform(alike, 100.0, duty=0.1)
    assert [wave.mean("phase_current", k) for k in range(5)] == pytest.approx([20.0] * 5, rel=1e-9)
    uneven = dataclasses.replace(alike, phases=Phases(5, 0.22e-6, duty_error=(0.001, 0, 0, 0, 0)))
    with pytest.raises(ValueError, match="drift apart"):
        steady_waveform(uneven, 100.0, duty=0.1)


@given(shift=st.floats(0.0, 0.999), seed=st.integers(0, 1000))
@settings(max_examples=15, deadline=None)
def test_shift_of_the_clock_shifts_the_waveform(shift, seed):
    circuit = board(3, seed)
    moved = tuple(item + shift for item in circuit.phases.phase_shift)
    later = dataclasses.replace(circuit, phases=dataclasses.replace(circuit.phases, phase_shift=moved))
    time = np.linspace(0.0, 2.5e-6, 97)
    first, second = steady_waveform(circuit, 120.0, duty=0.1), steady_waveform(later, 120.0, duty=0.1)
    for signal, index in (("load_voltage", None), ("phase_current", 1), ("source_current", None)):
        np.testing.assert_allclose(
            second.sample(signal, time + shift / 400e3, index), first.sample(signal, time, index), rtol=1e-9
        )


@given(order=st.permutations(range(4)), seed=st.integers(0, 1000))
@settings(max_examples=10, deadline=None)
def test_order_of_naming_the_phases_changes_nothing(order, seed):
    circuit = board(4, seed)
    fields = ("inductance", "inductor_resistance", "high_side_resistance", "low_side_resistance", "phase_shift")
    changed = {name: tuple(getattr(circuit.phases, name)[k] for k in order) for name in fields}
    other = dataclasses.replace(circuit, phases=dataclasses.replace(circuit.phases, **changed))
    first, second = steady_waveform(circuit, 150.0, duty=0.1), steady_waveform(other, 150.0, duty=0.1)
    time = np.linspace(0.0, 2.5e-6, 61)
    for place, k in enumerate(order):
        np.testing.assert_allclose(
            second.sample("phase_current", time, place), first.sample("phase_current", time, k), rtol=1e-9, atol=1e-9
        )
    np.testing.assert_allclose(second.sample("load_voltage", time), first.sample("load_voltage", time), rtol=1e-11)


@given(volts=st.floats(0.2, 5.0), ohms=st.floats(0.2, 5.0), seconds=st.floats(0.2, 5.0))
@settings(max_examples=15, deadline=None)
def test_units_scale(volts, ohms, seconds):
    """Voltages, impedances and times measured with other sticks: the waveform is the same."""

    def bank(item):
        return CapacitorBank(item.capacitance * seconds / ohms, item.capacitor_resistance * ohms,
                             item.parasitic_inductance * ohms * seconds)  # fmt: skip

    one = board(3, 7)
    parts = one.phases
    phases = Phases(
        3, tuple(x * ohms * seconds for x in parts.inductance), tuple(x * ohms for x in parts.inductor_resistance),
        tuple(x * ohms for x in parts.high_side_resistance), tuple(x * ohms for x in parts.low_side_resistance),
        rising_dead_time=15e-9 * seconds, falling_dead_time=10e-9 * seconds, diode_voltage=0.8 * volts,
    )  # fmt: skip
    other = Circuit(
        phases, 12.0 * volts, 400e3 / seconds, tuple(map(bank, one.output_banks)), 0.0, one.path_resistance * ohms,
        one.path_inductance * ohms * seconds, tuple(map(bank, one.load_banks)), tuple(map(bank, one.input_banks)),
        one.source_resistance * ohms, one.source_inductance * ohms * seconds,
    )  # fmt: skip
    load = LoadProfile((3e-6, 3.5e-6), (100.0, 160.0))
    scaled = LoadProfile(tuple(t * seconds for t in load.time), tuple(i * volts / ohms for i in load.current))
    first = load_step_waveform(one, load, 10e-6, duty=0.1)
    second = load_step_waveform(other, scaled, 10e-6 * seconds, duty=0.1)
    time = np.linspace(0.0, 10e-6, 101)
    np.testing.assert_allclose(
        second.sample("load_voltage", time * seconds), volts * first.sample("load_voltage", time), rtol=1e-9
    )


def test_event_by_event_and_by_doubling_are_one():
    """A loop of no gain keeps the duty, and goes another way through the same events."""
    load = LoadProfile((3.3e-6, 3.8e-6, 21e-6, 21.1e-6), (200.0, 260.0, 260.0, 150.0))
    circuit = board(6, 11)
    doubled = load_step_waveform(circuit, load, 60e-6, duty=0.105)
    marched = load_step_waveform(circuit, load, 60e-6, duty=0.105, loop=VoltageLoop(0.0))
    time = np.linspace(0.0, 60e-6, 2001)
    for signal, index in (("load_voltage", None), ("phase_current", 3), ("input_voltage", None)):
        np.testing.assert_allclose(
            marched.sample(signal, time, index), doubled.sample(signal, time, index), rtol=1e-10, atol=1e-10
        )


def test_loop_keeps_a_steady_state_and_finds_the_next_one():
    circuit = board(6, 5)
    loop = VoltageLoop(2.0, 2e5, load_line=0.4e-3)
    still = load_step_waveform(circuit, LoadProfile((0.0,), (150.0,)), 50e-6, load_voltage=1.14, loop=loop)
    start, end = (still.extremes("load_voltage", start=a, end=a + 2.5e-6) for a in (0.0, 47.5e-6))
    assert end.high == pytest.approx(start.high, abs=1e-11) and end.low == pytest.approx(start.low, abs=1e-11)
    step = LoadProfile((5e-6, 5.2e-6), (150.0, 250.0))
    wave = load_step_waveform(circuit, step, 1.2e-3, load_voltage=1.14, loop=loop)
    last = {"start": wave.time[-1] - 2.5e-6, "end": wave.time[-1]}
    # The ripple's part of each phase's samples changes a little with the load; some microvolts of error unlike in each
    # phase become duties that share the current a little otherwise.
    assert wave.mean("load_voltage", **last) == pytest.approx(1.14 - 0.4e-3 * 100.0, abs=2e-5)
    settled = steady_waveform(circuit, 250.0, load_voltage=wave.mean("load_voltage", **last))
    assert wave.extremes("phase_current", 2, **last).high == pytest.approx(
        settled.extremes("phase_current", 2).high, rel=5e-3
    )


@pytest.mark.parametrize("load_banks", [(), REAL["load_banks"], (CapacitorBank(200e-6),)])
@pytest.mark.parametrize("path", [{}, {"path_inductance": 0.0}, {"path_resistance": 0.0, "path_inductance": 0.0}])
@pytest.mark.parametrize("output_banks", [REAL["output_banks"], (CapacitorBank(1e-3), CapacitorBank(1e-3))])
def test_every_way_of_meeting_at_a_node(load_banks, path, output_banks):
    """Inductances, resistances or capacitors alone at a node: currents add up, energy too."""
    circuit = board(3, 2, load_banks=load_banks, output_banks=output_banks, **path)
    wave = load_step_waveform(circuit, LoadProfile((1e-6, 2e-6), (90.0, 120.0)), 6e-6, duty=0.1)
    account = wave.energy_balance()
    assert abs(account.residual) < 1e-11 * account.supplied
    time = np.linspace(0.0, 6e-6, 301)
    into = wave.sample("total_current", time) - sum(wave.sample("output_bank_current", time, k) for k in range(2))
    taken = wave.sample("load_current", time) + sum(
        wave.sample("load_bank_current", time, k) for k in range(len(load_banks))
    )
    np.testing.assert_allclose(into, taken, rtol=1e-9, atol=1e-7)
    step = wave.sample("rail_voltage", time) - wave.sample("load_voltage", time)
    if not circuit.has_path:
        np.testing.assert_allclose(step, 0.0, atol=1e-12)
    elif circuit.path_inductance == 0.0:
        np.testing.assert_allclose(step, 0.15e-3 * wave.sample("path_current", time), rtol=1e-6, atol=1e-10)


def test_no_peak_is_missed_and_none_is_invented():
    """Ringing of small inductances right after the edges, looked for with tens of thousands of samples."""
    wave = steady_waveform(board(2, 9), 100.0, duty=0.1)
    time = np.concatenate([np.linspace(0.0, wave.time[-1], 20_001)]
                          + [edge + np.geomspace(1e-13, 2e-7, 3_000) for edge in wave.time[:-1]])  # fmt: skip
    for signal, index in (("rail_voltage", None), ("load_voltage", None), ("load_bank_current", 0), ("input_voltage", None),
                          ("phase_current", 1), ("output_bank_current", 1)):  # fmt: skip
        found = wave.extremes(signal, index)
        values = wave.sample(signal, time, index)
        slack = 2e-9 * found.swing
        assert found.low - slack <= values.min() and values.max() <= found.high + slack
        assert found.high - values.max() < 2e-3 * found.swing and values.min() - found.low < 2e-3 * found.swing
        before = wave.sample(signal, np.nextafter(found.high_time, 0.0), index)
        assert found.high == pytest.approx(max(before, wave.sample(signal, found.high_time, index)), abs=2e-6 * found.swing)


def test_integrals_agree_with_fine_sums():
    wave = steady_waveform(board(3, 1, dead=False), 120.0, duty=0.1)
    nodes, weights = np.polynomial.legendre.leggauss(40)
    # Each interval cut into pieces of growing length, since small inductances ring right after an edge.
    cuts = np.concatenate([[0.0], np.geomspace(1e-4, 1.0, 25)])
    total = {name: np.zeros(2) for name in ("rail_voltage", "input_capacitor_current", "source_current")}
    for begin, stop in zip(wave.time[:-1], wave.time[1:], strict=True):
        edges = begin + cuts * (stop - begin)
        half, middle = 0.5 * np.diff(edges), 0.5 * (edges[1:] + edges[:-1])
        time = middle[:, None] + half[:, None] * nodes
        for name, sums in total.items():
            values = wave.sample(name, time)
            sums += [(values * weights * half[:, None]).sum(), (values**2 * weights * half[:, None]).sum()]
    for name, (first, second) in total.items():
        assert wave.mean(name) == pytest.approx(first / wave.time[-1], rel=1e-9, abs=1e-9)
        assert wave.rms(name) == pytest.approx(np.sqrt(second / wave.time[-1]), rel=1e-9)
        ripple = np.sqrt(second / wave.time[-1] - (first / wave.time[-1]) ** 2)
        assert wave.ripple_rms(name) == pytest.approx(ripple, rel=1e-5)


def test_critical_damping_has_no_modes_but_an_answer():
    """Two equal roots: taken apart into modes it would be lost; the answer comes from the matrix itself."""
    # One phase and one capacitor in series with R: R = 2 sqrt(L / C) exactly, on the low side and the high side.
    phases = Phases(1, 1e-6, 2.0 * np.sqrt(1e-6 / 4e-4))
    circuit = Circuit(phases, 12.0, 400e3, (CapacitorBank(4e-4),))
    wave = steady_waveform(circuit, 5.0, duty=0.5)
    time = np.linspace(0.0, 2.5e-6, 41)
    close = dataclasses.replace(circuit, phases=Phases(1, 1e-6, 2.0 * np.sqrt(1e-6 / 4e-4) * (1 + 1e-5)))
    other = steady_waveform(close, 5.0, duty=0.5)
    np.testing.assert_allclose(
        wave.sample("phase_current", time), other.sample("phase_current", time), rtol=3e-5, atol=1e-5
    )
    found = wave.extremes("phase_current", 0)
    assert found.high == pytest.approx(wave.sample("phase_current", 1.25e-6), rel=1e-9)
    assert abs(wave.energy_balance().residual) < 1e-13 * wave.energy_balance().supplied


BAD = [
    (lambda: Phases(0, 1e-6), "phase_count = 0"),
    (lambda: Phases(3, (1e-6, 1e-6)), "len\\(inductance\\) = 2"),
    (lambda: Phases(3, 0.0), "inductance\\S* = 0"),
    (lambda: CapacitorBank(1e-3, -1.0), "capacitor_resistance = -1"),
    (lambda: CapacitorBank(float("nan")), "capacitance = nan"),
    (lambda: Circuit(Phases(1, 1e-6), 12.0, 4e5, ()), "output_banks"),
    (lambda: Circuit(Phases(1, 1e-6), 12.0, 4e5, (CapacitorBank(1.0),), source_inductance=1e-9), "input bank"),
    (lambda: Circuit(Phases(1, 1e-6), 12.0, 4e5, (CapacitorBank(1.0),), source_resistance=1e-3,
                     input_banks=(CapacitorBank(1e-3, 0.0, 1e-9),)), "parasitic_inductance"),
    (lambda: Circuit(Phases(1, 1e-6), 12.0, 4e5, (CapacitorBank(1.0),), input_banks=(CapacitorBank(1.0),)), "supply"),
    (lambda: LoadProfile((2.0, 1.0), (1.0, 1.0)), "time\\[1\\] = 1"),
    (lambda: LoadProfile((), ()), "len\\(time\\) = 0"),
    (lambda: VoltageLoop(-1.0), "proportional_gain = -1"),
    (lambda: VoltageLoop(1.0, delay_turns=0.5), "delay_turns = 0.5"),
    (lambda: steady_waveform(board(), 100.0), "duty"),
    (lambda: steady_waveform(board(), 100.0, duty=0.999), "dead times"),
    (lambda: steady_waveform(board(), 100.0, load_voltage=14.0), "voltage out of reach"),
    (lambda: steady_waveform(board(), 100.0, duty=0.1).sample("nonsense", 0.0), "nonsense"),
    (lambda: steady_waveform(board(), 100.0, duty=0.1).mean("phase_current"), "indices 0 to 5"),
    (lambda: steady_waveform(board(), 100.0, duty=0.1).mean("load_voltage", start=3e-6), "start"),
    (lambda: load_step_waveform(board(), LoadProfile((0.0,), (90.0,)), 1.0, duty=0.1), "too long"),
    (lambda: load_step_waveform(board(load_banks=()), LoadProfile((1e-6, 1e-6), (90.0, 99.0)), 1e-5, duty=0.1), "jump"),
]  # fmt: skip


@pytest.mark.parametrize("build, said", BAD)
def test_the_impossible_is_refused_with_value_and_mend(build, said):
    with pytest.raises(ValueError, match=said) as caught:
        build()
    assert str(caught.value).count(" - ") == 2
