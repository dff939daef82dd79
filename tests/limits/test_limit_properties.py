"""What must hold of limits on any bench: nothing vanishes, margins move the way physics says, units scale."""

import importlib.util
import math
from dataclasses import fields, is_dataclass, replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from phasewright.bench import BenchFault, read_bench
from phasewright.limits import (
    RULES,
    State,
    fewest_phases,
    figures_at,
    gives_way,
    holds,
    margin_text,
    margins_at,
    mends_of,
)
from phasewright.limits.case import Case
from phasewright.limits.stated import CEILINGS
from phasewright.quantity import propagate

ROOT = Path(__file__).parents[2]


def key(margin):
    return margin.limit.name, margin.limit.applies_to, margin.note.startswith("peak")


def by_key(judged):
    return {key(item): item for item in judged.margins}


def without(record, path):
    """Return the bench without what it states at `path`, lists of tables without it in each block."""
    name, _, rest = path.partition(".")
    names = {item.name for item in fields(record)}
    name = {"connector": "connectors"}.get(name, name) if name not in names else name
    there = getattr(record, name)
    if rest:
        gone = tuple(without(item, rest) for item in there) if isinstance(there, tuple) else without(there, rest)
    else:
        gone = "" if isinstance(there, str) else () if isinstance(there, tuple) else None
    return replace(record, **{name: gone})


STATED = sorted({path for rule in RULES for path in (*rule.needs, *rule.asks)} | {item.path for item in CEILINGS})


@pytest.mark.parametrize("path", STATED)
def test_a_limit_never_disappears_because_something_is_missing(make, path):
    whole = margins_at(make.full(), make.settled())
    assert not whole.missing
    less = margins_at(without(make.full(), path), make.settled())
    before = {(item.limit.name, item.limit.applies_to) for item in whole.margins}
    after = {(item.limit.name, item.limit.applies_to) for item in less.margins}
    lost = {name for name, _ in before - after}
    assert lost, "the line was needed for something"
    said = " ".join(f"{item.name}: {item.why} - {item.mend}" for item in less.missing)
    assert path.rpartition(".")[2] in said, "the line to add is named"
    needing = {rule.name for rule in RULES if path in (*rule.needs, *rule.asks)}
    stated = {name for item in CEILINGS if item.path == path for name in (item.title, *item.names)}
    for name in lost:
        assert any(name.startswith(each) or name.endswith(each) for each in needing | stated), name
    untouched = by_key(whole)
    for item in less.margins:
        rule = next((rule for rule in RULES if item.limit.name.startswith(rule.name)), None)
        if rule is None:
            assert untouched[key(item)].margin == item.margin


@pytest.mark.parametrize("name", sorted({q for rule in RULES for q in rule.quantities if "settled" not in q}
                                        - {"switching_frequency", "rail_voltage", "capacitor_surroundings"}))  # fmt: skip
def test_a_channel_that_is_not_logged_is_named(make, name):
    state = make.settled()
    less = State({k: v for k, v in state.quantities.items() if k != name}, state.settings, "test", duration=600.0)
    judged = margins_at(make.full(), less)
    needing = {rule.name for rule in RULES if name in rule.quantities}
    for rule in needing:
        assert any(item.name.startswith(f"margin to {rule}") and name in item.mend for item in judged.missing), rule
    assert {m.limit.name for m in judged.margins}.isdisjoint(needing)


def test_a_bench_that_states_nothing_says_so_for_every_limit(make):
    judged = margins_at(make.bare(), make.settled())
    assert not [m for m in judged.margins if m.limit.name != "thermal runaway"]
    for rule in RULES:
        assert any(item.name.startswith(f"margin to {rule.name}") for item in judged.missing), rule.name
    for item in judged.missing:
        assert item.why and item.mend


def test_every_line_that_is_asked_for_can_be_added(make, tmp_path):
    """Every mend that names a line of bench.toml is a line that bench.toml takes."""
    import re

    judged = margins_at(make.bare(), State({}, {}))
    lines: dict[str, set[str]] = {}
    for item in judged.missing:
        for part in item.mend.split("; "):
            found = re.fullmatch(r"add (.+?) under (?:each )?(\[+[\w.]+\]+) in bench.toml", part)
            if found:
                lines.setdefault(found[2], set()).add(found[1])
    text = ['format = "phasewright-bench-1"', 'name = "b"', "[board]", 'name = "b"']
    order = ["[board]", "[[board.connector]]", "[[board.copper]]", "[regulator]"]
    for head in [*order, *sorted(set(lines) - set(order))]:
        if head != "[board]":
            text.append(head)
        text += ['name = "x"'] if head.startswith("[[") else []
        text += ["contact_count = 4"] if head == "[[board.connector]]" else []
        text += ['name = "r"', "phase_count = 8"] if head == "[regulator]" else []
        text += sorted(lines.get(head, ()))
    (tmp_path / "bench.toml").write_text("\n".join(text) + "\n", encoding="utf-8")
    bench = read_bench(tmp_path)
    again = margins_at(bench, make.settled(phases=8))
    named = {item.name for item in judged.missing}
    assert not {item.name for item in again.missing if "is not stated" in item.why} & named


