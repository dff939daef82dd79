"""Trials of the model on virtual campaigns: do its predictions and their intervals hold what truly happens?

Every campaign is simulated with a bench, instruments and errors of its own, written as log files and analyzed; the model
sees nothing else. Results are kept line by line, so a run may be stopped and taken up again:

    python benchmarks/model_trials.py --count 300 --seconds 280 --keep trials.jsonl

Tried: train on the higher phase counts only and predict the lower ones; settled temperatures from steps of 60 s;
gains of +-3 % planted in package power or in rail current. `--only gain --clean` tries nothing but false alarms of the
gain check, in campaigns whose gains are right:

    python benchmarks/model_trials.py --only gain --clean --count 300 --keep clean.jsonl
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import tempfile
import time
import traceback
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np

from phasewright.app import jobs
from phasewright.bench import BenchFault, LogFault, NotReady
from phasewright.findings import Analysis, StepFinding
from phasewright.live import make_campaign, random_scenario
from phasewright.model import fit_model, gain_check, predict, settled_temperature

SEED = 61
PARTS = ("gain", "lower", "short")
ENOUGH = 40
"""Cases from which on a goal is judged."""
SHORT = 60.0
"""[s] Dwell of each step of a short campaign."""
PLANTED = (0.0, 0.03, -0.03)
CHANNELS = ("package_power", "rail_current")
DIVISOR = {"limit": math.sqrt(3.0), "standard": 1.0, "expanded": 2.0}


def planted_of(number: int) -> tuple[str, float]:
    """Return the channel and the gain error [1] that campaign `number` has."""
    return CHANNELS[number // len(PLANTED) % len(CHANNELS)], PLANTED[number % len(PLANTED)]


def scenario_of(number: int, seed: int, *, dwell: float | None = None, clean: bool = False):
    """Return the scenario of a campaign with its planted gain; `dwell` [s] for every step, None = as drawn.

    `clean`: nothing is planted, and both channels read right.
    """
    scenario = random_scenario(np.random.default_rng([seed, number]))
    channel, gain = planted_of(number)
    if clean:
        errors = {f"{item.name}/{name}/gain": 0.0 for item in scenario.instruments for name in CHANNELS
                  if name in item.accuracy}  # fmt: skip
        scenario, channel = replace(scenario, errors=errors), ""
    for item in scenario.instruments:
        stated = item.accuracy.get(channel)
        if stated is not None and stated.gain:
            spread = stated.gain / DIVISOR[stated.stated_as]
            scenario = replace(scenario, errors={f"{item.name}/{channel}/gain": gain / spread})
    if dwell is not None:
        scenario = replace(scenario, steps=tuple(replace(step, dwell=dwell) for step in scenario.steps))
    return scenario


def without(analysis: Analysis, names: set[str]) -> Analysis:
    """Return `analysis` as if the steps called `names` had not been logged, nor what follows each before the next."""
    spans = sorted((step.span.start_s, step.step.name) for step in analysis.steps)
    holes = [(start - 2.0, spans[k + 1][0] - 0.5 if k + 1 < len(spans) else math.inf)
             for k, (start, name) in enumerate(spans) if name in names]  # fmt: skip
    traces = {}
    for name, trace in analysis.recording.traces.items():
        value, middle = trace.value.copy(), trace.middle_s
        for start, end in holes:
            value[(middle > start) & (middle < end)] = math.nan
        traces[name] = replace(trace, value=value)
    kept = tuple(step for step in analysis.steps if step.step.name not in names)
    return replace(analysis, recording=replace(analysis.recording, traces=traces), steps=kept)


def lower_half(truth) -> set[str]:
    """Return the names of the steps with the lower phase counts; at least two counts are left to learn from."""
    counts = sorted({step.phase_count for step in truth.steps}, reverse=True)
    kept = counts[: max(2, (len(counts) + 1) // 2)]
    return {step.name for step in truth.steps if step.phase_count not in kept}


def measured(step: StepFinding) -> dict[str, float] | None:
    """Return the setting of a step with load and coolant as its instruments read them."""
    found = {name: float(step.step.settings[name]) for name in ("phase_count", "fan_duty") if name in step.step.settings}
    load = next((name for name in ("rail_current", "package_power") if name in step.quantities), None)
    cold = next((name for name in ("coolant_temperature", "ambient_temperature") if name in step.quantities), None)
    if load is None or cold is None:
        return None
    return found | {load: step.quantities[load].value, "coolant_temperature": step.quantities[cold].value}


def planned(step: StepFinding) -> dict[str, float]:
    """Return the setting of a step as it was planned, protections included."""
    return {name: float(value) for name, value in step.step.settings.items()
            if name in ("phase_count", "package_power", "power_limit", "fan_duty") or name.startswith("protection_")}  # fmt: skip


def try_lower(analysis: Analysis, truth) -> dict:
    """Train on the higher phase counts, predict the lower ones."""
    names, rows, verdicts, refused = lower_half(truth), [], [], 0
    fitted = fit_model(without(analysis, names))
    for step in analysis.steps:
        if step.step.name not in names:
            continue
        true = truth.step(step.step.name)
        try:
            verdicts.append((true.state, predict(fitted, planned(step)).verdict))
        except (NotReady, BenchFault):
            verdicts.append((true.state, "refused"))
        setting = measured(step)
        if true.state == "tripped" or not step.window.found or setting is None:
            continue
        window = step.window.start_s, step.window.end_s
        settled = truth.settled(step.step.name, *window)
        rise = settled["regulator_temperature"] - settled["coolant_temperature"]
        if not math.isfinite(rise):
            continue
        try:
            found = predict(fitted, setting, level=0.9)
        except NotReady:
            refused += 1
            continue
        hot = rise + truth.mean("coolant_temperature", *window)
        low, high = found.intervals["regulator_temperature"]
        loss, (least, most) = truth.figure("loss", step.step.name, *window), found.intervals["loss"]
        rows.append({
            "rise": rise, "error": found.quantities["regulator_temperature"].value - hot, "half": 0.5 * (high - low),
            "held": low <= hot <= high, "loss_error": found.quantities["loss"].value / loss - 1.0,
            "loss_held": least <= loss <= most,
            "fan": "fan_duty" in step.step.settings,
        })  # fmt: skip
    return {"rows": rows, "verdicts": verdicts, "refused": refused}


def try_gain(analysis: Analysis, number: int, *, clean: bool = False) -> list[dict]:
    """Hold the gain check against what was planted."""
    channel, planted = planted_of(number)
    if clean:
        planted = 0.0
    return [{"channel": item.channel, "planted": planted, "gain": item.gain.value, "u": item.gain.u,
             "applies": item.applies, "outcome": item.outcome}
            for item in gain_check(fit_model(analysis)) if clean or item.channel == channel]  # fmt: skip


def try_short(analysis: Analysis, truth) -> dict:
    """Settled temperatures from a campaign whose steps are all short."""
    rows, refused = [], 0
    try:
        fitted = fit_model(analysis)
    except NotReady:
        # Steps of one length may leave the clock of a log ambiguous: nothing is claimed then.
        return {"rows": [], "refused": len(analysis.steps)}
    for step in analysis.steps:
        true = truth.step(step.step.name)
        if true.state == "tripped" or not math.isfinite(true.settled_temperature):
            continue
        try:
            found = settled_temperature(fitted, analysis, step.step.name)
        except NotReady:
            refused += 1
            continue
        shown = true.settled_temperature + sensor_error(truth)
        rows.append({
            "to_go": true.settled_temperature - true.end_temperature, "fan": "fan_duty" in step.step.settings,
            "rise": true.settled_temperature - true.settled_coolant,
            "error": found.temperature.value - true.settled_temperature,
            "reading_error": found.reading.value - shown,
            "rise_error": found.rise.value - (true.settled_temperature - true.settled_coolant),
            "held": found.temperature.low95 <= true.settled_temperature <= found.temperature.high95,
            "reading_held": found.reading.low95 <= shown <= found.reading.high95,
        })  # fmt: skip
    return {"rows": rows, "refused": refused}


def sensor_error(truth) -> float:
    """Return by how much the regulator's sensor reads high [K]."""
    for item in truth.scenario.instruments:
        stated = item.accuracy.get("regulator_temperature")
        if stated is not None:
            drawn = truth.errors.get(f"{item.name}/regulator_temperature/offset", 0.0)
            return drawn * stated.offset / DIVISOR[stated.stated_as]
    return 0.0


