"""What would buy margin: each change is tried on the bench or the state, and all limits are held against it again."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace

from phasewright.bench import Bench, BenchFault
from phasewright.limits.counts import gives_way
from phasewright.limits.distance import relative
from phasewright.limits.judging import margins_at
from phasewright.limits.records import Margin, State
from phasewright.quantity import Value, difference, value_from_parts

__all__ = ["Mend", "mends_of"]

COOLER = 5.0
"""[K]"""
MORE = 1.25
"""Factor by which a part or a bank is made better."""
HOT = ("regulator_temperature", "inductor_temperature", "board_temperature", "coolant_temperature")
BY_PHASE = ("phase_current", "stage_current")

Predict = Callable[[Mapping[str, float | str]], State]
"""From settings to the state that a model foresees."""


@dataclass(frozen=True, slots=True)
class Mend:
    """One change and what it buys at the limit that gives way."""

    name: str
    """The change in words, with its size."""
    before: Margin
    after: Margin
    """The same limit with the change."""
    bought: Value
    """After less before, in the limit's unit."""
    first_after: Margin
    """What gives first with the change."""
    note: str = ""
    """What is not counted."""

    @property
    def share(self) -> float:
        """Margin bought, as a share of the limit [1]."""
        return relative(self.after) - relative(self.before)


@dataclass(frozen=True, slots=True)
class _Change:
    name: str
    bench: Bench
    state: State
    note: str = ""


def mends_of(
    bench: Bench, state: State, *, target: Margin | None = None, predict: Predict | None = None, most: int = 4
) -> tuple[Mend, ...]:
    """Return the changes that buy most margin at `target` (None: at what gives first), the greatest in front.

    Each is tried for itself and every limit is worked out anew, so nothing here is a rule of thumb but the size of a
    change. `most` of them are returned; one that makes another limit give way stands behind those that do not.
    `predict` foresees the state of other settings (phases, coolant); without it what is measured is scaled as far as
    that is sure, and the note says what is not counted.
    """
    judged = margins_at(bench, state)
    if not judged.margins:
        return ()
    target = target or gives_way(judged.margins) or judged.margins[0]
    tried = []
    for change in _changes(bench, state, predict):
        try:
            same = [item for item in margins_at(change.bench, change.state, only=target.limit.name).margins
                    if _key(item) == _key(target)]  # fmt: skip
        except BenchFault:
            continue
        if same and same[0].margin.value - target.margin.value > 1e-9 * max(abs(target.limit.value), 1e-12):
            tried.append((same[0], change))
    tried.sort(key=lambda pair: -relative(pair[0]))
    weak = {_key(item) for item in judged.margins if _weak(item)}
    found = []
    for after, change in tried:
        if len(found) == most:
            break
        try:
            margins = margins_at(change.bench, change.state).margins
        except BenchFault:  # beyond an absolute maximum: no mend
            continue
        new = any(_weak(item) and _key(item) not in weak for item in margins)
        note = "; ".join(part for part in (change.note, "another limit gives way then" if new else "") if part)
        found.append((new, Mend(change.name, target, after, _bought(after, target), margins[0], note)))
    return tuple(mend for _, mend in sorted(found, key=lambda pair: pair[0]))


def _key(margin: Margin) -> tuple[str, str, bool]:
    return margin.limit.name, margin.limit.applies_to, margin.note.startswith("peak")


def _weak(margin: Margin) -> bool:
    return gives_way([margin]) is not None


def _bought(after: Margin, before: Margin) -> Value:
    if after.margin.u is None or before.margin.u is None:
        return Value(after.margin.value - before.margin.value, after.margin.unit, reason="uncertainty not known")
    return difference(after.margin, before.margin)


# ---- changes --------------------------------------------------------------------------------------------------------


def _changes(bench: Bench, state: State, predict: Predict | None) -> Iterator[_Change]:
    yield from _of_settings(bench, state, predict)
    yield from _of_protection(bench, state)
    yield from _of_parts(bench, state)


def _of_settings(bench: Bench, state: State, predict: Predict | None) -> Iterator[_Change]:
    known = state.quantities.get("phase_count")
    count = int(round(known.value if known else float(state.settings.get("phase_count", bench.regulator.phase_count))))
    for more in (1, 2):
        if count + more > bench.regulator.phase_count:
            break
        name = f"{more} more phase{'s' if more > 1 else ''} ({count + more} in all)"
        settings = {**state.settings, "phase_count": count + more}
        if predict is not None:
            yield _Change(name, bench, predict(settings))
        else:
            yield _Change(name, bench, _with_phases(state, settings, count, count + more),
                          "cooler stages not counted")  # fmt: skip
    coolant = state.quantities.get("coolant_temperature")
    if coolant is not None:
        name = f"coolant {COOLER:g} K cooler"
        if predict is not None:
            yield _Change(name, bench, predict({**state.settings, "coolant_temperature": coolant.value - COOLER}))
        else:
            yield _Change(name, bench, _cooler(state), "less loss at lower temperature not counted")


def _with_phases(state: State, settings: Mapping[str, float | str], before: int, after: int) -> State:
    quantities = dict(state.quantities)
    for name in [f"{base}{end}" for base in BY_PHASE for end in ("", "_peak", "_greatest")]:
        if name in quantities:
            quantities[name] = _scaled(quantities[name], before / after)
    if "phase_count" in quantities:
        quantities["phase_count"] = value_from_parts(after, "1", (), kind="set")
    return replace(state, settings=settings, quantities=quantities)


