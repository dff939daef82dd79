"""The guide as a document: every question with its answer, its figure, its table and how it was computed."""

from __future__ import annotations

from collections.abc import Callable

from phasewright.bench import Bench
from phasewright.findings import Analysis, Answer, StepFinding
from phasewright.quantity import Value
from phasewright.report import headlines as say
from phasewright.report import methods
from phasewright.report.bench_drawing import bench_description, chosen_step, draw_bench
from phasewright.report.cautions import NO_SAFETY_FUNCTION, cautions_of
from phasewright.report.clocks import draw_clocks
from phasewright.report.document import (
    Answers,
    Block,
    Bullets,
    Cautions,
    Column,
    Document,
    Figure,
    Fold,
    Heading,
    Paragraph,
    Section,
    StepCard,
    Table,
)
from phasewright.report.escaping import clean, paragraphs
from phasewright.report.margins import draw_margins, drawn_table, nearest
from phasewright.report.phases import draw_phases, reading_note
from phasewright.report.series import load_labels, phase_count
from phasewright.report.stated import bench_tables
from phasewright.report.tables import LOAD, MAIN, PHASES, STEP, VERDICT, limits_table, margin_table, present, step_table
from phasewright.report.traces import channels_drawn, draw_traces
from phasewright.report.verdicts import draw_verdicts
from phasewright.report.wording import clock_text, number_text, quantity_title, setting_text, tie

SIMULATED = "Simulated data. This bench and every number on it were invented and computed; nothing was measured."

_QUESTIONS: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    ("bench", "What stands on the bench?", ("stands", "bench?")),
    ("hold", "Which settings hold?", ("settings hold", "stable", "sustain", "few phases", "enough")),
    ("heat", "How hot, and why?", ("how hot", "temperature", "heat")),
    ("waste", "What is wasted?", ("waste", "lost", "cost", "efficien")),
    ("first", "What gives first?", ("gives first", "margin")),
    ("trust", "Can it be trusted?", ("trust", "clock")),
)


def is_simulated(analysis: Analysis) -> bool:
    """Tell whether anything in the campaign is invented."""
    return analysis.bench.simulated or analysis.campaign.simulated


def sort_answers(analysis: Analysis) -> dict[str, list[Answer]]:
    """Return the answers by the section they belong to; '' holds those that belong to none."""
    sorted_: dict[str, list[Answer]] = {key: [] for key, _, _ in _QUESTIONS} | {"": []}
    for answer in analysis.answers:
        text = answer.question.lower()
        exact = [key for key, question, _ in _QUESTIONS if question.lower() == text]
        loose = [key for key, _, words in _QUESTIONS if any(word in text for word in words)]
        sorted_[(exact or loose or [""])[0]].append(answer)
    return sorted_


def _answer(analysis: Analysis, key: str, otherwise: str) -> list[Block]:
    """Return the answer sentences of a section; the figure's own finding where the analysis gives none."""
    found = sort_answers(analysis)[key]
    if not found:
        return [Paragraph(_sentence(otherwise), "answer")]
    blocks: list[Block] = []
    for answer in found:
        sentence = _sentence(clean(answer.sentence, 1200))
        blocks.append(Paragraph(sentence, "answer" if len(sentence) <= 150 else "answer long"))
    return blocks


def _sentence(text: str) -> str:
    text = tie(text.strip())
    return text if text.endswith((".", "?", "!", ":")) else text + "."


def _cautions(analysis: Analysis, *names: str) -> list[Block]:
    found = tuple(caution for caution in cautions_of(analysis) if caution.name in names)
    return [Cautions(found)] if found else []


def _conditions(analysis: Analysis) -> str:
    return f"n = {len(analysis.steps)} steps, one run each; {say.interval_text(analysis)}"


def _subtitle(analysis: Analysis, text: str) -> str:
    return f"{text}. {_conditions(analysis)}"


# ---- sections ------------------------------------------------------------------------------------------------------


