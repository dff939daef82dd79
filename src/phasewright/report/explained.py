"""What the model adds to the chapters on heat and on limits: measured against predicted, parameters, runaway."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from phasewright.findings import StepFinding
from phasewright.model import Prediction, gain_check
from phasewright.quantity import Value
from phasewright.report.curves import Curve, Dot, Panel, Ruler, draw_panels
from phasewright.report.document import Block, Column, Figure, Fold, Formula, Heading, Method, Paragraph, Table
from phasewright.report.escaping import clean
from phasewright.report.methods import TITLE
from phasewright.report.outlook import Case, Outlook
from phasewright.report.palette import DASHES
from phasewright.report.parameters import basis_table, board_parameters, instrument_table, parameter_table
from phasewright.report.parts import sentence
from phasewright.report.phases import HOLDS, mark_style, state_of
from phasewright.report.series import phase_count
from phasewright.report.tables import PHASES, STEP, VERDICT
from phasewright.report.wording import THIN, axis_title, number_text, plain

RISE = "regulator_rise"
MOST_DRAWN = 3
READING = (
    "Line and band: the model, 95 % interval. Mark and bar: measured, 95 % interval; filled where the setting held."
)


def curve_of(case: Case, name: str, label: str = "", factor: float = 1.0) -> Curve:
    """Return what the model says of one quantity at one load, against phase count."""
    known = [(count, as_read(item, name)) for count, item in case.found if name in item.quantities]
    return Curve(
        label or case.label,
        case.series.ink,
        case.series.dash,
        tuple(float(count) for count, _ in known),
        tuple(_finite(value.value, factor) for _, value in known),
        tuple(_finite(value.low95, factor) for _, value in known),
        tuple(_finite(value.high95, factor) for _, value in known),
    )


def as_read(prediction: Prediction, name: str) -> Value:
    """Return a predicted quantity as this bench's instruments would read it, to be held against what they read.

    The model knows by how much the thermometers of regulator and coolant read apart; a rise that is freed of that cannot be
    compared with one that is not.
    """
    quantities = prediction.quantities
    reading = quantities.get("regulator_reading")
    if reading is None or name not in (RISE, "regulator_temperature"):
        return quantities[name]
    if name != RISE:
        return reading
    cold = quantities["coolant_temperature"].value
    low, high = (None if end is None else end - cold for end in (reading.low95, reading.high95))
    return replace(reading, value=reading.value - cold, unit="K", low95=low, high95=high)


def _finite(number: float | None, factor: float = 1.0) -> float:
    return number * factor if number is not None and math.isfinite(number) else math.nan


def drawn_cases(outlook: Outlook) -> list[Case]:
    """Return the loads that get a line: those tried at several phase counts, the heaviest where they are many."""
    known = [case for case in outlook.cases if case.found]
    several = [case for case in known if len({phase_count(f) for f in case.series.findings}) > 1]
    return (several or known)[-MOST_DRAWN:]


def dots_of(case: Case, name: str, places: Mapping[str, float], less: Mapping[str, float] | None = None) -> list[Dot]:
    """Return the measured values of one load as marks; `less` is taken off each, step by step."""
    found = []
    for finding in case.series.findings:
        value, at = finding.quantities.get(name), places.get(finding.step.name)
        if value is None or at is None or (less is not None and finding.step.name not in less):
            continue
        off = 0.0 if less is None else less[finding.step.name]
        low = None if value.low95 is None else value.low95 - off
        high = None if value.high95 is None else value.high95 - off
        style = mark_style(case.series, state_of(finding, value)) | {"markersize": 6.0}
        found.append(Dot(at, value.value - off, low, high, case.series.ink, style))
    return found


def _places(case: Case) -> dict[str, float]:
    """Return where each step of a load stands on the axis; repeats stand beside each other."""
    seen: dict[float, int] = {}
    found = {}
    for finding in case.series.findings:
        count = phase_count(finding)
        if count is not None:
            found[finding.step.name] = count + 0.18 * seen.get(count, 0)
            seen[count] = seen.get(count, 0) + 1
    return found


# ---- measured against predicted -----------------------------------------------------------------------------------


def compared(outlook: Outlook) -> list[tuple[StepFinding, Value, Value]]:
    """Return (step, measured rise, predicted rise) of every step that has both."""
    return [
        (finding, finding.quantities[RISE], as_read(prediction, RISE))
        for finding, prediction in outlook.steps
        if RISE in finding.quantities and math.isfinite(prediction.quantities[RISE].value)
    ]


def compared_title(outlook: Outlook) -> str:
    """Return how far measured rises lie from the model's."""
    found = [item for item in compared(outlook) if item[0].verdict in HOLDS] or compared(outlook)
    if not found:
        return "No measured rise can be held against the model"
    worst = max(found, key=lambda item: abs(item[1].value - item[2].value))
    meet = sum(_meet(measured, said) for _, measured, said in found)
    return (
        f"{meet} of {len(found)} settled rises agree with the model; the largest difference is "
        f"{plain(abs(worst[1].value - worst[2].value), 1)}{THIN}K ({clean(worst[0].step.name)})"
    )


