"""How records show themselves in a notebook: small, escaped HTML without style or script."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from html import escape
from typing import Any

from phasewright.quantity import Value, to_text

__all__ = ["analysis_html", "answer_html", "comparison_html", "step_html"]


def _table(head: Iterable[str], rows: Iterable[Iterable[str]], caption: str = "") -> str:
    top = f"<caption>{escape(caption)}</caption>" if caption else ""
    top += "<tr>" + "".join(f'<th scope="col">{escape(text)}</th>' for text in head) + "</tr>"
    body = "".join("<tr>" + "".join(f"<td>{escape(text)}</td>" for text in row) + "</tr>" for row in rows)
    return f"<table>{top}{body}</table>"


def _list(items: Iterable[str]) -> str:
    return "<ul>" + "".join(f"<li>{escape(text)}</li>" for text in items) + "</ul>"


def _rows(values: Mapping[str, Value]) -> Iterable[tuple[str, str, str]]:
    for name, value in values.items():
        note = value.reason if value.u is None else value.kind
        yield name.replace("_", " "), to_text(value), note


def step_html(finding: Any) -> str:
    """Return one step as HTML: verdict, reasons, quantities with their 95 % half-widths."""
    head = f"<p><b>{escape(finding.step.name)}</b>: {escape(finding.verdict)}</p>"
    table = _table(("quantity", "value ± 95 %", "kind"), _rows(finding.quantities))
    return head + _list(finding.reasons) + table


def comparison_html(comparison: Any) -> str:
    """Return one comparison as HTML: differences with their 95 % half-widths."""
    caption = f"{comparison.step} less {comparison.baseline} ({comparison.reason})"
    return _table(("quantity", "difference ± 95 %", "kind"), _rows(comparison.differences), caption)


def analysis_html(analysis: Any) -> str:
    """Return an analysis as HTML: answers, then one row a step."""
    shown = ("input_power", "package_power", "loss", "delivery_efficiency", "regulator_temperature")
    rows = []
    for finding in analysis.steps:
        cells = [to_text(finding.quantities[name]) if name in finding.quantities else "-" for name in shown]
        rows.append((finding.step.name, finding.verdict, *cells))
    mark = "<p><b>simulated data</b></p>" if analysis.bench.simulated or analysis.campaign.simulated else ""
    answers = _list(f"{item.question} {item.sentence}" for item in analysis.answers)
    head = ("step", "verdict", *(name.replace("_", " ") for name in shown))
    return f"<p><b>{escape(analysis.campaign.name)}</b></p>{mark}{answers}{_table(head, rows, 'value ± 95 %')}"


def answer_html(answer: Any) -> str:
    """Return one answer as HTML: question, sentence, its numbers."""
    rows = ((name, to_text(item) if isinstance(item, Value) else str(item)) for name, item in answer.numbers.items())
    table = _table(("number", "value ± 95 %"), rows) if answer.numbers else ""
    return f"<p><b>{escape(answer.question)}</b> {escape(answer.sentence)}</p>{table}"
