"""Figures, tables and the guide.

Takes: Analysis, Fitted, Prediction, Plan, Design.
Gives: files (HTML, Markdown, SVG, PNG, CSV), plain text for a terminal.
May import: all rooms below, not live.
May touch: writes files, draws.
Asks: is it a page or a picture?
"""

from __future__ import annotations

import typing as _typing

if _typing.TYPE_CHECKING:
    from phasewright.report.answering import model_answers
    from phasewright.report.asked import pair_table, prediction_blocks, strip_figure
    from phasewright.report.cautions import NO_SAFETY_FUNCTION, cautions_of
    from phasewright.report.chapters import guide_document
    from phasewright.report.document import Caution, Document, Figure, Layout, Section, Slot, Table
    from phasewright.report.enough import DESIGN_QUESTION, design_blocks, design_section
    from phasewright.report.front import front_figure, front_svg
    from phasewright.report.guide import GuideFiles, write_guide
    from phasewright.report.html import blocks_html, figure_file, inline_figure, section_html, style_sheet
    from phasewright.report.library import campaigns_table, groups_table, library_blocks, library_figure, setting_name
    from phasewright.report.package import Package, write_package
    from phasewright.report.pdf import can_set_pdf, require_pdf
    from phasewright.report.questions import bench_figure
    from phasewright.report.tables import csv_of
    from phasewright.report.terminal import answers_text, results_table
    from phasewright.report.terminal_compare import comparison_text
    from phasewright.report.terminal_design import design_text
    from phasewright.report.terminal_library import library_offers_text, library_setting_text
    from phasewright.report.terminal_model import bounds_text, model_text, prediction_text, predictions_table
    from phasewright.report.terminal_plan import preflight_text
    from phasewright.report.timeline import (
        Draft,
        TracePanel,
        timeline_file,
        timeline_points,
        timeline_svg,
        timeline_table,
        timeline_title,
    )
    from phasewright.report.wording import quantity_title, typeset

__all__ = [
    "DESIGN_QUESTION",
    "NO_SAFETY_FUNCTION",
    "Caution",
    "Document",
    "Draft",
    "Figure",
    "GuideFiles",
    "Layout",
    "Package",
    "Section",
    "Slot",
    "Table",
    "TracePanel",
    "answers_text",
    "bounds_text",
    "bench_figure",
    "blocks_html",
    "campaigns_table",
    "can_set_pdf",
    "cautions_of",
    "comparison_text",
    "csv_of",
    "design_blocks",
    "design_section",
    "design_text",
    "figure_file",
    "front_figure",
    "front_svg",
    "groups_table",
    "guide_document",
    "inline_figure",
    "library_blocks",
    "library_figure",
    "library_offers_text",
    "library_setting_text",
    "model_answers",
    "model_text",
    "pair_table",
    "prediction_blocks",
    "prediction_text",
    "predictions_table",
    "preflight_text",
    "require_pdf",
    "quantity_title",
    "results_table",
    "section_html",
    "setting_name",
    "strip_figure",
    "style_sheet",
    "timeline_file",
    "timeline_points",
    "timeline_svg",
    "timeline_table",
    "timeline_title",
    "typeset",
    "write_guide",
    "write_package",
]

_HOMES = {
    "NO_SAFETY_FUNCTION": "cautions",
    "cautions_of": "cautions",
    "guide_document": "chapters",
    "Caution": "document",
    "Document": "document",
    "Figure": "document",
    "Layout": "document",
    "Section": "document",
    "Slot": "document",
    "Table": "document",
    "Package": "package",
    "write_package": "package",
    "GuideFiles": "guide",
    "campaigns_table": "library",
    "groups_table": "library",
    "library_blocks": "library",
    "library_figure": "library",
    "setting_name": "library",
    "quantity_title": "wording",
    "typeset": "wording",
    "library_offers_text": "terminal_library",
    "library_setting_text": "terminal_library",
    "can_set_pdf": "pdf",
    "require_pdf": "pdf",
    "bench_figure": "questions",
    "blocks_html": "html",
    "pair_table": "asked",
    "prediction_blocks": "asked",
    "strip_figure": "asked",
    "Draft": "timeline",
    "TracePanel": "timeline",
    "timeline_file": "timeline",
    "timeline_points": "timeline",
    "timeline_svg": "timeline",
    "timeline_table": "timeline",
    "timeline_title": "timeline",
    "csv_of": "tables",
    "figure_file": "html",
    "inline_figure": "html",
    "section_html": "html",
    "style_sheet": "html",
    "write_guide": "guide",
    "answers_text": "terminal",
    "results_table": "terminal",
    "model_answers": "answering",
    "comparison_text": "terminal_compare",
    "bounds_text": "terminal_model",
    "model_text": "terminal_model",
    "prediction_text": "terminal_model",
    "predictions_table": "terminal_model",
    "preflight_text": "terminal_plan",
    "DESIGN_QUESTION": "enough",
    "design_blocks": "enough",
    "design_section": "enough",
    "design_text": "terminal_design",
    "front_figure": "front",
    "front_svg": "front",
}


def __getattr__(name: str):
    """Load a name of the face when it is first asked for, so that drawing costs nothing until then."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