def _bench_section(analysis: Analysis) -> Section:
    bench, finding = analysis.bench, chosen_step(analysis)
    title = "Power path and heat path"
    if finding is not None and {"input_power", "package_power"} <= set(finding.quantities):
        title = (f"Of {number_text(finding.quantities['input_power'])} at the meter, "
                 f"{number_text(finding.quantities['package_power'])} reach the package")
    names = present(analysis, (*MAIN, "ambient_temperature", "contact_current"))
    drawn = Table("bench-drawing", "The numbers on the drawing", (STEP, *(
        Column(n, quantity_title(n), finding.quantities[n].unit if finding and n in finding.quantities else "1", "value")
        for n in names)), ((finding.step.name, *(finding.quantities.get(n) for n in names)),) if finding else ())
    shown = f"Step {clean(finding.step.name)}: {condition_text(finding)}" if finding else "No step was found"
    figure = Figure("bench", title, f"{shown}. Ribbons are in proportion to power; ± are 95 % half-widths",
                    bench_description(analysis, finding), lambda layout: draw_bench(analysis, layout), drawn,
                    "Filled stages carry current in this step, outlined ones are idle.")
    blocks: list[Block] = _answer(analysis, "bench", _bench_sentence(bench))
    blocks += [Paragraph(text) for text in paragraphs(bench.notes)]
    blocks += [figure, *_cautions(analysis, "current", "connectors", "liquid", "probe"),
               Fold("The bench and its instruments as stated", tuple(bench_tables(analysis)))]
    return Section("bench", "What stands on the bench?", tuple(blocks))


def _bench_sentence(bench: Bench) -> str:
    cooled = "liquid" if bench.cooling.coolant == "liquid" else "air"
    return (f"{clean(bench.board.name)} with a {bench.regulator.phase_count}-phase regulator, cooled by {cooled}, "
            f"watched by {len(bench.instruments)} instruments")


def condition_text(finding: StepFinding) -> str:
    """Return the settings of a step in words."""
    return ", ".join(setting_text(name, value) for name, value in finding.step.settings.items()) or "no settings stated"


def _hold_section(analysis: Analysis) -> Section:
    loads = load_labels(analysis)
    table = Table("verdicts", "Verdict of every step", (STEP, PHASES, LOAD, VERDICT,
                  Column("first_limit", "Nearest limit"), Column("margin", "Margin", "", "value")),
                  tuple((f.step.name, phase_count(f), loads[f.step.name], f.verdict,
                         nearest(f).limit.name if nearest(f) else None, nearest(f).margin if nearest(f) else None)
                        for f in analysis.steps))
    description = "Verdicts: " + "; ".join(f"{say.condition(f, analysis)}: {f.verdict}" for f in analysis.steps) + "."
    figure = Figure("verdicts", say.verdicts_title(analysis),
                    "Verdict by load and phase count, with the margin that gives first", description,
                    lambda layout: draw_verdicts(analysis, layout), table,
                    "A dash marks a setting that was not tried. The words are explained below.")
    blocks = [*_answer(analysis, "hold", say.verdicts_title(analysis)), figure, *_cautions(analysis, "unstable"),
              step_table(analysis, "steps", "What was found, step by step", present(analysis, MAIN),
                         "± is the half-width of the 95 % interval."),
              methods.verdict_method(), Heading("Step by step", 3, "steps")]
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
    reasons = [tie(clean(reason, 600)) for reason in finding.reasons]
    reasons += [f"Seen at the bench: {text}" for text in paragraphs(finding.step.note)]
    return StepCard(f"{number}. {clean(finding.step.name)}", finding.verdict, condition_text(finding), place,
                    tuple(reasons) or ("no reason was given",), f"step-{number}")


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
    return Table("missing", "What could not be computed", (Column("figure", "Figure"), STEP, Column("why", "Why"),
                 Column("mend", "What would mend it")), tuple(rows))