def run_trial(number: int, seed: int, *, parts: Iterable[str] = PARTS, clean: bool = False) -> dict:
    """Return what one campaign showed of `parts`."""
    found: dict = {"number": number, "seed": seed}
    started = time.perf_counter()
    try:
        if {"gain", "lower"} & set(parts):
            analysis, truth = analyzed(number, seed, None, clean)
            begun = time.perf_counter()
            if "gain" in parts:
                found["gain"] = try_gain(analysis, number, clean=clean)
                found["fit_s"] = time.perf_counter() - begun
            if "lower" in parts:
                found["lower"] = try_lower(analysis, truth)
        if "short" in parts:
            try:
                found["short"] = try_short(*analyzed(number, seed, SHORT, clean))
            except LogFault as error:
                # Steps of one length repeat themselves: a clock that they leave ambiguous is said and not guessed.
                if not all("ambiguous" in fault.what for fault in error.faults):
                    raise
                found["short"] = {"rows": [], "refused": len(scenario_of(number, seed).steps)}
    except Exception:
        found["failure"] = traceback.format_exc()
    found["seconds"] = time.perf_counter() - started
    return found


def analyzed(number: int, seed: int, dwell: float | None, clean: bool):
    """Return the analysis of a campaign and its truth."""
    with tempfile.TemporaryDirectory() as folder:
        campaign = Path(folder) / "campaign"
        truth = make_campaign(campaign, scenario_of(number, seed, dwell=dwell, clean=clean), seed * 100_000 + number)
        return jobs.analyze(campaign), truth


