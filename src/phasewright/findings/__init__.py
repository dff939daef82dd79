"""Steady windows turned into figures with uncertainty, verdicts, comparisons and answers.

Takes: Recording, StepSpan, Window, Bench, Campaign.
Gives: StepFinding, Comparison, Answer, Analysis.
May import: logs, physics, bench, quantity.
May touch: nothing.
Asks: is it a figure with an uncertainty, or what follows from one?
"""

from phasewright.findings.records import (
    VERDICTS, Analysis, Answer, Comparison, Margin, NotComputable, StepFinding,
)

__all__ = ["VERDICTS", "Analysis", "Answer", "Comparison", "Margin", "NotComputable", "StepFinding"]
