"""The guide as a document: every question with its answer, its figure, its table and how it was computed."""

from __future__ import annotations

from dataclasses import replace

from phasewright.design import Design
from phasewright.findings import Analysis
from phasewright.model import Fitted
from phasewright.plan import Plan, Readiness
from phasewright.report import headlines as say
from phasewright.report.answering import model_answers
from phasewright.report.cautions import NO_SAFETY_FUNCTION, cautions_of
from phasewright.report.document import Answers, Block, Document, Heading, Paragraph, Section
from phasewright.report.enough import DESIGN_QUESTION, design_section, design_title
from phasewright.report.escaping import clean, paragraphs
from phasewright.report.explained import explained_blocks, runaway_blocks
from phasewright.report.foresight import fewest_title, next_section, next_title, whatif_section
from phasewright.report.outlook import Outlook, outlook_of
from phasewright.report.parts import SIMULATED, is_simulated, sentence, sort_answers
from phasewright.report.questions import bench_section, first_section, heat_section, hold_section, waste_section
from phasewright.report.split import split_blocks
from phasewright.report.trust import trust_section


def _front(
    analysis: Analysis, outlook: Outlook | None, plan: Plan | Readiness | None, design: Design | None
) -> Section:
    """Return the summary: one sentence a question, the cautions that apply, and what this is not."""
    foreseen = ()
    if outlook is not None:
        foreseen += (("What if?", sentence(fewest_title(outlook)), "if"),)
    if design is not None:
        foreseen += ((DESIGN_QUESTION, sentence(design_title(design)), "enough"),)
    if plan is not None:
        foreseen += (("What next?", sentence(next_title(plan)), "next"),)
    answers = (
        (
            ("Which settings hold?", sentence(say.verdicts_title(analysis)), "hold"),
            ("How hot, and why?", sentence(say.heat_title(analysis)), "heat"),
            ("What is wasted?", sentence(say.waste_title(analysis)), "waste"),
            ("What gives first?", sentence(say.margins_title(analysis)), "first"),
            *foreseen,
            ("Can it be trusted?", sentence(say.trust_title(analysis)), "trust"),
        )
        if analysis.steps
        else foreseen
    )
    cautions = cautions_of(analysis)
    blocks: list[Block] = [Paragraph(text, "lead") for text in paragraphs(analysis.campaign.notes)]
    if answers:
        blocks.append(Answers(answers))
    said = "; ".join(f"{c.title.lower()} ({c.grade})" for c in cautions)
    blocks.append(
        Paragraph(
            NO_SAFETY_FUNCTION
            + (f" Cautions that apply to this bench, each where it matters below: {said}." if said else ""),
            "safety",
        )
    )
    return Section("answers", "In short", tuple(blocks))


def _with(section: Section, more: list[Block]) -> Section:
    """Return the section with blocks of the model after its own."""
    return replace(section, blocks=(*section.blocks, *more))


def _why(outlook: Outlook | None) -> list[Block]:
    """Return where the loss is and how the model compares with what was measured."""
    return [] if outlook is None else [*split_blocks(outlook), *explained_blocks(outlook)]


def _answered(analysis: Analysis) -> list[Block]:
    """Return the answers that belong to no other chapter, as those of what if."""
    return [Paragraph(sentence(clean(answer.sentence, 1200)), "answer long") for answer in sort_answers(analysis)[""]]


def guide_document(
    analysis: Analysis, *, version: str = "", fitted: Fitted | None = None, plan: Plan | Readiness | None = None,
    design: Design | None = None,
) -> Document:
    """Return the whole guide of a campaign as one document.

    `fitted` adds what its model says: why, how near to runaway, what if; `plan` adds the steps to come, `design` what
    would be enough.
    """
    outlook = outlook_of(analysis, fitted) if fitted is not None else None
    if fitted is not None:
        analysis = replace(analysis, answers=model_answers(analysis, fitted, outlook=outlook))
    bench, campaign = analysis.bench, analysis.campaign
    software = f"Phasewright {clean(version, 40)}" if version else "Phasewright"
    sections = [
        _front(analysis, outlook, plan, design),
        bench_section(analysis),
        hold_section(analysis),
        _with(
            heat_section(analysis), [*split_blocks(outlook), *explained_blocks(outlook)] if outlook is not None else []
        ),
        waste_section(analysis),
        _with(first_section(analysis), runaway_blocks(outlook) if outlook is not None else []),
        *([whatif_section(analysis, outlook, _answered(analysis))] if outlook is not None else []),
        *([design_section(design)] if design is not None else []),
        *([next_section(plan)] if plan is not None else []),
        trust_section(analysis),
    ]
    other = [] if outlook is not None else sort_answers(analysis)[""]
    if other:
        sections.insert(
            -1,
            Section(
                "more",
                "What else?",
                tuple(
                    block
                    for a in other
                    for block in (Heading(clean(a.question), 3), Paragraph(sentence(clean(a.sentence, 1200))))
                ),
            ),
        )
    facts = [
        ("Bench", clean(bench.name)),
        ("Steps", str(len(analysis.steps))),
        ("Instruments", ", ".join(clean(i.name, 60) for i in bench.instruments)),
    ]
    if analysis.recording.origin:
        facts.append(("Record begins", clean(analysis.recording.origin)))
    facts.append(("Computed with", software))
    colophon = [
        f"Computed with {software} from the files whose fingerprints stand above.",
        "Intervals are 95 % coverage intervals after JCGM 100:2008 (GUM). Temperatures in °C, differences in K.",
    ]
    return Document(
        clean(campaign.name),
        clean(bench.board.name),
        tuple(facts),
        SIMULATED if is_simulated(analysis) else "",
        tuple(sections),
        tuple(colophon),
    )