def table(results: Iterable[dict]) -> str:
    """Return the outcome of all trials as text."""
    results = list(results)
    good = [item for item in results if "failure" not in item]
    lines = [f"{len(good)} campaigns, {len(results) - len(good)} failed"]
    for part, told in (("lower", lower_table), ("short", short_table), ("gain", gain_table)):
        own = [item for item in good if part in item]
        lines += ["", *told(own)] if own else []
    lines += [f"failed: {item['number']}: {item['failure'].splitlines()[-1]}" for item in results if "failure" in item]
    return "\n".join(lines)


def lower_table(good: list[dict]) -> list[str]:
    """Return what was predicted of the lower phase counts, line by line."""
    lower = [row for item in good for row in item["lower"]["rows"]]
    lines = [f"{'higher phase counts measured, lower ones predicted':<60}{'goal':>14}{'found':>12}"]
    usual = [row for row in lower if not row["fan"]]
    for label, rows in (("", lower), (", cooling as measured", usual)):
        error = np.abs([row["error"] for row in rows])
        lines += [
            _line(f"temperature error, median [K], {len(rows)} predictions{label}", "< 3", _at(error, 0.5)),
            _line(f"temperature error, 95 % [K]{label}", "< 8", _at(error, 0.95)),
            _line(f"90 % intervals that hold the truth{label}", "86-94 %", _share(row["held"] for row in rows)),
        ]
    hot = np.abs([row["error"] for row in usual if row["rise"] > 30.0])
    lines += [
        _line(f"error where the rise is above 30 K, 95 % [K], {len(hot)} predictions", "", _at(hot, 0.95)),
        _line("greatest rise [K]", "to 80", _at([row["rise"] for row in lower], 1.0)),
        _line("half-width of the 90 % interval, median [K]", "", _at([row["half"] for row in lower], 0.5)),
        _line("loss error, median", "", _at([100.0 * abs(row["loss_error"]) for row in lower], 0.5) + " %"),
        _line("90 % intervals of the loss that hold the truth", "", _share(row["loss_held"] for row in lower)),
        _line("refused", "", str(sum(item["lower"]["refused"] for item in good))),
    ]
    said = [tuple(pair) for item in good for pair in item["lower"]["verdicts"]]
    ended = [pair for pair in said if pair[0] in ("tripped", "clamped")]
    wrong = [pair for pair in ended if pair[1] == "sustained"]
    lines += [
        _line(f"'sustained' of {len(said)} verdicts where truth trips or clamps", "< 1 %",
              f"{100 * len(wrong) / max(len(said), 1):.2f} %"),
        _line(f"'sustained' among the {len(ended)} that truly trip or clamp", "", _share(p in wrong for p in ended)),
        _line("'sustained' among those that truly hold", "",
              _share(pair[1] == "sustained" for pair in said if pair[0] == "held")),
    ]  # fmt: skip
    return lines


def short_table(good: list[dict]) -> list[str]:
    """Return where steps of a minute were said to settle, line by line."""
    short = [row for item in good for row in item["short"]["rows"]]
    lines = [f"steps of {SHORT:.0f} s"]
    for label, rows in (("", short), (", cooling as before", [row for row in short if not row["fan"]]),
                        (", fans slowed", [row for row in short if row["fan"]])):
        lines += [
            _line(f"settled reading within 3 K{label}, {len(rows)} steps", "90 %",
                  _share(abs(row["reading_error"]) < 3.0 for row in rows)),
            _line(f"settled temperature (sensor's error included) within 3 K{label}", "",
                  _share(abs(row["error"]) < 3.0 for row in rows)),
            _line(f"95 % intervals that hold the reading{label}", "", _share(row["reading_held"] for row in rows)),
        ]  # fmt: skip
    lines += [_line("steps refused", "", str(sum(item["short"]["refused"] for item in good)))]
    lines += [_line("still to go at the end of a step, median [K]", "", _at([row["to_go"] for row in short], 0.5))]
    return lines


