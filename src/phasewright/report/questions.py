"""The chapters from the bench to what gives first, one question each."""

from __future__ import annotations

from collections.abc import Callable

from phasewright.bench import Bench
from phasewright.findings import Analysis, StepFinding
from phasewright.report import headlines as say
from phasewright.report import methods
from phasewright.report.bench_drawing import bench_description, chosen_step, draw_bench
from phasewright.report.document import Block, Column, Figure, Fold, Heading, Paragraph, Section, StepCard, Table
from phasewright.report.escaping import clean, paragraphs
from phasewright.report.limit_blocks import limit_blocks
from phasewright.report.margins import draw_margins, drawn_table
from phasewright.report.parts import answer_blocks, caution_blocks, sentence, subtitle
from phasewright.report.phases import draw_phases, reading_note
from phasewright.report.series import load_labels, nearest, phase_count
from phasewright.report.stated import bench_tables
from phasewright.report.tables import LOAD, MAIN, PHASES, STEP, VERDICT, limits_table, margin_table, present, step_table
from phasewright.report.verdicts import draw_verdicts
from phasewright.report.wording import clock_text, in_words, number_text, quantity_title, setting_text


def bench_figure(analysis: Analysis, finding: StepFinding | None = None) -> Figure:
    """Return the bench drawn, with the numbers of `finding` (default: the fewest phases that held)."""
    finding = finding or chosen_step(analysis)
    title = "Power path and heat path"
    if finding is not None and {"input_power", "package_power"} <= set(finding.quantities):
        title = (
            f"Of {number_text(finding.quantities['input_power'])} at the meter, "
            f"{number_text(finding.quantities['package_power'])} reach the package"
        )
    names = present(analysis, (*MAIN, "ambient_temperature", "contact_current"))
    drawn = Table(
        "bench-drawing",
        "The numbers on the drawing",
        (
            STEP,
            *(
                Column(
                    n,
                    quantity_title(n),
                    finding.quantities[n].unit if finding and n in finding.quantities else "1",
                    "value",
                )
                for n in names
            ),
        ),
        ((finding.step.name, *(finding.quantities.get(n) for n in names)),) if finding else (),
    )
    shown = f"Step {clean(finding.step.name)}: {condition_text(finding)}" if finding else "No step was found"
    return Figure(
        "bench",
        title,
        f"{shown}. Ribbons are in proportion to power; ± are 95 % half-widths",
        bench_description(analysis, finding),
        lambda layout: draw_bench(analysis, layout, finding),
        drawn,
        "Filled stages carry current in this step, outlined ones are idle.",
        least=920.0,
    )


def bench_section(analysis: Analysis) -> Section:
    bench = analysis.bench
    blocks: list[Block] = answer_blocks(analysis, "bench", _bench_sentence(bench))
    blocks += [Paragraph(text) for text in paragraphs(bench.notes)]
    blocks += [
        bench_figure(analysis),
        *caution_blocks(analysis, "current", "connectors", "liquid", "probe"),
        Fold("The bench and its instruments as stated", tuple(bench_tables(analysis))),
    ]
    return Section("bench", "What stands on the bench?", tuple(blocks))


def _bench_sentence(bench: Bench) -> str:
    cooled = "liquid" if bench.cooling.coolant == "liquid" else "air"
    return (
        f"{clean(bench.board.name)} with a {bench.regulator.phase_count}-phase regulator, cooled by {cooled}, "
        f"watched by {len(bench.instruments)} instruments"
    )


def condition_text(finding: StepFinding) -> str:
    """Return the settings of a step in words."""
    return ", ".join(setting_text(name, value) for name, value in finding.step.settings.items()) or "no settings stated"


