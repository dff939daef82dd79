"""What every chapter needs: which answer goes where, sentences, cautions in their place."""

from __future__ import annotations

from phasewright.findings import Analysis, Answer
from phasewright.report import headlines as say
from phasewright.report.cautions import cautions_of
from phasewright.report.document import Block, Cautions, Paragraph
from phasewright.report.escaping import clean
from phasewright.report.wording import tie

SIMULATED = "Simulated data. This bench and every number on it were invented and computed; nothing was measured."

QUESTIONS: tuple[tuple[str, str, tuple[str, ...]], ...] = (
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
    sorted_: dict[str, list[Answer]] = {key: [] for key, _, _ in QUESTIONS} | {"": []}
    for answer in analysis.answers:
        text = answer.question.lower()
        exact = [key for key, question, _ in QUESTIONS if question.lower() == text]
        loose = [key for key, _, words in QUESTIONS if any(word in text for word in words)]
        sorted_[(exact or loose or [""])[0]].append(answer)
    return sorted_


def answer_blocks(analysis: Analysis, key: str, otherwise: str) -> list[Block]:
    """Return the answer sentences of a section; the figure's own finding where the analysis gives none."""
    found = sort_answers(analysis)[key]
    if not found:
        return [Paragraph(sentence(otherwise), "answer")]
    blocks: list[Block] = []
    for answer in found:
        text = sentence(clean(answer.sentence, 1200))
        blocks.append(Paragraph(text, "answer" if len(text) <= 150 else "answer long"))
    return blocks


def sentence(text: str) -> str:
    text = tie(text.strip())
    return text if text.endswith((".", "?", "!", ":")) else text + "."


def caution_blocks(analysis: Analysis, *names: str) -> list[Block]:
    found = tuple(caution for caution in cautions_of(analysis) if caution.name in names)
    return [Cautions(found)] if found else []


def conditions(analysis: Analysis) -> str:
    return f"n = {len(analysis.steps)} steps, one run each; {say.interval_text(analysis)}"


def subtitle(analysis: Analysis, text: str) -> str:
    return f"{text}. {conditions(analysis)}"