def _cooler(state: State) -> State:
    quantities = {
        name: _moved(value, -COOLER)
        if name.partition(".")[0].removesuffix("_settled").removesuffix("_peak") in HOT
        else value
        for name, value in state.quantities.items()
    }
    return replace(state, quantities=quantities)


def _moved(value: Value, by: float) -> Value:
    ends = [None if end is None else end + by for end in (value.low95, value.high95)]
    return replace(value, value=value.value + by, low95=ends[0], high95=ends[1])


def _scaled(value: Value, factor: float) -> Value:
    if value.u is None:
        return replace(value, value=value.value * factor)
    parts = [replace(part, contribution=part.contribution * factor) for part in value.parts]
    return value_from_parts(value.value * factor, value.unit, parts, kind=value.kind)


def _of_protection(bench: Bench, state: State) -> Iterator[_Change]:
    for key, what in (("phase_current", "of a phase"), ("total_current", "of the regulator")):
        threshold = state.settings.get(f"protection_{key}", getattr(bench.regulator.protection, key))
        if threshold is not None:
            raised = 1.1 * float(threshold)
            settings = {**state.settings, f"protection_{key}": raised}
            yield _Change(f"over-current threshold {what} raised to {raised:.3g} A", bench,
                          replace(state, settings=settings), "what it no longer guards is not counted")  # fmt: skip


def _of_parts(bench: Bench, state: State) -> Iterator[_Change]:
    for path, key, factor, words in (
        ("inductor", "inductance", MORE, "a quarter more inductance"),
        ("inductor", "inductance", 1.0 / MORE, "a fifth less inductance"),
        ("inductor", "saturation_current", MORE, "inductors that saturate a quarter later"),
        ("inductor", "current_rating", MORE, "inductors rated a quarter higher"),
        ("output_capacitors", "capacitance", MORE, "a quarter more output capacitance"),
        ("output_capacitors", "resistance", 1.0 / MORE, "a fifth less resistance in the output capacitors"),
        ("output_capacitors", "current_rating", MORE, "output capacitors rated a quarter higher"),
        ("output_capacitors", "life", 2.0, "output capacitors rated for twice the life"),
        ("input_capacitors", "current_rating", MORE, "input capacitors rated a quarter higher"),
        ("input_capacitors", "life", 2.0, "input capacitors rated for twice the life"),
        ("stage", "current_rating", MORE, "power stages rated a quarter higher"),
        ("", "switching_frequency", 1.2, "a fifth more switching frequency"),
        ("", "response_delay", 0.5, "control that answers in half the time"),
        ("", "drive_power_limit", MORE, "a drive supply that bears a quarter more"),
    ):
        holder = getattr(bench.regulator, path) if path else bench.regulator
        number = getattr(holder, key)
        if number is None or (key == "switching_frequency" and "switching_frequency" in state.settings):
            continue
        better = replace(holder, **{key: number * factor})
        regulator = replace(bench.regulator, **{path: better}) if path else better
        note = "more switching loss not counted" if key == "switching_frequency" else ""
        yield _Change(words, replace(bench, regulator=regulator), state, note)
    yield from _of_stage(bench, state)
    yield from _of_inputs(bench, state)


def _of_stage(bench: Bench, state: State) -> Iterator[_Change]:
    stage = bench.regulator.stage
    if stage.derating:
        better = replace(stage, derating=tuple((t, MORE * current) for t, current in stage.derating))
        regulator = replace(bench.regulator, stage=better)
        yield _Change("power stages whose derating curve lies a quarter higher", replace(bench, regulator=regulator),
                      state)  # fmt: skip
    rise = state.quantities.get("regulator_rise")
    if rise is not None:
        by = -0.2 * rise.value
        quantities = {name: _moved(value, by) if name.startswith("regulator_temperature") else value
                      for name, value in state.quantities.items()}  # fmt: skip
        yield _Change("a fifth less thermal resistance from stage to coolant", bench,
                      replace(state, quantities=quantities), "less loss at lower temperature not counted")  # fmt: skip


def _of_inputs(bench: Bench, state: State) -> Iterator[_Change]:
    board = bench.board
    if board.connectors:
        contacts = sum(item.contact_count for item in board.connectors)
        more = replace(board.connectors[-1], name=f"{board.connectors[-1].name} again")
        scale = contacts / (contacts + more.contact_count)
        quantities = {name: _scaled(value, scale) if name.startswith("contact_current") else value
                      for name, value in state.quantities.items()}  # fmt: skip
        yield _Change(f"one more connector of {more.contact_count} supply contacts",
                      replace(bench, board=replace(board, connectors=(*board.connectors, more))),
                      replace(state, quantities=quantities))  # fmt: skip
        if all(item.wire_gauge is not None and item.wire_gauge >= 6 for item in board.connectors):
            thicker = tuple(replace(item, wire_gauge=item.wire_gauge - 2) for item in board.connectors)
            yield _Change(f"wires of gauge {thicker[0].wire_gauge}",
                          replace(bench, board=replace(board, connectors=thicker)), state)  # fmt: skip
    if board.copper:
        thicker_copper = tuple(replace(item, layer_count=item.layer_count + 1) for item in board.copper)
        yield _Change("one more layer of board copper", replace(bench, board=replace(board, copper=thicker_copper)),
                      state)  # fmt: skip