def hold_section(analysis: Analysis) -> Section:
    loads = load_labels(analysis)
    table = Table(
        "verdicts",
        "Verdict of every step",
        (STEP, PHASES, LOAD, VERDICT, Column("first_limit", "Nearest limit"), Column("margin", "Margin", "", "value")),
        tuple(
            (
                f.step.name,
                phase_count(f),
                loads[f.step.name],
                f.verdict,
                nearest(f).limit.name if nearest(f) else None,
                nearest(f).margin if nearest(f) else None,
            )
            for f in analysis.steps
        ),
    )
    description = "Verdicts: " + "; ".join(f"{say.condition(f, analysis)}: {f.verdict}" for f in analysis.steps) + "."
    figure = Figure(
        "verdicts",
        say.verdicts_title(analysis),
        "Verdict by load and phase count, with the margin that gives first; ± is half its 95 % interval",
        description,
        lambda layout: draw_verdicts(analysis, layout),
        table,
        "A dash marks a setting that was not tried. The words are explained below.",
    )
    blocks = [
        *answer_blocks(analysis, "hold", say.verdicts_title(analysis)),
        figure,
        *caution_blocks(analysis, "unstable"),
        step_table(
            analysis,
            "steps",
            "What was found, step by step",
            present(analysis, MAIN),
            "± is the half-width of the 95 % interval.",
        ),
        methods.verdict_method(),
        Heading("Step by step", 3, "steps"),
    ]
    blocks += [_card(number, finding) for number, finding in enumerate(analysis.steps, start=1)]
    missing = missing_table(analysis)
    if missing is not None:
        blocks.append(Fold(f"What could not be computed, and what would mend it ({len(missing.rows)})", (missing,)))
    return Section("hold", "Which settings hold?", tuple(blocks))


def _card(number: int, finding: StepFinding) -> StepCard:
    place = f"{clock_text(finding.span.start_s)} to {clock_text(finding.span.end_s)} on the reference clock"
    if finding.window.found:
        place += f"; window {clock_text(finding.window.start_s)} to {clock_text(finding.window.end_s)}"
    else:
        place += "; no window"
    reasons = [in_words(clean(reason, 600)) for reason in finding.reasons]
    reasons += [f"Seen at the bench: {text}" for text in paragraphs(finding.step.note)]
    return StepCard(
        f"{number}. {clean(finding.step.name)}",
        finding.verdict,
        condition_text(finding),
        place,
        tuple(reasons) or ("no reason was given",),
        f"step-{number}",
    )


def missing_table(analysis: Analysis) -> Table | None:
    """Return every figure that could not be computed, in which steps, why, and the line to add; None where none."""
    found: dict[tuple[str, str], dict[str, list[str]]] = {}
    for finding in analysis.steps:
        for item in finding.missing:
            found.setdefault((item.why, item.mend), {}).setdefault(item.name, []).append(finding.step.name)
    if not found:
        return None
    rows = []
    for (why, mend), figures in found.items():
        by_steps: dict[tuple[str, ...], list[str]] = {}
        for name, steps in figures.items():
            by_steps.setdefault(tuple(steps), []).append(name)
        for steps, names in by_steps.items():
            where = "every step" if len(steps) == len(analysis.steps) else ", ".join(steps)
            rows.append(("; ".join(quantity_title(name) for name in names), where, why, mend))
    return Table(
        "missing",
        "What could not be computed",
        (Column("figure", "Figure"), STEP, Column("why", "Why"), Column("mend", "What would mend it")),
        tuple(rows),
    )


def _phases_figure(analysis: Analysis, name: str, title: str, names: tuple[str, ...], table: Table) -> Figure:
    said = " and ".join(quantity_title(n).lower() for n in names)
    description = "; ".join(say.range_text(analysis, n) for n in names) + ". Every number stands in the table."
    return Figure(
        name,
        title,
        subtitle(analysis, f"{said[:1].upper()}{said[1:]} against phase count, one line a load"),
        description,
        lambda layout: draw_phases(analysis, names, layout),
        table,
        reading_note(analysis, names),
    )


def heat_section(analysis: Analysis) -> Section:
    shown = present(analysis, ("regulator_temperature", "phase_current"))
    behind = present(
        analysis,
        (
            "regulator_temperature",
            "regulator_temperature_settled",
            "regulator_rise",
            "coolant_temperature",
            "phase_current",
            "thermal_resistance",
            "inductor_temperature",
            "board_temperature",
            "processor_temperature",
        ),
    )
    blocks = answer_blocks(analysis, "heat", say.heat_title(analysis))
    if shown:
        blocks.append(
            _phases_figure(
                analysis,
                "heat",
                say.heat_title(analysis),
                shown,
                step_table(analysis, "heat", "Temperatures and currents", behind),
            )
        )
    blocks += caution_blocks(analysis, "hot", "condensation", "unattended")
    blocks.append(methods.heat_method(analysis))
    return Section("heat", "How hot, and why?", tuple(blocks))


