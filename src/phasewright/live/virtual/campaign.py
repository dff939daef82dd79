"""Makes a campaign folder from a scenario: runs the bench, lets the instruments read it, writes logs and both files."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from phasewright.live.virtual import electrical, instruments, parts, simulation, thermal, workload, writing
from phasewright.live.virtual.files import bench_text, campaign_text
from phasewright.live.virtual.instruments import Readings, VirtualInstrument
from phasewright.live.virtual.processor import dynamic_power
from phasewright.live.virtual.scenario import PlannedStep, Scenario
from phasewright.live.virtual.signals import Signals
from phasewright.live.virtual.simulation import Guards, Run, Stretch
from phasewright.live.virtual.truth import Truth, build_truth


@dataclass(frozen=True, slots=True, eq=False)
class Made:
    """A campaign in memory, before it is written."""

    run: Run
    signals: Signals
    readings: Mapping[str, Readings]
    """By log name."""
    truth: Truth


def make_campaign(folder: str | Path, scenario: Scenario, seed: int) -> Truth:
    """Write the campaign of `scenario` into `folder` and return the truth behind it.

    Writes ``bench.toml``, ``campaign.toml`` and ``logs/``; the truth is not written. The same scenario and `seed` give
    the same bytes. Raises FileExistsError when `folder` already holds a bench or campaign file.
    """
    made = run_scenario(scenario, seed)
    logs = empty_folder(folder)
    files = {item.log: _write(logs, item, made.readings[item.log]) for item in scenario.instruments}
    write_files(logs.parent, made.truth, files, seed)
    return made.truth


def empty_folder(folder: str | Path) -> Path:
    """Return the folder for the logs of a new campaign in `folder`; FileExistsError when one is there already."""
    folder = Path(folder)
    for name in ("bench.toml", "campaign.toml"):
        if (folder / name).exists():
            raise FileExistsError(f"{name} (folder = {folder.name}) is already there - a campaign is made in an empty "
                                  "folder - name another folder or remove the file")
    logs = folder / "logs"
    logs.mkdir(parents=True, exist_ok=True)
    return logs


def write_files(folder: Path, truth: Truth, files: Mapping[str, tuple[str, ...]], seed: int) -> None:
    """Write ``bench.toml`` and ``campaign.toml``; `files` names the log files of each log."""
    scenario = truth.scenario
    steps = _noted_steps(truth, np.random.default_rng([seed, 3]))
    (folder / "bench.toml").write_text(bench_text(scenario.bench, scenario.instruments), encoding="utf-8",
                                       newline="\n")
    (folder / "campaign.toml").write_text(campaign_text(scenario, files, steps), encoding="utf-8", newline="\n")


def run_scenario(scenario: Scenario, seed: int) -> Made:
    """Simulate `scenario` and let its instruments read it, without writing anything."""
    run, errors = run_physics(scenario, seed)
    signals = Signals(run)
    reading = np.random.default_rng([seed, 2])
    readings = {item.log: instruments.read(item, signals, reading, errors) for item in dated(scenario)}
    return Made(run, signals, readings, build_truth(scenario, run, signals, readings, errors))


def run_physics(scenario: Scenario, seed: int) -> tuple[Run, Mapping[str, float]]:
    """Simulate `scenario` without instruments; return the run and the normal quantile of every systematic error."""
    physics, load = (np.random.default_rng([seed, part]) for part in (0, 1))
    errors = drawn_quantiles(scenario, np.random.default_rng([seed, 4]))
    true = _true_bench(scenario, errors, physics)
    network = thermal.build_network(true, scenario.surroundings.liquid)
    start = _idle_temperature(scenario, true, network)
    plan = _plan(scenario, true, load)
    return simulation.simulate(true, scenario.surroundings, plan, start_temperature=start), errors


def drawn_quantiles(scenario: Scenario, generator: np.random.Generator) -> dict[str, float]:
    """Return the normal quantile of every systematic error, those of ``scenario.errors`` in place of drawn ones."""
    names = scenario.error_names
    drawn = {name: float(z) for name, z in zip(names, generator.standard_normal(len(names)), strict=True)}
    unknown = set(scenario.errors) - set(drawn)
    if unknown:
        raise ValueError(f"errors names no error of this scenario (errors = {sorted(unknown)}) - known are the "
                         f"instruments' channels, board and parts - use one of {sorted(drawn)}")
    return drawn | dict(scenario.errors)


def _true_bench(scenario: Scenario, errors: Mapping[str, float], generator: np.random.Generator) -> parts.Parts:
    """Return the true parts: what the bench file states with an uncertainty is off by it."""
    board = scenario.bench.board
    lot = {name.removeprefix("parts/"): z for name, z in errors.items() if name.startswith("parts/")}
    stated_other, stated_path = board.other_loads or 0.0, board.input_resistance or 1e-3
    whole_other = max(stated_other - (board.other_loads_u or 0.0) * errors["board/other_loads"], 0.0)
    path = max(stated_path - (board.input_resistance_u or 0.0) * errors["board/input_resistance"], 0.1e-3)
    # The other rails of the package are fed from the same input; what is left are fans, memory and the like.
    rest = whole_other - scenario.hidden.auxiliary_power / scenario.hidden.auxiliary_efficiency
    if rest < 0:
        whole_other -= rest
        rest = 0.0
    return parts.true_parts(scenario.bench, scenario.hidden, scenario.layout, lot, generator, other_loads=rest,
                            path_resistance=path)


def dated(scenario: Scenario) -> tuple[VirtualInstrument, ...]:
    """Return the instruments; absolute clocks get the date of lab time 0."""
    zero = scenario.lab_zero
    return tuple(replace(item, clock=replace(item.clock, offset=item.clock.offset + zero))
                 if item.dialect.absolute else item for item in scenario.instruments)


def _guards(scenario: Scenario, step: PlannedStep | None) -> Guards:
    p, processor = scenario.bench.regulator.protection, scenario.bench.processor
    phase, clamps, limit = p.phase_current, False, processor.power_limit
    if step is not None:
        phase = step.protection_phase_current or phase
        limit = step.power_limit or limit
        clamps = step.clamps
    return Guards(phase, p.total_current, clamps, p.temperature_warning, p.temperature_trip, limit,
                  processor.temperature_limit)


def _plan(scenario: Scenario, true: parts.Parts, generator: np.random.Generator):
    """Yield the stretches of the campaign; a trip is followed by a dark stretch and a restart."""
    idle_level = scenario.hidden.idle_power
    plain = _guards(scenario, None)
    last_count = true.phase_count

    def idle(seconds: int, count: int) -> Stretch:
        noise = workload.activity(seconds, workload.Fluctuation(0.0, 100.0, 0.06, 0.4, 0.3, 0.03), generator)
        return Stretch("", "idle", count, idle_level * noise, plain)

    yield idle(scenario.lead, last_count)
    if scenario.marker:
        high = 0.55 * dynamic_power(true, max(step.package_power for step in scenario.steps))
        pulses = idle_level + (high - idle_level) * workload.marker()
        yield Stretch("", "marker", last_count, pulses * workload.activity(len(pulses) // workload.BLOCK,
                                                                            workload.Fluctuation(), generator), plain)
        yield idle(scenario.gap, last_count)
    for number, step in enumerate(scenario.steps):
        if number:
            yield idle(scenario.gap, step.phase_count)
        full = dynamic_power(true, step.package_power)
        relative = workload.activity(int(step.dwell), scenario.fluctuation, generator)
        if scenario.period:
            low = idle_level / full
            relative = relative * (low + (1.0 - low) * workload.square(int(step.dwell), scenario.period))
        load = full * relative
        # Loads do not begin and end on the second.
        late, early = generator.integers(0, workload.BLOCK, 2)
        load[:late] = load[len(load) - early :] = idle_level
        piece = yield Stretch(step.name, "step", step.phase_count, load, _guards(scenario, step), step.fan_duty,
                              late=late * workload.GRID, early=early * workload.GRID)
        if piece.trip is not None:
            yield Stretch("", "off", step.phase_count, np.zeros(scenario.restart * workload.BLOCK), plain)
            yield idle(20, true.phase_count)
        last_count = step.phase_count
    yield idle(scenario.tail, last_count)


def _idle_temperature(scenario: Scenario, true: parts.Parts, network: thermal.Network) -> np.ndarray | None:
    if not scenario.warm_start:
        return None
    heat = np.zeros(len(network.capacity))
    power = scenario.hidden.idle_power + scenario.hidden.auxiliary_power + 4.0
    heat[network.nodes.die] = power
    heat[network.nodes.stage] = 0.35
    heat[network.nodes.inductor] = 0.4
    mask = electrical.active_mask(true, true.phase_count)
    heat[network.nodes.stage] *= mask
    room = scenario.surroundings.room
    return network.steady(heat, scenario.surroundings.duty_at(room + 3.0), room)


def _write(logs: Path, item: VirtualInstrument, readings: Readings) -> tuple[str, ...]:
    """Write the log of one instrument; a restart of an elapsed clock starts a second file."""
    suffix = writing.suffix(item.dialect)
    apart = item.clock.restart_at is not None and len(readings.segments) > 1
    spans = readings.segments if apart else ((0, len(readings.stamp)),)
    names = []
    for number, (first, last) in enumerate(spans, start=1):
        name = f"{item.log}-{number}.{suffix}" if apart else f"{item.log}.{suffix}"
        part = Readings(readings.stamp[first:last], readings.end[first:last],
                        {key: values[first:last] for key, values in readings.columns.items()}, ((0, last - first),))
        writing.write_log(logs / name, item.dialect, item.columns, [part])
        names.append(f"logs/{name}")
    return tuple(names)


def _noted_steps(truth: Truth, generator: np.random.Generator) -> list[tuple[PlannedStep, str, str, str]]:
    """Return (step, start, end, outcome) as the person at the bench noted them."""
    scenario = truth.scenario
    rows = []
    for step in scenario.steps:
        true = truth.step(step.name)
        seen = {"held": "ran", "clamped": "clamped", "tripped": "tripped"}[true.state]
        outcome = seen if scenario.tell_outcome else ""
        if scenario.step_source == "edges":
            rows.append((step, "", "", outcome))
            continue
        late = generator.normal(0.0, scenario.step_time_error, 2)
        if true.state == "tripped":
            # Seen and written down only when the fans had already stopped.
            late[1] += generator.uniform(4.0, 9.0)
        noted = [t + error for t, error in zip((true.start_lab, true.end_lab), late, strict=True)]
        rows.append((step, *(truth.noted(scenario.step_clock, t) for t in noted), outcome))
    return rows
