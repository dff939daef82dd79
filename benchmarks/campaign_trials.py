"""Trials on whole simulated campaigns: does every interval hold the truth, is any verdict wrong?

The virtual bench knows what really happened; the analysis sees its log files only. A systematic error (an
instrument's gain) acts on every step of a campaign alike, so the number of independent tries is the number of
campaigns: with 200 of them a true 95 % coverage shows as 92-98 % by chance alone. The systematic errors are therefore
drawn stratified across the campaigns (Latin hypercube), which takes that chance out without touching the method.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
import traceback
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from scipy.special import ndtri

from phasewright.app import jobs
from phasewright.live import make_campaign, random_scenario

WATCHED = ("input_power", "package_power", "loss", "delivery_efficiency")


@dataclass
class Trial:
    """What one campaign showed."""

    number: int
    held: dict[str, list[bool]] = field(default_factory=lambda: defaultdict(list))
    pull: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    offset_error: list[tuple[str, float, float]] = field(default_factory=list)
    """(what it was placed by, |error| s, slower period s)"""
    clocks: Counter = field(default_factory=Counter)
    wrong_verdicts: list[str] = field(default_factory=list)
    false_settled: list[str] = field(default_factory=list)
    as_known: int = 0
    """Steps whose verdict is the one that somebody who knew everything would give."""
    truly_settled: int = 0
    seen_settled: int = 0
    verdicts: Counter = field(default_factory=Counter)
    steps: int = 0
    seconds: float = 0.0
    failure: str = ""


def error_names(number: int, seed: int) -> list[str]:
    """Return the names of the systematic errors that campaign `number` draws."""
    return list(random_scenario(np.random.default_rng([seed, number])).error_names)


def stratified(count: int, seed: int) -> list[dict[str, float]]:
    """Return normal quantiles of every systematic error for `count` campaigns, stratified name by name."""
    names = [error_names(number, seed) for number in range(count)]
    generator = np.random.default_rng([seed, 99])
    draws: list[dict[str, float]] = [{} for _ in range(count)]
    for name in sorted({item for row in names for item in row}):
        having = [number for number in range(count) if name in names[number]]
        strata = (generator.permutation(len(having)) + generator.random(len(having))) / len(having)
        for number, share in zip(having, strata, strict=True):
            draws[number][name] = float(ndtri(share))
    return draws


def true_level(truth, name: str, channel: str, low: float, high: float) -> float:
    """Return the level of a power [W] that the setting would show in the long run, from its window [s].

    A step's figure is about the setting, and its interval counts that the load happened to wander up or down in the
    window (docs/decisions/0006). The simulated load wanders about a level that is known, so what it did to the true
    power within the window is taken out by regression, second by second.
    """
    from phasewright.live.virtual.campaign import dynamic_power
    from phasewright.live.virtual.workload import BLOCK

    piece = next(item for item in truth.signals.run.pieces if item.stretch.name == name)
    planned = next(item for item in truth.scenario.steps if item.name == name)
    level = dynamic_power(truth.signals.run.parts, planned.package_power)
    first = int(np.ceil(float(truth.to_lab(low)) - piece.start))
    last = int(np.floor(float(truth.to_lab(high)) - piece.start))
    mean = truth.mean(channel, low, high)
    if last - first < 10:
        return mean
    activity = piece.stretch.activity[first * BLOCK : last * BLOCK].reshape(-1, BLOCK).mean(axis=1) / level
    starts = piece.start + np.arange(first, last)
    power = truth.signals.get(channel).mean(starts, starts + 1.0)
    spread = activity - activity.mean()
    if float(spread @ spread) < 1e-12:
        return mean
    return mean - float(spread @ power) / float(spread @ spread) * (float(activity.mean()) - 1.0)


def true_value(truth, step: str, name: str, low: float, high: float) -> float:
    """Return the true long-run level of a watched quantity of a step, from its window [s]."""
    power = true_level(truth, step, "input_power", low, high)
    package = true_level(truth, step, "package_power", low, high)
    return {
        "input_power": power, "package_power": package, "loss": power - package, "delivery_efficiency": package / power,
    }[name]


def run_trial(task: tuple[int, int, dict[str, float]]) -> Trial:
    """Make campaign `number`, analyze it, and hold every statement against the truth."""
    number, seed, errors = task
    trial = Trial(number)
    scenario = replace(random_scenario(np.random.default_rng([seed, number])), errors=errors)
    with tempfile.TemporaryDirectory() as folder:
        try:
            truth = make_campaign(Path(folder), scenario, seed * 100_000 + number)
            started = time.perf_counter()
            analysis = jobs.analyze(folder)
            trial.seconds = time.perf_counter() - started
        except Exception:
            trial.failure = traceback.format_exc()
            return trial
    _judge_clocks(trial, analysis, truth)
    for step in analysis.steps:
        _judge_step(trial, step, truth)
    return trial


def _judge_clocks(trial: Trial, analysis, truth) -> None:
    periods = {item.name: item.period or float("nan") for item in analysis.bench.instruments}
    instrument = {entry.name: entry.instrument for entry in analysis.campaign.logs}
    for clock in analysis.recording.clocks:
        trial.clocks[clock.status] += 1
        if clock.status not in ("aligned", "assumed"):
            continue
        true = next((item for item in truth.clocks[clock.log] if item.segment == clock.segment), None)
        if true is None:
            trial.wrong_verdicts.append(f"clock {clock.log}/{clock.segment}: no such segment in truth")
            continue
        error = clock.offset - true.offset_at(clock.pivot, clock.zero_ns)
        # A log without any power can only be placed by how heat follows load: seconds, not milliseconds.
        kind = "by temperature" if "temperature" in clock.pair[1] else "by power"
        kind = kind if clock.status == "aligned" else clock.status
        if clock.offset_u:
            name = f"offset, {kind}"
            trial.held[name].append(abs(error) <= 1.96 * clock.offset_u)
            trial.pull[name].append(error / clock.offset_u)
        if clock.status == "aligned":
            trial.offset_error.append((kind, abs(error), periods[instrument[clock.log]]))
            if clock.drift_u:
                drift = clock.drift - true.drift
                trial.held[f"drift, {kind}"].append(abs(drift) <= 1.96 * clock.drift_u)
                trial.pull[f"drift, {kind}"].append(drift / clock.drift_u)


def _judge_step(trial: Trial, step, truth) -> None:
    true = truth.step(step.step.name)
    trial.steps += 1
    trial.verdicts[step.verdict] += 1
    label = f"campaign {trial.number}, {step.step.name}"
    trial.as_known += step.verdict == true.verdict
    if step.verdict not in true.verdicts:
        reasons = "; ".join(step.reasons)[:200]
        trial.wrong_verdicts.append(f"{label}: {step.verdict}, truth {sorted(true.verdicts)} - {reasons}")
    if true.settled and true.state != "tripped":
        trial.truly_settled += 1
        trial.seen_settled += step.window.settled
    # A step that tripped has no state to settle in: the truth of what remained is not a number, and is not judged.
    if step.window.settled and not true.settled and true.state != "tripped":
        left = {name: round(value, 2) for name, value in true.remaining.items()}
        trial.false_settled.append(f"{label}: still to come {left}")
    if not step.window.found:
        return
    if true.state != "tripped":
        _judge_extrapolated(trial, step, truth)
    for name in WATCHED:
        value = step.quantities.get(name)
        if value is None or value.low95 is None:
            continue
        truth_value = true_value(truth, step.step.name, name, step.window.start_s, step.window.end_s)
        trial.held[name].append(value.low95 <= truth_value <= value.high95)
        trial.pull[name].append((value.value - truth_value) / value.u)


def _judge_extrapolated(trial: Trial, step, truth) -> None:
    """Hold every extrapolated temperature against where the step really settles under the load of its window."""
    settles = truth.settled(step.step.name, step.window.start_s, step.window.end_s)
    for item in step.window.settling:
        value = step.quantities.get(f"{item.channel}_settled")
        if item.channel not in settles or value is None or value.low95 is None or not np.isfinite(settles[item.channel]):
            continue
        trial.held["extrapolated end"].append(value.low95 <= settles[item.channel] <= value.high95)
        trial.pull["extrapolated end"].append((value.value - settles[item.channel]) / value.u)


def to_line(trial: Trial) -> str:
    """Return a trial as one line of JSON."""
    return json.dumps(vars(trial), default=float)


def from_line(line: str) -> Trial:
    """Return the trial that `to_line` wrote."""
    kept = json.loads(line)
    kept["clocks"], kept["verdicts"] = Counter(kept["clocks"]), Counter(kept["verdicts"])
    kept["held"], kept["pull"] = defaultdict(list, kept["held"]), defaultdict(list, kept["pull"])
    kept["offset_error"] = [tuple(item) for item in kept["offset_error"]]
    return Trial(**kept)


def table(trials: list[Trial]) -> str:
    """Return the result of the trials as text."""
    done = [trial for trial in trials if not trial.failure]
    lines = [f"{len(trials)} campaigns, {sum(trial.steps for trial in done)} steps, {len(trials) - len(done)} failed, "
             f"analysis {np.median([trial.seconds for trial in done]):.2f} s median, "
             f"{max(trial.seconds for trial in done):.2f} s worst", ""]
    lines.append(f"{'95 % interval of':<24}{'holds the truth':>16}{'n':>7}{'pull mean':>11}{'pull sd':>9}")
    for name in sorted({name for trial in done for name in trial.held}):
        held = np.concatenate([trial.held[name] for trial in done if trial.held[name]])
        pull = np.concatenate([trial.pull[name] for trial in done if trial.pull[name]])
        lines.append(f"{name:<24}{100 * held.mean():>14.1f} %{held.size:>7}{pull.mean():>11.2f}{pull.std():>9.2f}")
    for kind in ("by power", "by temperature"):
        offsets = [item for trial in done for item in trial.offset_error if item[0] == kind]
        if not offsets:
            continue
        size = np.array([item[1] for item in offsets])
        share = np.array([item[1] / item[2] for item in offsets])
        lines += ["", f"offset error, clocks placed {kind}: median {1e3 * np.median(size):.1f} ms, 95 % below "
                      f"{1e3 * np.quantile(size, 0.95):.0f} ms = {np.quantile(share, 0.95):.3f} of the slower period, "
                      f"worst {1e3 * size.max():.0f} ms"]
    clocks = sum((trial.clocks for trial in done), Counter())
    verdicts = sum((trial.verdicts for trial in done), Counter())
    truly, seen = sum(t.truly_settled for t in done), sum(t.seen_settled for t in done)
    wrong = [line for trial in done for line in trial.wrong_verdicts]
    false = [line for trial in done for line in trial.false_settled]
    lines += [
        f"clocks    {dict(clocks)}", f"verdicts  {dict(verdicts)}",
        f"settled   {seen} of {truly} truly settled steps seen as settled, {len(false)} unsettled ones called settled",
        f"verdicts  {len(wrong)} wrong, {sum(t.as_known for t in done)} of {sum(t.steps for t in done)} as one who "
        "knew everything would say", *(f"  {line}" for line in wrong), *(f"  {line}" for line in false),
    ]
    lines += [f"campaign {trial.number} failed:\n{trial.failure}" for trial in trials if trial.failure]
    return "\n".join(lines)


def run(count: int, seed: int, workers: int, kept: Path | None, wanted: range) -> list[Trial]:
    """Run those of `count` campaigns whose number is in `wanted`; with a file, skip what it has and add the rest."""
    done = {}
    if kept is not None and kept.exists():
        done = {trial.number: trial for trial in map(from_line, kept.read_text(encoding="utf-8").splitlines())}
    errors = stratified(count, seed)
    tasks = [(number, seed, errors[number]) for number in wanted if number not in done and number < count]

    def note(trial: Trial) -> None:
        done[trial.number] = trial
        if kept is not None:
            with kept.open("a", encoding="utf-8") as file:
                file.write(to_line(trial) + "\n")

    if workers == 1:
        for task in tasks:
            note(run_trial(task))
    else:
        with ProcessPoolExecutor(workers) as pool:
            for trial in pool.map(run_trial, tasks):
                note(trial)
    return [done[number] for number in sorted(done)]


def main() -> int:
    """Print the table; exit 1 when a goal is missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--campaigns", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--keep", type=Path, help="file of finished campaigns, a JSON line each; not run again")
    parser.add_argument("--from", type=int, default=0, dest="first", help="number of the first campaign to run")
    parser.add_argument("--count", type=int, help="how many campaigns to run (the table is of all that are kept)")
    given = parser.parse_args()
    last = given.campaigns if given.count is None else given.first + given.count
    trials = run(given.campaigns, given.seed, given.workers, given.keep, range(given.first, last))
    print(table(trials))
    missed = any(trial.failure or trial.wrong_verdicts or trial.false_settled for trial in trials)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
