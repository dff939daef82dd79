"""The simulated heat path against direct solutions by general-purpose libraries, and against published arithmetic."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import solve

from phasewright.live import demo_scenario
from phasewright.live.virtual import simulation, steady, thermal, workload
from phasewright.live.virtual.parts import Hidden, Layout, true_parts
from phasewright.live.virtual.processor import dynamic_power
from phasewright.live.virtual.simulation import Guards, Keeper, State, Stretch, Surroundings


def make_parts(layout=Layout(), hidden=Hidden(), seed=1):  # noqa: B008
    return true_parts(demo_scenario().bench, hidden, layout, {}, np.random.default_rng(seed), other_loads=5.0,
                      path_resistance=2e-3)


AIR = Layout(plate_to_coolant=0.5, plate_fan=0.05, flow=20.0, coolant_capacity=25.0, recirculation=0.2, air_full=10.0)
CASES = [(True, Layout()), (False, AIR), (True, Layout(block_to_plate=2.0))]


@pytest.mark.parametrize(("liquid", "layout"), CASES)
@pytest.mark.parametrize("duty", [0.0, 0.42, 1.0])
def test_no_heat_is_lost_inside_the_network(liquid, layout, duty):
    """What leaves a node enters another or the room: the columns of G add up to the room's conductances."""
    network = thermal.build_network(make_parts(layout), liquid)
    g, b = network.matrices(duty)
    assert g.sum(axis=0) == pytest.approx(b, abs=1e-9)
    # At one temperature everywhere nothing flows.
    assert g.sum(axis=1) == pytest.approx(b, abs=1e-9)


@pytest.mark.parametrize(("liquid", "layout"), CASES)
def test_steady_state_is_the_linear_solution(liquid, layout):
    """Against scipy.linalg.solve; the step map must have the same fixed point."""
    network = thermal.build_network(make_parts(layout), liquid)
    heat = np.random.default_rng(2).uniform(0.0, 8.0, len(network.capacity))
    g, b = network.matrices(0.5)
    direct = solve(g, heat + b * 23.0)
    assert network.steady(heat, 0.5, 23.0) == pytest.approx(direct, abs=1e-9)
    a, into, room = network.step(0.5, 1.0)
    assert a @ direct + into @ heat + room * 23.0 == pytest.approx(direct, abs=1e-8)


@pytest.mark.parametrize(("liquid", "layout"), CASES)
def test_step_response_against_solve_ivp(liquid, layout):
    """Constant heat from a cold start, 240 s in steps of 1 s, against scipy.integrate.solve_ivp."""
    network = thermal.build_network(make_parts(layout), liquid)
    heat = np.random.default_rng(3).uniform(0.0, 8.0, len(network.capacity))
    g, b = network.matrices(0.7)
    start = np.full(len(heat), 22.0)

    def slope(_, t):
        return (heat + b * 22.0 - g @ t) / network.capacity

    found = solve_ivp(slope, (0.0, 240.0), start, method="LSODA", rtol=1e-9, atol=1e-9, t_eval=[5.0, 60.0, 240.0])
    a, into, room = network.step(0.7, 1.0)
    t, at = start, {}
    for second in range(1, 241):
        t = a @ t + into @ heat + room * 22.0
        at[second] = t
    for column, second in enumerate((5, 60, 240)):
        assert at[second] == pytest.approx(found.y[:, column], abs=1e-5)


def test_coolant_rise_th_13():
    """200 W into water of 30 degC at 1 L/min: 2.8835 K (row TH-13, properties of IAPWS-95 by CoolProp)."""
    rate = 995.649 * 4179.82 / 60_000.0
    layout = Layout(flow=rate, die_to_copper=1e12, copper_to_air=1e12)
    network = thermal.build_network(make_parts(layout), True)
    heat = np.zeros(len(network.capacity))
    heat[network.nodes.die] = 200.0
    t = network.steady(heat, 0.5, 25.0)
    block = network.nodes.names.index("block coolant")
    assert t[block] - t[network.nodes.coolant] == pytest.approx(2.8835, rel=1e-4)


def test_air_conductance_grows_with_the_fan():
    network = thermal.build_network(make_parts(AIR), False)
    heat = np.full(len(network.capacity), 2.0)
    hot = [network.steady(heat, duty, 23.0).max() for duty in (0.2, 0.5, 0.8, 1.0)]
    assert hot == sorted(hot, reverse=True)


def steady_load(parts, power, seconds, count=5, fan=0.6):
    return Stretch("held", "step", count, np.full(seconds * workload.BLOCK, dynamic_power(parts, power)), Guards(), fan)


QUIET = Surroundings(room=24.0, room_swing=0.0)


def run_held(parts, power, seconds, count=5):
    def plan():
        yield steady_load(parts, power, seconds, count)

    return simulation.simulate(parts, QUIET, plan())