def _meet(first: Value, second: Value) -> bool:
    """Tell whether two values agree: their difference is no larger than its 95 % interval."""
    if first.u is None or second.u is None:
        return True
    return abs(first.value - second.value) <= 1.96 * math.hypot(first.u, second.u)


def _compared_panels(outlook: Outlook) -> tuple[Panel, ...]:
    cases = drawn_cases(outlook)
    said = {finding.step.name: value for finding, _, value in compared(outlook)}
    counts = tuple(sorted({float(count) for case in cases for count, _ in case.found}))
    dots = {case.label: dots_of(case, RISE, _places(case)) for case in cases}
    reach = max((dot.high or dot.y for found in dots.values() for dot in found), default=10.0)
    above = []
    below = []
    for case in cases:
        above.append(
            Panel(
                f"{axis_title(RISE, 'K')}   ({case.label})",
                (curve_of(case, RISE),),
                tuple(dots[case.label]),
                from_zero=True,
                tall=230.0,
                span=(0.0, 1.45 * reach),
                labels=False,
                columns=counts,
            )
        )
        less = {name: value.value for name, value in said.items()}
        below.append(
            Panel(
                "Measured less predicted / K",
                (_around_zero(case, said),),
                tuple(dots_of(case, RISE, _places(case), less)),
                (Ruler(0.0, "", "line"),),
                tall=110.0,
                span=None,
                labels=False,
                columns=counts,
            )
        )
    wide = max((abs(end) for panel in below for end in _extent(panel)), default=1.0)
    below = [_with_span(panel, 1.15 * wide) for panel in below]
    return (*above, *below)


def _extent(panel: Panel) -> list[float]:
    found = [end for dot in panel.dots for end in (dot.y, dot.low, dot.high) if end is not None]
    return found + [end for curve in panel.curves for end in (*curve.low, *curve.high) if math.isfinite(end)]


def _with_span(panel: Panel, reach: float) -> Panel:
    return replace(panel, span=(-reach, reach))


def _around_zero(case: Case, said: Mapping[str, Value]) -> Curve:
    """Return the model's own interval around what it says of each measured step."""
    rows = sorted(
        {
            phase_count(f): said[f.step.name]
            for f in case.series.findings
            if f.step.name in said and phase_count(f) is not None
        }.items()
    )
    return Curve(
        case.label,
        case.series.ink,
        DASHES[0],
        tuple(float(count) for count, _ in rows),
        tuple(0.0 for _ in rows),
        tuple(_finite(value.low95) - value.value for _, value in rows),
        tuple(_finite(value.high95) - value.value for _, value in rows),
    )


def _compared_table(outlook: Outlook) -> Table:
    predictions = {finding.step.name: prediction for finding, prediction in outlook.steps}
    shown = (("regulator_temperature", "degC"), (RISE, "K"), ("loss", "W"))
    columns: list[Column] = [STEP, PHASES]
    for name, unit in shown:
        title = axis_title(name, "1")
        columns.append(Column(f"{name}_measured", f"{title}, measured", unit, "value"))
        columns.append(Column(f"{name}_predicted", "predicted", unit, "value"))
    rows = []
    for finding, _ in outlook.steps:
        said: Prediction = predictions[finding.step.name]
        cells = []
        for name, _ in shown:
            cells += [finding.quantities.get(name), _known(as_read(said, name))]
        rows.append((finding.step.name, phase_count(finding), *cells, finding.verdict))
    return Table(
        "measured-against-predicted",
        "Measured against predicted",
        (*columns, VERDICT),
        tuple(rows),
        "Predicted for the load and the coolant as measured in the step. Temperatures as this bench's sensors "
        "would read them: by how much they read apart stands with the instruments below. A measured loss carries the error "
        "of the package power, the predicted one is freed of what the data show of it.",
    )


def _known(value: Value) -> Value | None:
    return value if math.isfinite(value.value) else None


def explained_blocks(outlook: Outlook) -> list[Block]:
    """Return what the model adds to the chapter on heat."""
    fitted = outlook.fitted
    blocks: list[Block] = [Heading("Measured against predicted", 3, "predicted")]
    if compared(outlook):
        counts = len(drawn_cases(outlook))
        blocks.append(
            Figure(
                "predicted",
                compared_title(outlook),
                "Rise of the hottest stage over the coolant as read, K, against phase count, a column a load; below, measured "
                f"less predicted. n = {len(compared(outlook))} steps, one run each; bars and bands: 95 % intervals",
                "; ".join(
                    f"{clean(finding.step.name)}: measured {number_text(measured)}, predicted {number_text(said)}"
                    for finding, measured, said in compared(outlook)
                )
                + ".",
                lambda layout: draw_panels(_compared_panels(outlook), layout, counts),
                _compared_table(outlook),
                f"{READING} The model was fitted to these steps, so agreement is a check of its form and no proof; "
                "phase counts without a mark were not measured at that load.",
            )
        )
    blocks.append(
        parameter_table(
            fitted,
            "parameters",
            "What the data say of the board",
            board_parameters(fitted),
            "Decided by data: the data narrow the first belief to less than half. By the prior: part data alone speak, "
            "and a better data sheet or another step would help. Intervals are of 95 %.",
        )
    )
    blocks += [Paragraph(sentence(item.sentence)) for item in gain_check(fitted) if item.outcome != "not decided"]
    blocks.append(
        Fold("The instruments, and where the first beliefs come from", (instrument_table(fitted), basis_table(fitted)))
    )
    blocks.append(model_method(outlook))
    return blocks