def waste_section(analysis: Analysis) -> Section:
    shown = present(analysis, ("loss", "delivery_efficiency"))
    behind = present(
        analysis,
        (
            "input_power",
            "package_power",
            "loss",
            "delivery_efficiency",
            "rail_power",
            "conversion_loss",
            "conversion_efficiency",
        ),
    )
    blocks = answer_blocks(analysis, "waste", say.waste_title(analysis))
    if shown:
        blocks.append(
            _phases_figure(
                analysis,
                "waste",
                say.waste_title(analysis),
                shown,
                step_table(analysis, "waste", "Powers and efficiencies", behind),
            )
        )
    if analysis.comparisons:
        blocks += [
            Heading("Against the baseline", 3),
            Paragraph(
                sentence(say.comparisons_title(analysis)) + " "
                "Errors that both steps share cancel in the difference, so it is known better than either step alone."
            ),
            *comparison_blocks(analysis),
        ]
    blocks.append(methods.waste_method(analysis))
    return Section("waste", "What is wasted?", tuple(blocks))


def comparison_blocks(analysis: Analysis) -> list[Block]:
    """Return the main differences with their cost, and every difference and ratio folded away."""
    compared = analysis.comparisons
    known = [n for n in (*MAIN, "regulator_rise", "conversion_efficiency") if any(n in c.differences for c in compared)]
    main = [n for n in known if n in ("input_power", "loss", "delivery_efficiency", "regulator_temperature")]
    cost = analysis.campaign.cost
    head = (STEP, Column("baseline", "Baseline"))
    columns = [*head, *(_difference(analysis, n) for n in main)]
    extra: list[tuple[Column, Callable]] = []
    if any(c.extra_energy_year is not None for c in compared):
        extra.append((Column("extra_energy_year", "Energy a year", "J", "value"), lambda c: c.extra_energy_year))
    if any(c.extra_cost_year is not None for c in compared):
        money = clean(cost.currency, 12) or "1"
        extra.append((Column("extra_cost_year", "Cost a year", money, "value"), lambda c: c.extra_cost_year))
    columns += [column for column, _ in extra]
    price = f" at {cost.price:g} {clean(cost.currency, 12)} a kWh" if cost.price is not None else ""
    note = f"Year: {cost.hours_per_day:g} hours a day on {cost.days_per_year:g} days{price}." if extra else ""
    blocks: list[Block] = [
        Table(
            "comparisons",
            "Difference from the baseline",
            tuple(columns),
            tuple(
                (c.step, c.baseline, *(c.differences.get(n) for n in main), *(get(c) for _, get in extra))
                for c in compared
            ),
            note,
        )
    ]
    every = Table(
        "differences",
        "Every difference from the baseline",
        (*head, *(_difference(analysis, n) for n in known), Column("why", "Why this baseline")),
        tuple((c.step, c.baseline, *(c.differences.get(n) for n in known), c.reason or None) for c in compared),
    )
    ratios = [n for n in known if any(n in c.ratios for c in compared)]
    folded = [every]
    if ratios:
        folded.append(
            Table(
                "ratios",
                "Ratio to the baseline",
                (*head, *(Column(f"{n}_ratio", quantity_title(n), "1", "value") for n in ratios)),
                tuple((c.step, c.baseline, *(c.ratios.get(n) for n in ratios)) for c in compared),
            )
        )
    if folded:
        blocks.append(Fold("Every difference and ratio", tuple(folded)))
    return blocks


def _difference(analysis: Analysis, name: str) -> Column:
    unit = next((c.differences[name].unit for c in analysis.comparisons if name in c.differences), "1")
    return Column(name, quantity_title(name), unit, "value")


def first_section(analysis: Analysis) -> Section:
    blocks = answer_blocks(analysis, "first", say.margins_title(analysis))
    table = drawn_table(analysis)
    if table.rows:
        nearest_said = "; ".join(
            f"{say.condition(f, analysis)}: {number_text(m.margin, m.limit.applies_to)} to {clean(m.limit.name)}"
            for f in analysis.steps
            for m in f.margins[:1]
        )
        blocks.append(
            Figure(
                "margins",
                say.margins_title(analysis),
                subtitle(analysis, "Margin = limit less figure, in the limit's unit; the line at zero is the limit"),
                f"Nearest limit of each step: {nearest_said}.",
                lambda layout: draw_margins(analysis, layout),
                table,
                reading_note(analysis, ("regulator_temperature", "phase_current")).replace(
                    "The vertical axes do not start at zero.", "Left of the line the limit is exceeded."
                ),
            )
        )
    blocks += limit_blocks(analysis)
    if table.rows:
        blocks += [Fold("Every limit, and the step that came nearest", (limits_table(analysis),)), margin_table(analysis)]
    blocks += caution_blocks(analysis, "protection")
    blocks.append(methods.margin_method())
    return Section("first", "What gives first?", tuple(blocks))
