"""Losses of the simulated regulator against published budgets, and what physics demands of them."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phasewright.live.virtual import electrical
from phasewright.live.virtual.electrical import PIECES
from phasewright.live.virtual.parts import Hidden, Layout, Parts, fitted_order

PLAIN = Hidden(
    resistance_curvature=0.0, overlap_per_current=0.0, gate_supply_resistance=0.0, recovery_per_current=0.0,
    saturation_softness=0.0, core_bend=0.0, ripple_resistance_ratio=0.0, branch_resistance=0.0, sharing_temperature=0.0)


def plain_parts(count=1, hidden=PLAIN, **changes):
    """Parts in which every second-order effect is off, so that single pieces can be held against a budget."""
    one = np.ones(count)
    base = Parts(
        phase_count=count, stages=1, frequency=300e3, set_voltage=1.2, load_line=0.0, high_side=0.0 * one,
        low_side=0.0 * one, inductor_resistance=0.0 * one, share=one, share_offset=0.0 * one,
        order=fitted_order(count), temperature_coefficient=0.0, edge_time=0.0, dead_time=0.0, diode_voltage=0.0,
        gate_charge=0.0, gate_voltage=5.0, output_charge=0.0, recovery_charge=0.0, quiescent_power=0.0,
        inductance=1.0, core_loss=0.0, input_capacitor_resistance=0.0, controller_power=0.0,
        stage_thermal_resistance=1.0, supply_voltage=12.0, path_resistance=1e-3, other_loads=0.0, hidden=hidden,
        layout=Layout())
    changes = {key: value * one if key in ("high_side", "low_side", "inductor_resistance") else value
               for key, value in changes.items()}
    return replace(base, **changes)


def budget(parts, current, input_voltage, rail_voltage, temperature=25.0, on=None):
    """Return {piece: loss [W]} at a current."""
    t = np.full(parts.phase_count, temperature)
    mask = electrical.active_mask(parts, on or parts.phase_count)
    made = electrical.losses(parts, mask, t, t, t, input_voltage, rail_voltage)
    return dict(zip(PIECES, made.pieces @ [1.0, current, current**2], strict=True))


def test_conduction_with_a_hot_factor_ls_01():
    """LM2743 data sheet, efficiency section (row LS-01): 4 A, 13 mOhm, factor 1.3, duty 0.364: 98.42 and 172 mW."""
    parts = plain_parts(high_side=13e-3, low_side=13e-3, temperature_coefficient=0.3 / 75.0)
    made = budget(parts, 4.0, 3.3, 0.364 * 3.3, temperature=100.0)
    assert made["high_side"] == pytest.approx(98.42e-3, abs=0.1e-3)
    assert made["low_side"] == pytest.approx(171.97e-3, abs=0.1e-3)


def test_overlap_ls_02():
    """Same data sheet (row LS-02): 3.3 V, 4 A, 15 + 16 ns, 300 kHz: 61.38 mW."""
    assert budget(plain_parts(edge_time=31e-9), 4.0, 3.3, 1.2)["overlap"] == pytest.approx(61.38e-3, rel=1e-9)


def test_gate_ls_03():
    """Same data sheet (row LS-03): two switches of 3 nC at 3.3 V and 300 kHz: 5.94 mW."""
    parts = plain_parts(gate_charge=6e-9, gate_voltage=3.3)
    assert budget(parts, 4.0, 3.3, 1.2)["gate"] == pytest.approx(5.94e-3, rel=1e-9)


def test_inductor_copper_ls_05_and_ls_10():
    """Rows LS-05 (4 A, 11 mOhm: 176 mW) and LS-10 (TPS40400 SLUS930B Eq. 40: 20.05 A, 1.2 mOhm: 0.482 W)."""
    assert budget(plain_parts(inductor_resistance=11e-3), 4.0, 3.3, 1.2)["inductor_copper"] == pytest.approx(0.176)
    made = budget(plain_parts(inductor_resistance=1.2e-3), 20.05, 12.0, 1.2)
    assert made["inductor_copper"] == pytest.approx(0.482, abs=1e-3)


def test_full_budget_ls_07():
    """ADP1872/ADP1873 Rev. B p. 29 (row LS-07): 12 V to 1.8 V at 15 A, 300 kHz; conduction, diode, DCR."""
    parts = plain_parts(high_side=5.4e-3, low_side=5.4e-3, dead_time=40e-9, diode_voltage=0.84,
                        inductor_resistance=3e-3)
    made = budget(parts, 15.0, 12.0, 1.8)
    # The source counts the dead time as conduction too: add the part that the model gives to the diode.
    assert made["high_side"] + made["low_side"] + 15.0**2 * 5.4e-3 * 40e-9 * 300e3 == pytest.approx(1.215, abs=1e-3)
    assert made["dead_time"] == pytest.approx(151.2e-3, rel=1e-6)
    assert made["inductor_copper"] == pytest.approx(0.675, rel=1e-9)


def test_small_budget_ls_08():
    """ADP2102 Rev. B p. 21 (row LS-08): 0.6 A, 310/145 mOhm, duty 0.5, 3.6 V, 5 + 5 ns, 3 MHz, 80 mOhm."""
    parts = plain_parts(high_side=0.310, low_side=0.145, edge_time=10e-9, frequency=3e6, inductor_resistance=0.08)
    made = budget(parts, 0.6, 3.6, 1.8)
    assert made["high_side"] + made["low_side"] == pytest.approx(81.9e-3, abs=0.1e-3)
    assert made["overlap"] == pytest.approx(32.4e-3, rel=1e-9)
    assert made["inductor_copper"] == pytest.approx(28.8e-3, rel=1e-9)


def test_dead_time_recovery_and_output_charge_ls_11_to_ls_13():
    """Rows LS-11 (192 mW), LS-12 (144 mW) and LS-13 (100.8 mW), after ROHM application note 64AN035E."""
    dead = plain_parts(dead_time=30e-9, diode_voltage=0.8, frequency=400e3)
    assert budget(dead, 20.0, 12.0, 1.2)["dead_time"] == pytest.approx(192e-3, rel=1e-9)
    recovery = plain_parts(recovery_charge=30e-9, frequency=400e3)
    assert budget(recovery, 5.0, 12.0, 1.2)["recovery"] == pytest.approx(144e-3, rel=1e-9)
    charge = plain_parts(output_charge=3.5e-9 * 12.0, frequency=400e3)
    assert budget(charge, 5.0, 12.0, 1.2)["output_charge"] == pytest.approx(100.8e-3, rel=1e-9)


def test_copper_over_temperature_ls_18():
    """Copper law (row LS-18): 0.8 mOhm at 25 degC is 1.0312 mOhm at 100 degC."""
    assert 0.8e-3 * electrical.copper_factor(100.0) == pytest.approx(1.0312e-3, abs=1e-7)
    made = budget(plain_parts(inductor_resistance=0.8e-3), 10.0, 12.0, 1.2, temperature=100.0)
    assert made["inductor_copper"] == pytest.approx(100.0 * 1.0312e-3, rel=1e-4)


def rich_parts(count, seed):
    """Parts with every effect on and phases that differ."""
    g = np.random.default_rng(seed)
    parts = plain_parts(
        count, Hidden(), high_side=3.5e-3, low_side=1e-3, inductor_resistance=0.25e-3, edge_time=11e-9, dead_time=15e-9,
        diode_voltage=0.75, gate_charge=40e-9, output_charge=25e-9, recovery_charge=12e-9, quiescent_power=0.04,
        inductance=150e-9, core_loss=0.4, frequency=500e3, temperature_coefficient=0.004,
        input_capacitor_resistance=1e-3)
    return replace(parts, share=1.0 + 0.03 * g.standard_normal(count), share_offset=0.3 * g.standard_normal(count),
                   high_side=parts.high_side * np.exp(0.05 * g.standard_normal(count)))


@settings(max_examples=40, deadline=None)
@given(st.integers(2, 14), st.integers(0, 1000), st.floats(20.0, 400.0), st.floats(20.0, 110.0))
def test_more_phases_conduct_with_less_loss(count, seed, current, temperature):
    parts = replace(rich_parts(count, seed), share=np.ones(count), share_offset=np.zeros(count),
                    high_side=np.full(count, 3.5e-3))
    conduction = ("high_side", "low_side", "inductor_copper", "branch")
    losses = [sum(budget(parts, current, 12.0, 1.2, temperature, on=n)[piece] for piece in conduction)
              for n in range(1, count + 1)]
    # The gate supply sags a little with each phase, and ripple conducts too: fixed shares.
    at_rest = [sum(budget(parts, 0.0, 12.0, 1.2, temperature, on=n)[piece] for piece in conduction)
               for n in range(1, count + 1)]
    drive = 1.0 + 0.4 * 40e-9 * 500e3 / 5.0 * 14
    carried = np.array(losses) - np.array(at_rest)
    assert np.all(carried[1:] < carried[:-1] * drive)
    assert carried[-1] < carried[0] * drive / count * 1.2


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 14), st.integers(0, 1000), st.floats(0.0, 400.0), st.data())
def test_shares_add_up_and_places_add_up_to_pieces(count, seed, current, data):
    parts = rich_parts(count, seed)
    on = data.draw(st.integers(1, count))
    g = np.random.default_rng(seed + 1)
    t = [g.uniform(20.0, 110.0, count) for _ in range(3)]
    mask = electrical.active_mask(parts, on)
    made = electrical.losses(parts, mask, *t, 11.9, 1.2)
    powers = np.array([1.0, current, current * current])
    assert mask.sum() == on
    assert made.share.sum() == pytest.approx(1.0, abs=1e-12)
    assert made.offset.sum() == pytest.approx(0.0, abs=1e-12)
    assert not made.share[mask == 0].any()
    places = powers @ (made.stage + made.inductor + made.copper)
    assert places.sum() == pytest.approx(float(powers @ made.total), rel=1e-12)
    assert (powers @ made.stage >= 0.0).all()


def test_hotter_phase_carries_less():
    parts = plain_parts(4, Hidden())
    share, _ = electrical.sharing(parts, np.ones(4), np.array([80.0, 60.0, 60.0, 60.0]))
    assert share[0] < share[1:].min()


def test_processor_over_a_load_line():
    """V = set - R*I with I = (activity (V/set)^2 + leakage)/V must hold at the returned voltage."""
    activity = np.linspace(0.0, 400.0, 9)
    voltage = electrical.processor_voltage(activity, 30.0, 1.2, 0.4e-3)
    current = (activity * (voltage / 1.2) ** 2 + 30.0) / voltage
    assert voltage == pytest.approx(1.2 - 0.4e-3 * current, rel=1e-12)


def test_input_current_takes_the_power_behind_the_resistance():
    load = np.array([0.0, 10.0, 350.0])
    drawn = electrical.input_current(load, 12.1, 4e-3)
    assert (12.1 - 4e-3 * drawn) * drawn == pytest.approx(load, abs=1e-9)


@pytest.mark.parametrize("count", range(1, 21))
def test_phases_are_switched_on_spread_over_the_row(count):
    order = fitted_order(count)
    assert sorted(order) == list(range(count))
    if count >= 6:
        first = np.sort(order[:3])
        assert np.diff(first).min() >= 2