def model_method(outlook: Outlook) -> Method:
    """Return the model's formulas and how it was fitted."""
    return Method(
        TITLE,
        (
            Formula(
                "loss = c0 + a n + b I + r I²/n × (1 + α (T − 25)) + r_path I²",
                "n: phases; I: rail current; T: hottest stage in °C; c0: controller; a: gate, output charge, core; "
                "b: overlap and dead time; r: stage and inductor; r_path: output copper",
                "loss terms of a synchronous buck converter",
            ),
            Formula(
                "T − T_coolant = R_stage × loss of the phases/n + R_plate × loss + R_couple × P_package",
                "settled; each path has a time constant of its own while it warms",
                "thermal resistances in series and in parallel",
            ),
            Paragraph(
                "Loss and temperature are solved together. Every parameter starts from what part data say, with an "
                "honest spread; the record, transients included, then moves and narrows it by regularised least "
                "squares. Gains and offsets of the instruments are parameters as well. Intervals follow from the "
                "covariance of all parameters (JCGM 100:2008, 5.1.2)."
            ),
        ),
    )


# ---- distance to runaway ------------------------------------------------------------------------------------------


def runaway_title(outlook: Outlook) -> str:
    """Return which measured setting is nearest to thermal runaway, and how near."""
    known = [
        (finding, prediction)
        for finding, prediction in outlook.steps
        if math.isfinite(prediction.quantities["loop_gain"].value)
    ]
    if not known:
        return "How far heat is from running away cannot be said"
    finding, prediction = max(known, key=lambda pair: pair[1].quantities["loop_gain"].value)
    quantities = prediction.quantities
    times = quantities["runaway_current"].value / quantities["rail_current"].value
    return f"Heat would run away at {plain(times, 1)} times the rail current of {clean(finding.step.name)}, the nearest step"


def runaway_blocks(outlook: Outlook) -> list[Block]:
    """Return the distance to thermal runaway, for the chapter on limits."""
    cases = drawn_cases(outlook)
    if not cases or not outlook.steps:
        return []
    table = Table(
        "runaway",
        "Distance to thermal runaway",
        (
            STEP,
            PHASES,
            Column("loop_gain", "K more for each K", "1", "value"),
            Column("rail_current", "Rail current", "A", "value"),
            Column("runaway_current", "Heat runs away at", "A", "value"),
        ),
        tuple(
            (
                finding.step.name,
                phase_count(finding),
                *(_known(prediction.quantities[name]) for name in ("loop_gain", "rail_current", "runaway_current")),
            )
            for finding, prediction in outlook.steps
        ),
        "Predicted, settled, at the coolant as measured.",
    )
    return [
        Heading("Distance to thermal runaway", 3, "away"),
        Figure(
            "runaway",
            runaway_title(outlook),
            "Left: what one kelvin more brings through the loss that it adds, K for each K, logarithmic. "
            "Right: rail current, A. Both against phase count; bands: 95 % intervals",
            "Loop gain of heat: "
            + "; ".join(
                f"{clean(finding.step.name)}: {number_text(prediction.quantities['loop_gain'])}"
                for finding, prediction in outlook.steps
            )
            + ". Heat runs away at 1.",
            lambda layout: draw_panels(_runaway_panels(cases), layout, 2),
            table,
            "Lines and bands: the model. Marks: rail current as measured. No limit of any part acts here: protections "
            "and ratings come before.",
        ),
    ]


def _runaway_panels(cases: Sequence[Case]) -> tuple[Panel, ...]:
    heaviest = cases[-1]
    away = curve_of(heaviest, "runaway_current", "heat runs away")
    dots = tuple(dot for case in cases for dot in dots_of(case, "rail_current", _places(case)))
    return (
        Panel(
            "Heat that heat brings / (K/K)",
            tuple(curve_of(case, "loop_gain") for case in cases),
            (),
            (Ruler(1.0, "heat runs away"),),
            log=True,
        ),
        Panel(
            "Rail current / A",
            (Curve(away.label, "limit", DASHES[1], away.x, away.y, away.low, away.high),),
            dots,
            from_zero=True,
        ),
    )