def _phases_figure(analysis: Analysis, name: str, title: str, names: tuple[str, ...], table: Table) -> Figure:
    said = " and ".join(quantity_title(n).lower() for n in names)
    description = "; ".join(say.range_text(analysis, n) for n in names) + ". Every number stands in the table."
    return Figure(name, title, _subtitle(analysis, f"{said[:1].upper()}{said[1:]} against phase count, one line a load"),
                  description, lambda layout: draw_phases(analysis, names, layout), table, reading_note(analysis, names))


def _heat_section(analysis: Analysis) -> Section:
    shown = present(analysis, ("regulator_temperature", "phase_current"))
    behind = present(analysis, ("regulator_temperature", "regulator_temperature_settled", "regulator_rise", "coolant_temperature", "phase_current",
                                "thermal_resistance", "inductor_temperature", "board_temperature",
                                "processor_temperature"))
    blocks = _answer(analysis, "heat", say.heat_title(analysis))
    if shown:
        blocks.append(_phases_figure(analysis, "heat", say.heat_title(analysis), shown,
                                     step_table(analysis, "heat", "Temperatures and currents", behind)))
    blocks += _cautions(analysis, "hot", "condensation", "unattended")
    blocks.append(methods.heat_method(analysis))
    return Section("heat", "How hot, and why?", tuple(blocks))


def _waste_section(analysis: Analysis) -> Section:
    shown = present(analysis, ("loss", "delivery_efficiency"))
    behind = present(analysis, ("input_power", "package_power", "loss", "delivery_efficiency", "rail_power",
                                "conversion_loss", "conversion_efficiency"))
    blocks = _answer(analysis, "waste", say.waste_title(analysis))
    if shown:
        blocks.append(_phases_figure(analysis, "waste", say.waste_title(analysis), shown,
                                     step_table(analysis, "waste", "Powers and efficiencies", behind)))
    if analysis.comparisons:
        blocks += [Heading("Against the baseline", 3), Paragraph(_sentence(say.comparisons_title(analysis)) + " "
                   "Errors that both steps share cancel in the difference, so it is known better than either step alone."),
                   *comparison_blocks(analysis)]
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
    blocks: list[Block] = [Table("comparisons", "Difference from the baseline", tuple(columns), tuple(
        (c.step, c.baseline, *(c.differences.get(n) for n in main), *(get(c) for _, get in extra)) for c in compared), note)]
    every = Table("differences", "Every difference from the baseline", (*head, *(_difference(analysis, n) for n in known),
                  Column("why", "Why this baseline")),
                  tuple((c.step, c.baseline, *(c.differences.get(n) for n in known), c.reason or None) for c in compared))
    ratios = [n for n in known if any(n in c.ratios for c in compared)]
    folded = [every]
    if ratios:
        folded.append(Table("ratios", "Ratio to the baseline", (*head, *(
            Column(f"{n}_ratio", quantity_title(n), "1", "value") for n in ratios)),
            tuple((c.step, c.baseline, *(c.ratios.get(n) for n in ratios)) for c in compared)))
    if folded:
        blocks.append(Fold("Every difference and ratio", tuple(folded)))
    return blocks


def _difference(analysis: Analysis, name: str) -> Column:
    unit = next((c.differences[name].unit for c in analysis.comparisons if name in c.differences), "1")
    return Column(name, quantity_title(name), unit, "value")


def _first_section(analysis: Analysis) -> Section:
    blocks = _answer(analysis, "first", say.margins_title(analysis))
    table = drawn_table(analysis)
    if table.rows:
        nearest_said = "; ".join(f"{say.condition(f, analysis)}: {number_text(f.margins[0].margin)} to {clean(f.margins[0].limit.name)}"
                                 for f in analysis.steps if f.margins)
        blocks.append(Figure("margins", say.margins_title(analysis),
                             _subtitle(analysis, "Margin = limit less figure, in the limit's unit; the line at zero is the limit"),
                             f"Nearest limit of each step: {nearest_said}.", lambda layout: draw_margins(analysis, layout),
                             table, reading_note(analysis, ("regulator_temperature", "phase_current")).replace(
                                 "The vertical axes do not start at zero.", "Left of the line the limit is exceeded.")))
        blocks += [limits_table(analysis), margin_table(analysis)]
    blocks += _cautions(analysis, "protection")
    blocks.append(methods.margin_method())
    return Section("first", "What gives first?", tuple(blocks))