def gain_table(good: list[dict]) -> list[str]:
    """Return what was said of gains, line by line."""
    checks = [row for item in good for row in item["gain"]]
    lines = ["planted gains"]
    for channel in (*CHANNELS, "either"):
        own = [row for row in checks if channel in (row["channel"], "either")]
        applied = [row for row in own if row["applies"]]
        off = [row for row in applied if row["planted"]]
        right = [row["outcome"] == ("reads high" if row["planted"] > 0 else "reads low") for row in off]
        alarms = [row["outcome"] in ("reads high", "reads low") for row in applied if not row["planted"]]
        words = channel.replace("_", " ")
        lines += [
            _line(f"{words}: check applies", "", f"{len(applied)} of {len(own)}"),
            _line(f"{words}: +-3 % flagged with the right sign, {len(off)} planted", "95 %", _share(right)),
            _line(f"{words}: false alarms, {len(alarms)} without error", "<= 5 %", _share(alarms)),
        ]
    lines.append(_line("fit [s], median and greatest", "< 1", _at([g["fit_s"] for g in good], 0.5) + " "
                       + _at([g["fit_s"] for g in good], 1.0)))  # fmt: skip
    return lines


def missed(results: Iterable[dict]) -> list[str]:
    """Return the goals that are not met, of those that enough cases speak of."""
    good = [item for item in results if "failure" not in item]
    lower = [row for item in good if "lower" in item for row in item["lower"]["rows"]]
    said = [pair for item in good if "lower" in item for pair in item["lower"]["verdicts"]]
    short = [row for item in good if "short" in item for row in item["short"]["rows"]]
    checks = [row for item in good for row in item.get("gain", ()) if row["applies"]]
    off = [row["outcome"] == ("reads high" if row["planted"] > 0 else "reads low") for row in checks if row["planted"]]
    alarms = [row["outcome"] in ("reads high", "reads low") for row in checks if not row["planted"]]
    error = np.abs([row["error"] for row in lower])
    wrong = [pair[0] in ("tripped", "clamped") and pair[1] == "sustained" for pair in said]
    goals = (
        ("median error below 3 K", error, lambda own: np.median(own) < 3.0),
        ("95 % of errors below 8 K", error, lambda own: np.quantile(own, 0.95) < 8.0),
        ("90 % intervals hold 86 to 94 %", [row["held"] for row in lower], lambda own: 0.86 <= np.mean(own) <= 0.94),
        ("'sustained' wrong in at most 1 %", wrong, lambda own: np.mean(own) <= 0.01),
        ("settled reading within 3 K in 90 %", [abs(row["reading_error"]) < 3.0 for row in short],
         lambda own: np.mean(own) >= 0.9),
        ("planted gains flagged in 95 %", off, lambda own: np.mean(own) >= 0.95),
        ("at most 5 % false alarms", alarms, lambda own: np.mean(own) <= 0.05),
    )  # fmt: skip
    return [name for name, own, met in goals if len(own) >= ENOUGH and not met(np.asarray(own, dtype=float))]


def _line(what: str, goal: str, found: str) -> str:
    return f"  {what:<76}{goal:>9}{found:>12}"


def _at(values: Iterable[float], share: float) -> str:
    values = np.asarray(list(values), dtype=float)
    return f"{np.quantile(values, share):.2f}" if values.size else "-"


def _share(flags: Iterable[bool]) -> str:
    flags = list(flags)
    return f"{100.0 * sum(flags) / len(flags):.1f} %" if flags else "-"


def main() -> None:
    """Run what is still to be run, then print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--first", type=int, default=0, help="number of the first campaign")
    parser.add_argument("--count", type=int, default=300, help="number of the campaign past the last")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--seconds", type=float, default=math.inf, help="stop after so many seconds")
    parser.add_argument("--keep", type=Path, default=Path("model_trials.jsonl"))
    parser.add_argument("--only", choices=PARTS, action="append", help="nothing but this part; may be repeated")
    parser.add_argument("--clean", action="store_true", help="plant no gain, and check both channels")
    given = parser.parse_args()
    results = []
    if given.keep.exists():
        results = [json.loads(line) for line in given.keep.read_text(encoding="utf-8").splitlines() if line]
    known = {item["number"] for item in results if item["seed"] == given.seed}
    begun = time.perf_counter()
    with open(given.keep, "a", encoding="utf-8") as stream:
        for number in range(given.first, given.count):
            if number in known:
                continue
            if time.perf_counter() - begun > given.seconds:
                break
            results.append(run_trial(number, given.seed, parts=given.only or PARTS, clean=given.clean))
            stream.write(json.dumps(results[-1], default=_plain) + "\n")
            stream.flush()
    print(table(results))
    off = missed(results)
    if off:
        print("goals missed: " + "; ".join(off))
    sys.exit(1 if off or any("failure" in item for item in results) else 0)


def _plain(thing):
    """Return a numpy scalar as what JSON knows."""
    return thing.item()


if __name__ == "__main__":
    main()
