"""The guide as a document: every question with its answer, its figure, its table and how it was computed."""

from __future__ import annotations

from phasewright.findings import Analysis
from phasewright.report import headlines as say
from phasewright.report.cautions import NO_SAFETY_FUNCTION, cautions_of
from phasewright.report.document import Answers, Block, Document, Heading, Paragraph, Section
from phasewright.report.escaping import clean, paragraphs
from phasewright.report.parts import SIMULATED, is_simulated, sentence, sort_answers
from phasewright.report.questions import bench_section, first_section, heat_section, hold_section, waste_section
from phasewright.report.trust import trust_section


def _front(analysis: Analysis) -> Section:
    """Return the summary: one sentence a question, the cautions that apply, and what this is not."""
    answers = (
        (
            ("Which settings hold?", sentence(say.verdicts_title(analysis)), "hold"),
            ("How hot, and why?", sentence(say.heat_title(analysis)), "heat"),
            ("What is wasted?", sentence(say.waste_title(analysis)), "waste"),
            ("What gives first?", sentence(say.margins_title(analysis)), "first"),
            ("Can it be trusted?", sentence(say.trust_title(analysis)), "trust"),
        )
        if analysis.steps
        else ()
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


def guide_document(analysis: Analysis, *, version: str = "") -> Document:
    """Return the whole guide of a campaign as one document."""
    bench, campaign = analysis.bench, analysis.campaign
    software = f"Phasewright {clean(version, 40)}" if version else "Phasewright"
    sections = [
        _front(analysis),
        bench_section(analysis),
        hold_section(analysis),
        heat_section(analysis),
        waste_section(analysis),
        first_section(analysis),
        trust_section(analysis),
    ]
    other = sort_answers(analysis)[""]
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