def _trust_section(analysis: Analysis) -> Section:
    blocks = _answer(analysis, "trust", say.clocks_title(analysis))
    if analysis.notes:
        blocks.append(notes_table(analysis))
    blocks += checks_blocks(analysis)
    windows = window_table(analysis)
    if channels_drawn(analysis, 1):
        blocks += [Heading("The raw traces", 3), Figure(
            "traces", say.traces_title(analysis),
            "Every channel on the reference clock; grey: raw readings, dark: mean over the window, band: window taken",
            "Raw records of " + ", ".join(quantity_title(n) for n in channels_drawn(analysis, 6))
            + " with each step, its window and the parts left out; times stand in the table.",
            lambda layout: draw_traces(analysis, layout), windows,
            "On top: thick bar, window taken; dotted line, part left out and why in the table. Down-sampled for drawing "
            "with every extreme kept; gaps are not bridged.")]
    discarded = discarded_table(analysis)
    blocks += [Fold(f"Parts left out, and why ({len(discarded.rows)})", (discarded,)), methods.window_method(analysis), Heading("The clocks", 3)]
    clocks = clock_table(analysis)
    if say.has_clock_pairs(analysis):
        blocks.append(Figure("clocks", say.clocks_title(analysis),
                             "Both records around sharp edges early, midway and late, after alignment; each reading is drawn as the "
                             "interval it averages",
                             "; ".join(f"{clean(c.log)}: {c.status}" for c in analysis.recording.clocks) + ".",
                             lambda layout: draw_clocks(analysis, layout), clocks,
                             "Solid: reference log. Dashed: the log that was aligned."))
    else:
        blocks.append(clocks)
    blocks += [methods.clock_method(), *_cautions(analysis), Heading("Reading the files", 3), *file_blocks(analysis)]
    return Section("trust", "Can it be trusted?", tuple(blocks))


def notes_table(analysis: Analysis) -> Table:
    """Return every note of the analysis, doubts first."""
    parted = [note.partition(": ") if note.partition(": ")[0] in ("doubt", "caution", "repair") else ("note", "", note)
              for note in analysis.notes]
    order = ("doubt", "caution", "note", "repair")
    rows = tuple(sorted(((kind, text) for kind, _, text in parted), key=lambda row: order.index(row[0])))
    return Table("notes", "Doubts, cautions and repairs", (Column("kind", "Kind"), Column("note", "What to know")), rows)


def checks_blocks(analysis: Analysis) -> list[Block]:
    """Return what the readings say about each other, and what each figure was made from."""
    blocks: list[Block] = []
    if analysis.checks:
        rows = tuple((c.name, c.outcome, c.sentence) for c in analysis.checks)
        blocks.append(Table("checks", "The readings held against each other and against physics", (
            Column("check", "Check"), Column("outcome", "Outcome"), Column("sentence", "What was found")), rows,
            "A gain error of a sensor and a loss in proportion to load look alike in powers alone."))
    made: dict[str, dict[str, None]] = {}
    for finding in analysis.steps:
        for name, text in finding.basis.items():
            made.setdefault(name, {})[text] = None
    if made:
        rows = tuple((quantity_title(name), "; or ".join(list(texts)[:3]) + ("; and others" if len(texts) > 3 else ""))
                     for name, texts in sorted(made.items()))
        blocks.append(Fold("What each figure was made from", (Table("basis", "What each figure was made from", (
            Column("figure", "Figure"), Column("basis", "Made from")), rows),)))
    return blocks


