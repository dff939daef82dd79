"""A hand-made Analysis for the report's tests: invented board, invented parts, simple arithmetic, fixed seed."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from phasewright.bench import (
    Accuracy,
    Bench,
    Board,
    Campaign,
    CapacitorBank,
    ChannelSource,
    ColumnTerm,
    Connector,
    Cooling,
    CoolingPart,
    Cost,
    Inductor,
    Instrument,
    Limit,
    LogEntry,
    Processor,
    Protection,
    Regulator,
    Stage,
    Step,
)
from phasewright.findings import Analysis, Answer, Comparison, Margin, NotComputable, StepFinding
from phasewright.logs import (
    AlignedTrace,
    ClockMap,
    Fingerprint,
    ReadReport,
    Recording,
    Remark,
    Settling,
    StepSpan,
    Window,
)
from phasewright.quantity import Part, Value

DWELL = 420.0
LEAD = 180.0


@dataclass(frozen=True)
class Plan:
    """One step of the invented campaign."""

    name: str
    phases: int
    power: float
    verdict: str
    reasons: tuple[str, ...] = ()
    settings: dict = field(default_factory=dict)
    outcome: str = ""
    rise: float = 0.0


PLANS = (
    Plan("A 14 phases 200 W", 14, 200.0, "sustained", ("settled: 0.2 K remain", "nearest limit 47 K away")),
    Plan("B 8 phases 200 W", 8, 200.0, "sustained", ("settled: 0.3 K remain", "nearest limit 41 K away")),
    Plan("C 6 phases 200 W", 6, 200.0, "sustained", ("settled: 0.4 K remain", "nearest limit 37 K away")),
    Plan("D 14 phases 350 W", 14, 350.0, "sustained", ("settled: 0.3 K remain",)),
    Plan("E 10 phases 350 W", 10, 350.0, "sustained", ("settled: 0.5 K remain",)),
    Plan("F 8 phases 350 W", 8, 350.0, "marginal", ("margin to phase over-current 1.9 A, interval includes zero",)),
    Plan("G 6 phases 350 W", 6, 350.0, "unsettled", ("remaining drift 2.9 K above the bound of 1.0 K",), rise=4.0),
    Plan(
        "H 6 phases 390 W",
        6,
        390.0,
        "clamped",
        ("protection active for 61 % of the step",),
        {"protection_phase_current": 60.0},
        "clamped",
    ),
    Plan(
        "I 5 phases 390 W",
        5,
        390.0,
        "tripped",
        ("input power fell below 30 W at 3 920 s and stayed there",),
        {"protection_phase_current": 60.0},
        "tripped",
    ),
)


def value(number: float, unit: str, u: float, source: str, kind: str = "measured") -> Value:
    return Value(number, unit, u, number - 1.96 * u, number + 1.96 * u, kind, (Part(source, u),))


def make_bench(*, simulated: bool = True, name: str = "Trial board A on the open bench") -> Bench:
    stage = Stage(
        "stage S70",
        current_rating=70.0,
        peak_current_rating=90.0,
        temperature_limit=125.0,
        source="invented data sheet, table 3",
    )
    meter = Instrument(
        "meter",
        "two-channel input power meter",
        0.05,
        0.05,
        "end",
        {"input_power": Accuracy(0.005, 0.2, 0.01, "limit", "invented manual, page 4")},
    )
    host = Instrument(
        "host",
        "telemetry of the machine itself",
        1.0,
        1.0,
        "end",
        {
            "package_power": Accuracy(0.03, 1.0, 0.01, "standard"),
            "regulator_temperature": Accuracy(0.0, 1.0, 1.0, "limit"),
        },
    )
    return Bench(
        name=name,
        board=Board(
            "Trial board A",
            "invented",
            12.0,
            0.004,
            0.001,
            6.0,
            2.0,
            (Connector("EPS 1", 4, 9.0, "invented"), Connector("EPS 2", 4, 9.0, "invented")),
        ),
        regulator=Regulator(
            "core rail",
            14,
            1,
            500e3,
            1.2,
            0.0008,
            stage,
            Inductor("L150", 150e-9, 0.29e-3, 95.0, 60.0, 125.0, source="invented"),
            CapacitorBank(kind="polymer", capacitance=5e-3),
            CapacitorBank(),
            Protection(52.0, None, 105.0, 115.0, "set in firmware"),
            1.0,
            0.1,
        ),
        processor=Processor("Trial processor", "processor", 95.0, 400.0),
        cooling=Cooling(
            "liquid",
            (
                CoolingPart("pad", "pad", 1.1, False, "invented"),
                CoolingPart("cold plate", "block", 0.09, True, "invented"),
                CoolingPart("radiator", "radiator", 0.03, True, "invented"),
            ),
            ((30.0, 0.3), (45.0, 1.0)),
            55.0,
            "one loop for processor and regulator",
        ),
        instruments=(meter, host),
        simulated=simulated,
        notes="Everything here is invented.",
        file="bench.toml",
        fingerprint="b" * 64,
    )


def _levels(plan: Plan) -> dict[str, float]:
    current = plan.power / 1.2
    loss = 8.0 + 0.5 * plan.phases + 0.03 * current + 0.9e-3 * current**2 / plan.phases * 1.15 + 1.2e-4 * current**2
    coolant = 28.0 + 0.018 * plan.power
    rise = 1.1 * loss / plan.phases * 2.0 + 0.2 * loss
    return {
        "package_power": plan.power,
        "rail_current": current,
        "loss": loss,
        "input_power": plan.power + loss,
        "coolant_temperature": coolant,
        "regulator_temperature": coolant + rise,
        "regulator_rise": rise,
        "phase_current": current / plan.phases,
        "delivery_efficiency": plan.power / (plan.power + loss),
        "thermal_resistance": rise / loss,
    }


def _quantities(plan: Plan) -> dict[str, Value]:
    at = _levels(plan)
    if plan.verdict == "tripped":
        return {"phase_count": Value(plan.phases, "1", 0.0, plan.phases, plan.phases, "set")}
    kind = "extrapolated" if plan.verdict == "unsettled" else "measured"
    drift = plan.rise
    found = {
        "input_power": value(at["input_power"], "W", 0.0029 * at["input_power"], "meter/input_power/gain"),
        "package_power": value(at["package_power"], "W", 0.03 * plan.power + 1.0, "host/package_power/gain"),
        "loss": value(at["loss"], "W", 0.03 * plan.power + 1.2, "host/package_power/gain", "derived"),
        "delivery_efficiency": value(
            at["delivery_efficiency"], "1", 0.03 * at["delivery_efficiency"], "host/package_power/gain", "derived"
        ),
        "rail_current": value(at["rail_current"], "A", 0.02 * at["rail_current"], "host/rail_current/gain"),
        "phase_current": value(
            at["phase_current"], "A", 0.02 * at["phase_current"], "host/rail_current/gain", "derived"
        ),
        "phase_current_peak": value(
            1.12 * at["phase_current"], "A", 0.025 * at["phase_current"], "host/rail_current/gain", "derived"
        ),
        "coolant_temperature": value(at["coolant_temperature"], "degC", 0.3, "host/coolant_temperature/offset"),
        "regulator_temperature": value(
            at["regulator_temperature"] + drift, "degC", 0.6 + 0.2 * drift, "host/regulator_temperature/offset", kind
        ),
        "regulator_rise": value(at["regulator_rise"] + drift, "K", 0.7 + 0.2 * drift, "host/offset", "derived"),
        "thermal_resistance": value(at["thermal_resistance"], "K/W", 0.12, "host/package_power/gain", "derived"),
        "ambient_temperature": Value(22.0, "degC", None, None, None, "assumed", reason="no accuracy stated"),
        "phase_count": Value(plan.phases, "1", 0.0, plan.phases, plan.phases, "set"),
    }
    return found


def _margins(plan: Plan, quantities: dict[str, Value], bench: Bench) -> tuple[Margin, ...]:
    if plan.verdict == "tripped":
        return ()
    trip = bench.regulator.protection
    threshold = plan.settings.get("protection_phase_current", trip.phase_current)
    wanted = (
        (
            Limit(
                "over-temperature trip", "regulator_temperature", 115.0, "degC", "protection", "set in firmware", 1.0
            ),
            quantities["regulator_temperature"],
        ),
        (
            Limit("over-temperature warning", "regulator_temperature", 105.0, "degC", "protection", "set in firmware"),
            quantities["regulator_temperature"],
        ),
        (
            Limit("phase over-current", "phase_current", threshold, "A", "protection", "set in firmware", 0.5),
            quantities["phase_current_peak"],
        ),
        (
            Limit("stage rating", "phase_current", 70.0, "A", "rating", "invented data sheet, table 3"),
            quantities["phase_current"],
        ),
        (
            Limit("coolant limit", "coolant_temperature", 55.0, "degC", "rating", "invented"),
            quantities["coolant_temperature"],
        ),
    )
    out = []
    for limit, figure in wanted:
        u = float(np.hypot(limit.u or 0.0, figure.u or 0.0))
        unit = "K" if limit.unit == "degC" else limit.unit
        margin = Value(
            limit.value - figure.value,
            unit,
            u,
            limit.value - figure.value - 1.96 * u,
            limit.value - figure.value + 1.96 * u,
            "derived",
        )
        out.append(Margin(limit, figure, margin, margin.value / u, 0.99 if margin.value > 0 else 0.2))
    return tuple(sorted(out, key=lambda item: item.in_u))


def _trace(channel: str, unit: str, log: str, period: float, values: np.ndarray) -> AlignedTrace:
    end = period * np.arange(1, len(values) + 1)
    return AlignedTrace(channel, unit, log, log, end - period, end, values, period, 0.02, segments=((0, len(values)),))


def _traces(plans: tuple[Plan, ...]) -> dict[str, AlignedTrace]:
    generator = np.random.default_rng(20)
    total = LEAD + DWELL * len(plans)
    fast, slow = np.arange(0.0, total, 0.2), np.arange(0.0, total, 1.0)

    def levels(name: str, at: np.ndarray, idle: float, constant: float) -> np.ndarray:
        out = np.full(len(at), idle)
        now = idle
        for index, plan in enumerate(plans):
            inside = (at >= LEAD + index * DWELL) & (at < LEAD + (index + 1) * DWELL)
            t = at[inside] - LEAD - index * DWELL
            target = _levels(plan)[name]
            if plan.verdict == "tripped":
                goal = np.where(t < 140.0, target, idle)
            else:
                goal = np.full(len(t), target)
            if constant:
                period = t[1] - t[0]
                run = []
                for wish in goal:
                    now += (wish - now) * period / constant
                    run.append(now)
                out[inside] = run
            else:
                out[inside] = goal
        return out

    noise = generator.normal
    power = levels("input_power", fast, 38.0, 0.0) + noise(0.0, 2.5, len(fast))
    power[2000:2300] = np.nan
    package = levels("package_power", slow, 30.0, 0.0) + noise(0.0, 1.5, len(slow))
    hot = np.round(levels("regulator_temperature", slow, 31.0, 70.0) + noise(0.0, 0.2, len(slow)))
    cool = levels("coolant_temperature", slow, 28.0, 140.0) + noise(0.0, 0.05, len(slow))
    return {
        "input_power": _trace("input_power", "W", "meter", 0.2, power),
        "package_power": _trace("package_power", "W", "host", 1.0, package),
        "regulator_temperature": _trace("regulator_temperature", "degC", "host", 1.0, hot),
        "coolant_temperature": _trace("coolant_temperature", "degC", "host", 1.0, cool),
        "rail_current": _trace("rail_current", "A", "host", 1.0, package / 1.2),
    }


def _recording(plans: tuple[Plan, ...], log_file: str) -> Recording:
    clocks = (
        ClockMap("meter", 0, "meter", "reference", 0, 0.0, 0.0, 0.0, 0.0, averaging=0.2),
        ClockMap(
            "host",
            0,
            "meter",
            "aligned",
            0,
            -12.345,
            0.018,
            21.4,
            2.2,
            averaging=1.02,
            averaging_u=0.03,
            peak_ratio=0.42,
            pair=("input_power", "package_power"),
            overlap=3900.0,
        ),
    )
    report = ReadReport(
        Fingerprint(log_file, 812345, "a1" * 32),
        "utf-8",
        ";",
        ",",
        3,
        ("time", "U1", "I1"),
        ("s", "V", "A"),
        ("time",),
        "elapsed_s",
        19800,
        "0.0",
        "3959.8",
        (
            Remark("repair", "5 cells were empty and are treated as missing", line=2001, count=5),
            Remark("note", "header repeated", line=9001),
        ),
    )
    host = ReadReport(
        Fingerprint("logs/host.csv", 234567, "c3" * 32),
        "utf-8",
        ",",
        ".",
        1,
        ("time", "P"),
        ("", "W"),
        ("time",),
        "%H:%M:%S",
        3960,
        "10:00:00",
        "11:05:59",
        (),
    )
    return Recording(
        "meter",
        "2031-03-04T10:00:00Z",
        _traces(plans),
        clocks,
        (report, host),
        (Remark("note", "host log starts 12 s before the meter log"),),
    )


def _finding(index: int, plan: Plan, bench: Bench, baseline: bool) -> StepFinding:
    start = LEAD + index * DWELL
    end = start + DWELL
    settings = {
        "phase_count": float(plan.phases),
        "load": f"{plan.power:.0f} W",
        "package_power": plan.power,
        **plan.settings,
    }
    step = Step(plan.name, settings, f"{start} s", f"{end} s", baseline=baseline, outcome=plan.outcome)
    if plan.verdict == "tripped":
        window = Window(
            plan.name,
            start,
            start,
            False,
            (),
            ("too short",),
            False,
            ((start, end, "power was lost 140 s into the step"),),
        )
    else:
        settled = plan.verdict != "unsettled"
        settling = Settling(
            "regulator_temperature",
            0.001,
            0.0008,
            70.0,
            0.3 if settled else 2.9,
            1.0,
            settled,
            "slope below the bound" if settled else "slope above the bound",
        )
        window = Window(
            plan.name,
            start + 200.0,
            end - 5.0,
            settled,
            (settling,),
            ("longest settled stretch",),
            True,
            ((start, start + 200.0, "warming up"), (end - 5.0, end, "guard before the next edge")),
        )
    quantities = _quantities(plan)
    missing = (
        NotComputable(
            "conversion_efficiency", "rail voltage was not logged", "log rail_voltage or state regulator.rail_voltage"
        ),
    )
    return StepFinding(
        step,
        StepSpan(plan.name, start, end, "times"),
        window,
        quantities,
        {"phase_current_peak": 1.0},
        _margins(plan, quantities, bench),
        plan.verdict,
        plan.reasons,
        missing,
    )


def _comparison(finding: StepFinding, baseline: StepFinding) -> Comparison:
    differences, ratios = {}, {}
    for name in ("input_power", "loss", "delivery_efficiency", "regulator_temperature"):
        a, b = finding.quantities[name], baseline.quantities[name]
        unit = "K" if a.unit == "degC" else a.unit
        differences[name] = value(a.value - b.value, unit, 0.05 * abs(a.value - b.value) + 0.002, "shared", "derived")
        if unit != "K":
            ratios[name] = value(a.value / b.value, "1", 0.002, "shared", "derived")
    extra = differences["input_power"]
    energy = value(extra.value * 8 * 365 * 3600, "J", extra.u * 8 * 365 * 3600, "shared", "derived")
    money = value(energy.value / 3.6e6 * 0.3, "1", energy.u / 3.6e6 * 0.3, "shared", "derived")
    return Comparison(finding.step.name, baseline.step.name, differences, ratios, energy, money)


def _answers() -> tuple[Answer, ...]:
    return (
        Answer(
            "Which settings hold?",
            "5 of 9 settings are sustained; 10 phases are the fewest that hold at 350 W.",
            {"sustained": 5.0},
        ),
        Answer("How hot, and why?", "The regulator reaches 82.3 ± 2.7 °C at 6 phases and 350 W.", {}),
        Answer("What is wasted?", "Between 35 W and 67 W are lost between meter and package.", {}),
        Answer("What gives first?", "The phase over-current threshold, at 6 phases and 390 W.", {}),
        Answer("Can it be trusted?", "Clocks agree to 0.04 s; the loss carries the 3 % of the package power.", {}),
    )


def build(
    *,
    simulated: bool = True,
    plans: tuple[Plan, ...] = PLANS,
    bench: Bench | None = None,
    campaign_name: str = "How few phases are enough?",
    log_file: str = "logs/meter.csv",
    notes: tuple[str, ...] = ("doubt: package power was not compared with a better meter",),
) -> Analysis:
    """Return a whole Analysis of `plans` on the invented bench."""
    bench = bench or make_bench(simulated=simulated)
    findings = tuple(_finding(index, plan, bench, index == 3) for index, plan in enumerate(plans))
    baseline = next((item for item in findings if item.step.baseline), findings[0])
    compared = tuple(
        _comparison(item, baseline) for item in findings if item is not baseline and "loss" in item.quantities
    )
    logs = (
        LogEntry(
            "meter",
            (log_file,),
            "meter",
            (ChannelSource("input_power", (ColumnTerm(("U1", "I1")), ColumnTerm(("U2", "I2")))),),
        ),
        LogEntry("host", ("logs/host.csv",), "host", (ChannelSource("package_power", (ColumnTerm(("P",)),)),)),
    )
    campaign = Campaign(
        campaign_name,
        logs,
        tuple(item.step for item in findings),
        Cost(8.0, 365.0, 0.30, "EUR"),
        simulated=simulated,
        file="campaign.toml",
        fingerprint="d" * 64,
    )
    return Analysis(bench, campaign, _recording(plans, log_file), findings, compared, _answers(), notes)


@pytest.fixture(scope="session")
def analysis() -> Analysis:
    return build()


@pytest.fixture(scope="session")
def make():
    """Factory: make.analysis(...), make.bench(...), make.Plan, make.replace."""

    class Make:
        analysis = staticmethod(build)
        bench = staticmethod(make_bench)
        replace = staticmethod(replace)

    Make.Plan = Plan
    Make.plans = PLANS
    return Make
