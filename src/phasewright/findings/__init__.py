"""Steady windows turned into figures with uncertainty, verdicts, comparisons and answers.

Takes: Recording, StepSpan, Window, Bench, Campaign.
Gives: StepFinding, Comparison, Check, Answer, Analysis; the analysis as JSON data or a data frame.
May import: limits, logs, physics, bench, quantity.
May touch: nothing.
Asks: is it a figure with an uncertainty, or what follows from one?
"""

from phasewright.findings.analysis import analyze
from phasewright.findings.campaigns import CampaignComparison, Contrast, SettingContrast, compare_campaigns
from phasewright.findings.exchange import analysis_schema, to_json
from phasewright.findings.frames import to_frame
from phasewright.findings.groups import GroupComparison, GroupContrast, GroupFinding, Held, compare_groups, stated_u
from phasewright.findings.margins import state_of
from phasewright.findings.records import (
    VERDICTS,
    Analysis,
    Answer,
    Check,
    Comparison,
    StepFinding,
)
from phasewright.findings.trustworthiness import unstated_accuracy
from phasewright.limits import Margin, NotComputable

__all__ = [
    "VERDICTS",
    "Analysis",
    "Answer",
    "CampaignComparison",
    "Check",
    "Comparison",
    "Contrast",
    "GroupComparison",
    "GroupContrast",
    "GroupFinding",
    "Held",
    "Margin",
    "NotComputable",
    "SettingContrast",
    "StepFinding",
    "analysis_schema",
    "analyze",
    "compare_campaigns",
    "compare_groups",
    "state_of",
    "stated_u",
    "to_frame",
    "to_json",
    "unstated_accuracy",
]