def test_loss_and_temperature_together_against_solve_ivp():
    """The coupled run (1 s steps, heat at extrapolated temperatures) against a stiff solver on the same heat law."""
    parts = make_parts()
    run = run_held(parts, 260.0, 200)
    network, mask = run.network, simulation.electrical.active_mask(parts, 5)
    stretch = steady_load(parts, 260.0, 1)

    def heat_at(t):
        state = State(temperature=t, before=t, voltage=parts.set_voltage, supply=parts.supply_voltage)
        for _ in range(3):
            second = simulation.one_second(parts, network, mask, stretch, stretch.activity, parts.set_voltage,
                                           Keeper(0.6), state)
        return second.heat

    # The fan needs a few seconds to its fixed duty: start where it has arrived.
    first = int(np.argmax(np.isclose(run.fan, 0.6))) + 1
    g, b = network.matrices(0.6)
    found = solve_ivp(lambda _, t: (heat_at(t) + b * 24.0 - g @ t) / network.capacity, (first, 200.0),
                      run.temperatures[first], method="LSODA", rtol=1e-7, atol=1e-7)
    # 0.005 K: the lag of supply and rail voltage by one second, and heat held over one second.
    assert run.temperatures[200] == pytest.approx(found.y[:, -1], abs=5e-3)


def test_settled_state_is_where_a_long_run_ends():
    parts = make_parts()
    run = run_held(parts, 280.0, 2500, count=4)
    at, duty = steady.find_steady(parts, run.network, QUIET, steady_load(parts, 280.0, 1, 4), room=24.0)
    assert duty == pytest.approx(0.6)
    assert run.temperatures[-1] == pytest.approx(at, abs=2e-3)


def test_what_remains_is_what_a_longer_run_still_gains():
    parts = make_parts()
    long = run_held(parts, 280.0, 2500, count=4)
    piece = long.pieces[0]
    short = replace_end(long, 150)
    names, left = steady.settle(short, replace_piece(piece, 150), 60.0, 150.0)
    nodes = long.network.nodes
    gained = long.temperatures[-1, nodes.stage].max() - long.temperatures[150, nodes.stage].max()
    assert gained > 1.0
    # Five seconds at a time instead of one.
    assert left["regulator_temperature"] == pytest.approx(gained, rel=0.02)
    assert names["regulator_temperature"] == pytest.approx(long.temperatures[-1, nodes.stage].max(), abs=0.01)


def test_what_remains_counts_that_a_cold_step_leaks_less():
    """Loss and leakage at the settled state overstate the way there: a line through it was off by five times.

    A hot bench with much leakage, compared with the very same run going on.
    """
    parts = make_parts(hidden=Hidden(leakage=40.0, leakage_temperature=26.0))
    long = run_held(parts, 300.0, 2000, count=4)
    left = steady.settle(replace_end(long, 240), replace_piece(long.pieces[0], 240), 150.0, 240.0)[1]
    nodes = long.network.nodes
    for name, node in (("coolant_temperature", nodes.coolant), ("processor_temperature", nodes.die)):
        gained = long.temperatures[-1, node] - long.temperatures[240, node]
        assert left[name] == pytest.approx(gained, abs=0.02 + 0.02 * abs(gained))


def test_more_power_than_the_load_line_carries_is_refused():
    """P = V (V_set - V)/R has no solution above V_set^2/(4 R): 0.85 V over 0.5 mOhm carries 361 W, whatever flows."""
    parts = make_parts()
    parts = replace(parts, set_voltage=0.85, load_line=0.5e-3)
    with pytest.raises(ValueError, match="carries 361 W at most"):
        dynamic_power(parts, 362.0 + parts.hidden.auxiliary_power)


def replace_end(run, second):
    cut = simulation.Run(**{name: getattr(run, name) for name in run.__dataclass_fields__})
    cut.temperatures = run.temperatures[: second + 1]
    for name in ("fan", "protected", "heat"):
        setattr(cut, name, getattr(run, name)[:second])
    return cut


def replace_piece(piece, second):
    stretch = replace(piece.stretch, activity=piece.stretch.activity[: second * workload.BLOCK])
    return simulation.Piece(stretch, 0, second)


def test_thermal_runaway_is_found():
    """Row TH-07's rule, alpha*R*P0 >= 1 has no steady state: a pad of 60 K/W at 60 A a stage must run away."""
    parts = make_parts(Layout(pad_resistance=60.0, stage_to_copper=90.0))
    network = thermal.build_network(parts, True)
    at, _ = steady.find_steady(parts, network, QUIET, steady_load(parts, 300.0, 1, 4), room=24.0)
    assert np.isinf(at).all()
    run = run_held(parts, 300.0, 200, count=4)
    assert run.pieces[0].trip is not None
    assert run.pieces[0].trip.kind == "temperature_trip"