def window_table(analysis: Analysis) -> Table:
    """Return the steps and windows on the reference clock."""
    columns = (STEP, Column("start", "Step from", "s", "number"), Column("end", "to", "s", "number"),
               Column("window_start", "Window from", "s", "number"), Column("window_end", "to", "s", "number"),
               Column("settled", "Settled"), Column("found_from", "Found from"), Column("reasons", "Why this window"))
    rows = tuple((f.step.name, f.span.start_s, f.span.end_s, f.window.start_s if f.window.found else None,
                  f.window.end_s if f.window.found else None,
                  ("yes" if f.window.settled else "no") if f.window.found else "no window", f.span.found_from,
                  "; ".join((*f.window.reasons, *f.window.remarks, *((f.span.note,) if f.span.note else ()))))
                 for f in analysis.steps)
    return Table("windows", "Steps and windows on the reference clock", columns, rows)


def discarded_table(analysis: Analysis) -> Table:
    """Return what was left out of each step, and why."""
    columns = (STEP, Column("start", "From", "s", "number"), Column("end", "to", "s", "number"), Column("why", "Why"))
    rows = tuple((f.step.name, start, end, why) for f in analysis.steps for start, end, why in f.window.discarded)
    return Table("discarded", "Parts left out", columns, rows)


def clock_table(analysis: Analysis) -> Table:
    """Return offset, drift and evidence of every clock."""
    columns = (Column("log", "Log"), Column("status", "Status"), Column("offset", "Offset", "s", "value"),
               Column("drift", "Drift", "ppm", "value"), Column("averaging", "Averaging", "s", "value"),
               Column("peak_ratio", "Second peak / first", "1", "number"), Column("overlap", "Overlap", "s", "number"),
               Column("compared", "Compared"), Column("note", "Note"))
    rows = tuple((c.log if c.segment == 0 else f"{c.log}, part {c.segment + 1}", c.status, _known(c.offset, c.offset_u, "s"),
                  _known(c.drift, c.drift_u, "ppm"), None if c.averaging is None else _known(c.averaging, c.averaging_u, "s"),
                  c.peak_ratio, c.overlap or None, " and ".join(quantity_title(n) for n in c.pair if n),
                  "; ".join([c.note] * bool(c.note) + [f"candidate {o:.3f} s, score {s:.2f}" for o, s in c.candidates]))
                 for c in analysis.recording.clocks)
    return Table("clocks", "Offset and drift of every clock", columns, rows,
                 "± is the 95 % half-width. Above a ratio of 0.9 of second to first peak an offset is refused as ambiguous.")


def _known(number: float, u: float | None, unit: str) -> Value:
    if u is None or u == 0.0:
        return Value(number, unit, u, None, None, "derived")
    return Value(number, unit, u, number - 1.96 * u, number + 1.96 * u, "derived")


def file_blocks(analysis: Analysis) -> list[Block]:
    """Return what was read, what was repaired, and the fingerprint of every file."""
    reports = analysis.recording.reports
    columns = (Column("file", "File"), Column("size", "Size", "byte", "number"), Column("rows", "Rows", "1", "number"),
               Column("how", "Read as"), Column("from", "First stamp"), Column("to", "Last stamp"))
    rows = tuple((r.fingerprint.file, r.fingerprint.size, r.row_count,
                  f"{r.encoding}, delimiter {_named(r.delimiter)}, decimal mark {_named(r.decimal)}, time {r.time_format}",
                  r.first_time, r.last_time) for r in reports)
    remarks = tuple((r.fingerprint.file, m.kind, m.what + (f" - {m.mend}" if m.mend else ""), m.line, m.column or None, m.count)
                    for r in reports for m in r.remarks)
    whole = tuple(("all logs", m.kind, m.what + (f" - {m.mend}" if m.mend else ""), m.line, m.column or None, m.count)
                  for m in analysis.recording.remarks)
    found = tuple((f"{t.log}: {quantity_title(t.channel)}", m.kind, m.what, m.line, m.column or None, m.count)
                  for t in analysis.recording.traces.values() for m in t.remarks)
    remark_columns = (Column("file", "File"), Column("kind", "Kind"), Column("what", "What was noticed or repaired"),
                      Column("line", "Line", "1", "number"), Column("column", "Column"), Column("count", "Times", "1", "number"))
    prints = tuple((r.fingerprint.file, r.fingerprint.sha256) for r in reports)
    stated = tuple((name, text) for name, text in ((analysis.bench.file or "bench.toml", analysis.bench.fingerprint),
                   (analysis.campaign.file or "campaign.toml", analysis.campaign.fingerprint)) if text)
    return [
        Table("files", "Files read", columns, rows),
        Table("repairs", "Repairs and remarks while reading", remark_columns, remarks + whole + found)
        if remarks or whole or found else Paragraph("Nothing had to be repaired while reading.", "small"),
        Table("fingerprints", "Fingerprints", (Column("file", "File"), Column("sha256", "SHA-256")), prints + stated,
              "Raw files are never changed. Whoever computes the same fingerprints holds the same files."),
    ]


