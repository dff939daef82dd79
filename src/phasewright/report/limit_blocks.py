"""What the chapter of limits shows beyond the margins of each step: ladder, switching period, load step, readings."""

from __future__ import annotations

from phasewright.findings import Analysis, StepFinding
from phasewright.limits import figure_title, gives_way
from phasewright.report.document import Block, Column, Figure, Fold, Paragraph, Table
from phasewright.report.escaping import clean
from phasewright.report.headlines import condition
from phasewright.report.ladder import chosen_step, draw_ladder, ladder_description, ladder_table, rungs
from phasewright.report.parts import sentence
from phasewright.report.switching import courses, draw_droop, draw_sweep, droop_table, sweep, sweep_table, swept_names
from phasewright.report.tables import STEP
from phasewright.report.wording import number_text, plain

__all__ = ["limit_blocks"]

WORKED_OUT = "Worked out from part data and their tolerances, not measured; bands are 95 % coverage intervals"


def limit_blocks(analysis: Analysis) -> list[Block]:
    """Return the ladder of the step nearest to a limit, ripple against phase count, and the load step in time."""
    blocks: list[Block] = []
    finding = chosen_step(analysis)
    if finding is not None:
        blocks.append(
            Figure(
                "ladder",
                _ladder_title(analysis, finding),
                f"Step {clean(finding.step.name)}: margin to every limit as a share of that limit; what gives first on "
                "top (least margin in standard uncertainties); bars are 95 % coverage intervals",
                ladder_description(finding),
                lambda layout: draw_ladder(finding, layout),
                ladder_table(finding),
                "Filled dots: limits that decide a verdict. Open diamonds: limits that advise, worked out from part "
                "data. Arrows: more than the whole limit is left. Left of the line the limit is exceeded.",
            )
        )
    blocks += _switching(analysis)
    told = _readings_table(analysis)
    if told is not None:
        blocks.append(Fold("What physics says where nothing is a ceiling", (told,)))
    return blocks


def _ladder_title(analysis: Analysis, finding: StepFinding) -> str:
    found = rungs(finding)
    weak = [item for item in found if gives_way([item]) is not None]
    where = condition(finding, analysis)
    if not weak:
        return f"At {where}: every one of {len(found)} limits leaves room"
    return f"At {where}: {len(found) - len(weak)} of {len(found)} limits surely leave room, {len(weak)} may give way"


def _switching(analysis: Analysis) -> list[Block]:
    swept = sweep(analysis)
    names = swept_names(swept)
    if not names:
        lacking = {item.mend for f in analysis.steps for item in f.missing if "ripple" in item.name}
        if not lacking:
            return []
        return [Paragraph(sentence(f"Ripple and load steps are not shown: {'; '.join(sorted(lacking)[:2])}"), "small")]
    blocks: list[Block] = [
        Figure(
            "switching",
            _sweep_title(analysis, swept),
            f"{' and '.join(figure_title(n) for n in names).capitalize()} against phase count, one line a load. "
            f"{WORKED_OUT}",
            "; ".join(_range_said(one, name) for one in swept for name in names) + ". Every number stands in the table.",
            lambda layout: draw_sweep(analysis, swept, layout),
            sweep_table(swept),
            "Ripple is least where phase count times duty is near a whole number, there phases cancel each other.",
        )
    ]
    times, found = courses(analysis, swept)
    if found:
        regulator, processor = analysis.bench.regulator, analysis.bench.processor
        slew = "at once" if processor.load_slew is None else f"at {plain(processor.load_slew / 1e6, 0)} A/µs"
        deepest = max(found, key=lambda one: float(one.release.max()))
        beyond = float(deepest.release.max()) - (regulator.load_line or 0.0) * (processor.load_step or 0.0)
        blocks.append(
            Figure(
                "droop",
                f"With {deepest.label} the rail rises {plain(1e3 * beyond, 0)} mV above its load line when the load "
                "lets go",
                f"Change of the rail's voltage after a load step of {plain(processor.load_step or 0.0, 0)} A {slew}. "
                "Closed form: phases at full slope, control in the least time; worked out, not measured",
                "; ".join(
                    f"{one.label}: falls by at most {1e3 * one.step.max():.0f} mV, rises by at most "
                    f"{1e3 * one.release.max():.0f} mV" for one in found
                ) + ".",
                lambda layout: draw_droop(analysis, times, found, layout),
                droop_table(times, found),
                "A real control loop is slower than the least time and may swing further; measure it with a probe.",
            )  # fmt: skip
        )
    return blocks


def _sweep_title(analysis: Analysis, swept) -> str:
    rating = analysis.bench.regulator.input_capacitors.current_rating
    heavy = swept[0]
    known = {n: f["input_capacitor_current"] for n, f in heavy.figures.items() if "input_capacitor_current" in f}
    if not known:
        return "Fewer phases cancel less ripple"
    if rating is not None:
        over = [n for n, value in known.items() if value.value > rating]
        if over:
            return f"With {max(over)} phase{'s' if max(over) > 1 else ''} the input capacitors pass their rating"
    fewest = min(known)
    return f"Input capacitors carry {number_text(known[fewest])} at {fewest} phase{'s' if fewest > 1 else ''}"


def _range_said(one, name: str) -> str:
    known = [(count, figures[name]) for count, figures in one.figures.items() if name in figures]
    if not known:
        return f"{one.label}: no {figure_title(name)}"
    (few, first), (many, last) = known[0], known[-1]
    return (
        f"{one.label}: {figure_title(name)} {number_text(first, name)} at {few} and {number_text(last, name)} at {many} "
        "phases"
    )


def _readings_table(analysis: Analysis) -> Table | None:
    rows = tuple((f.step.name, item.name, item.sentence, item.source) for f in analysis.steps for item in f.readings)
    if not rows:
        return None
    columns = (STEP, Column("reading", "Of"), Column("sentence", "Says"), Column("source", "Source"))
    return Table("readings", "Told without a ceiling", columns, rows)