# ---- physics says where margins go ----------------------------------------------------------------------------------

current = st.floats(40.0, 400.0)
phases = st.integers(2, 10)
examples = settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
FALLS_WITH_CURRENT = (
    "power stage rating", "power stage derating", "power stage absolute maximum with ripple",
    "inductor saturation with ripple", "inductor rating with ripple", "over-current protection of a phase with ripple",
    "over-current protection of a phase at a load step", "over-current protection of the regulator at a load step",
    "board copper: rail", "thermal runaway",
)  # fmt: skip


@examples
@given(current=current, count=phases, more=st.floats(1.05, 1.5))
def test_more_current_leaves_less_margin(make, current, count, more):
    bench = make.full()
    low, high = (by_key(margins_at(bench, make.settled(count, i))) for i in (current, more * current))
    for at, item in low.items():
        if item.limit.name in FALLS_WITH_CURRENT and item.limit.applies_to != "regulator_temperature":
            assert high[at].margin.value <= item.margin.value + 1e-9, at


@examples
@given(current=current, count=st.integers(2, 9))
def test_one_more_phase_never_leaves_the_phases_less_margin(make, current, count):
    bench = make.full()
    few, many = (by_key(margins_at(bench, make.settled(n, current))) for n in (count, count + 1))
    for at, item in few.items():
        if item.limit.applies_to in ("phase_current_crest", "stage_current_crest", "fullest_stage_current", "droop",
                                     "phase_current_rms", "overshoot", "loop_gain", "settling_time"):  # fmt: skip
            assert many[at].margin.value >= item.margin.value - 1e-9, at


@examples
@given(hot=st.floats(45.0, 120.0), more=st.floats(1.0, 25.0))
def test_hotter_never_lives_longer_and_never_bears_more(make, hot, more):
    bench = make.full()
    cool, warm = (by_key(margins_at(bench, make.settled(hot=t))) for t in (hot, hot + more))
    for at, item in cool.items():
        if item.limit.unit in ("degC", "s") or item.limit.name == "power stage derating":
            assert warm[at].margin.value <= item.margin.value + 1e-6 * abs(item.margin.value), at


@examples
@given(factor=st.floats(1.1, 3.0), current=current)
def test_more_capacitance_and_less_inductance_never_worsen_a_load_step(make, factor, current):
    bench, state = make.full(), make.settled(6, current)
    regulator = bench.regulator
    bank = replace(regulator.output_capacitors, capacitance=factor * regulator.output_capacitors.capacitance)
    coil = replace(regulator.inductor, inductance=regulator.inductor.inductance / factor)
    for better in (replace(regulator, output_capacitors=bank), replace(regulator, inductor=coil)):
        found = figures_at(replace(bench, regulator=better), state)
        for name in ("droop", "overshoot"):
            assert found[name].value <= figures_at(bench, state)[name].value + 1e-12


@examples
@given(scale=st.floats(0.2, 5.0))
def test_units_scale(make, scale):
    """Currents and all that bears currents scaled alike, impedances against them: every current margin scales."""
    bench, state = make.full(), make.settled()
    currents = {
        name: replace(value, value=value.value * scale, u=value.u * scale,
                      parts=tuple(replace(p, contribution=p.contribution * scale) for p in value.parts))
        for name, value in state.quantities.items() if value.unit == "A"
    }  # fmt: skip
    regulator = bench.regulator
    stage = replace(regulator.stage, peak_current_rating=120.0 * scale, current_rating=80.0 * scale,
                    high_side_resistance=3.6e-3 / scale, low_side_resistance=1e-3 / scale,
                    derating=tuple((t, i * scale) for t, i in regulator.stage.derating))  # fmt: skip
    coil = replace(regulator.inductor, inductance=150e-9 / scale, resistance=0.22e-3 / scale,
                   saturation_current=110.0 * scale, current_rating=82.0 * scale)  # fmt: skip
    other = replace(bench, regulator=replace(regulator, stage=stage, inductor=coil))
    before = by_key(margins_at(bench, state))
    after = by_key(margins_at(other, State({**state.quantities, **currents}, state.settings, "test", duration=600.0)))
    for at, item in before.items():
        if at[1] in ("stage_current_crest", "phase_current_rms", "fullest_stage_current") or at[0] == (
            "inductor saturation with ripple"
        ):
            assert after[at].margin.value == pytest.approx(item.margin.value * scale, rel=1e-9, abs=1e-9)
            assert after[at].margin.u == pytest.approx(item.margin.u * scale, rel=1e-6)