def _named(mark: str) -> str:
    return {",": "comma", ";": "semicolon", "\t": "tab", ".": "point", " ": "space", "|": "bar"}.get(mark, clean(mark) or "none")


# ---- the whole -------------------------------------------------------------------------------------------------------


def _front(analysis: Analysis) -> Section:
    """Return the summary: one sentence a question, the cautions that apply, and what this is not."""
    answers = ((("Which settings hold?", _sentence(say.verdicts_title(analysis)), "hold"),
                ("How hot, and why?", _sentence(say.heat_title(analysis)), "heat"),
                ("What is wasted?", _sentence(say.waste_title(analysis)), "waste"),
                ("What gives first?", _sentence(say.margins_title(analysis)), "first"),
                ("Can it be trusted?", _sentence(say.trust_title(analysis)), "trust")) if analysis.steps else ())
    cautions = cautions_of(analysis)
    blocks: list[Block] = [Paragraph(text, "lead") for text in paragraphs(analysis.campaign.notes)]
    if answers:
        blocks.append(Answers(answers))
    said = "; ".join(f"{c.title.lower()} ({c.grade})" for c in cautions)
    blocks.append(Paragraph(NO_SAFETY_FUNCTION + (f" Cautions that apply to this bench, each where it matters below: {said}." if said else ""), "safety"))
    return Section("answers", "In short", tuple(blocks))


def guide_document(analysis: Analysis, *, version: str = "") -> Document:
    """Return the whole guide of a campaign as one document."""
    bench, campaign = analysis.bench, analysis.campaign
    sections = [_front(analysis), _bench_section(analysis), _hold_section(analysis), _heat_section(analysis),
                _waste_section(analysis), _first_section(analysis), _trust_section(analysis)]
    other = sort_answers(analysis)[""]
    if other:
        sections.insert(-1, Section("more", "What else?", tuple(
            block for a in other for block in (Heading(clean(a.question), 3), Paragraph(_sentence(clean(a.sentence, 1200)))))))
    facts = [("Bench", clean(bench.name)), ("Steps", str(len(analysis.steps))),
             ("Instruments", ", ".join(clean(i.name, 60) for i in bench.instruments))]
    if analysis.recording.origin:
        facts.append(("Record begins", clean(analysis.recording.origin)))
    facts.append(("Computed with", f"Phasewright {clean(version, 40)}" if version else "Phasewright"))
    colophon = [f"Computed with Phasewright{f' {clean(version, 40)}' if version else ''} from the files whose fingerprints stand above.",
                "Intervals are 95 % coverage intervals after JCGM 100:2008 (GUM). Temperatures in °C, differences in K."]
    return Document(clean(campaign.name), clean(bench.board.name), tuple(facts), SIMULATED if is_simulated(analysis) else "",
                    tuple(sections), tuple(colophon))