def test_margins_are_sorted_by_what_gives_first_and_know_what_decides(make):
    judged = margins_at(make.full(), make.settled())
    order = [item.in_u for item in judged.margins]
    assert order == sorted(order)
    assert {item.role for item in judged.margins} == {"decides", "advises"}
    decided = margins_at(make.full(), make.settled(), advise=False)
    assert {key(item) for item in decided.margins} == {key(m) for m in judged.margins if m.role == "decides"}
    only = margins_at(make.full(), make.settled(), only="tolerance band at a release")
    assert [m.limit.name for m in only.margins] == ["tolerance band at a release"]
    assert all(margin_text(item) for item in judged.margins)


def test_uncertainty_is_that_of_the_law_of_propagation(make):
    """Half the difference one standard uncertainty up and down against central differences close by (quantity room)."""
    case = Case(make.full(), make.settled())
    inputs = {"a": make.known(3.0, "A", 0.02, "x"), "b": make.known(5.0, "V", 0.01, "y"), "c": make.known(2.0, "A", 0.03, "x")}

    def smooth(a, b, c):
        return a * b**2 / c

    got, expected = case.derive(smooth, "W", inputs), propagate(smooth, inputs, "W")
    assert got.value == pytest.approx(expected.value)
    assert got.u == pytest.approx(expected.u, rel=1e-3)
    unknown = case.derive(smooth, "W", inputs | {"b": replace(inputs["b"], u=None, reason="not stated")})
    assert unknown.u is None and "not stated" in unknown.reason
    with pytest.raises(ValueError, match="no finite result"):
        case.derive(lambda a: a * math.inf, "W", {"a": inputs["a"]})


# ---- fewest phases and mends ----------------------------------------------------------------------------------------


def test_fewest_phases_over_all_limits(make):
    bench = make.full()
    found = {n: margins_at(bench, make.settled(n, 210.0, hot=40.0 + 900.0 / n**2)).margins for n in range(2, 11)}
    fewest = fewest_phases(found)
    assert fewest.phase_count is not None
    assert holds(found[fewest.phase_count])
    assert all(not fewest.holding[n] for n in found if n < fewest.phase_count)
    assert fewest.decides_at == fewest.phase_count - 1
    assert key(fewest.decides) == key(gives_way(found[fewest.decides_at]))
    assert fewest.decides.margin.low95 <= 0.0
    assert fewest_phases({}).phase_count is None
    none = fewest_phases({2: found[2]})
    assert none.phase_count is None and none.decides is not None and none.decides_at == 2


def test_mends_are_worked_out_not_recalled(make):
    bench, state = make.full(), make.settled(4, 300.0, hot=108.0)
    target = gives_way(margins_at(bench, state).margins)
    assert target is not None
    mends = mends_of(bench, state, target=target)
    assert mends
    clean = [item for item in mends if "another limit" not in item.note]
    assert [item.share for item in clean] == sorted((item.share for item in clean), reverse=True)
    for item in mends:
        assert key(item.before) == key(item.after) == key(target)
        assert item.bought.value == pytest.approx(item.after.margin.value - target.margin.value)
        assert item.bought.value > 0.0


def test_a_mend_is_what_the_changed_bench_gives(make):
    bench, state = make.full(), make.settled(3, 200.0)
    target = next(m for m in margins_at(bench, state).margins if m.limit.name == "tolerance band at a release")
    found = {item.name: item for item in mends_of(bench, state, target=target, most=20)}
    regulator = bench.regulator
    bank = replace(regulator.output_capacitors, capacitance=1.25 * regulator.output_capacitors.capacitance)
    changed = replace(bench, regulator=replace(regulator, output_capacitors=bank))
    expected = next(m for m in margins_at(changed, state).margins if m.limit.name == target.limit.name)
    assert found["a quarter more output capacitance"].after.margin.value == pytest.approx(expected.margin.value)
    assert not any("coolant" in name or "threshold" in name for name in found), "what buys nothing is no mend"


def test_a_mend_beyond_an_absolute_maximum_is_none(make):
    bench, state = make.full(), make.settled(4, 300.0)
    high = replace(bench, regulator=replace(bench.regulator, protection=replace(bench.regulator.protection,
                                                                                phase_current=118.0)))  # fmt: skip
    target = next(m for m in margins_at(high, state).margins if "protection of a phase with" in m.limit.name)
    assert not any("threshold of a phase" in item.name for item in mends_of(high, state, target=target, most=20))
    with pytest.raises(BenchFault):
        margins_at(high, replace(state, settings={**state.settings, "protection_phase_current": 130.0}))


# ---- the page -------------------------------------------------------------------------------------------------------


def test_reference_page_is_made_from_the_limits():
    spec = importlib.util.spec_from_file_location("make_limits", ROOT / "docs" / "make_limits.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    written = (ROOT / "docs" / "reference" / "limits.md").read_text(encoding="utf-8")
    assert written == module.page(), "run: python docs/make_limits.py"


def test_full_bench_states_every_line(make):
    bench = make.full()
    for path in STATED:
        assert is_dataclass(bench)
        gone = without(bench, path)
        assert gone != bench, path
