"""Every limit of a multiphase regulator, and how far any state, measured or predicted, is from each.

Takes: Bench, State (named figures with their settings).
Gives: Margin, Reading, NotComputable, Judged; fewest phases over all limits, mends by what they buy.
May import: physics, bench, quantity.
May touch: nothing.
Asks: is it a ceiling, or the distance to one?
"""

from phasewright.limits.columns import Column, ColumnMargin, column_margins, draw_parts
from phasewright.limits.counts import Fewest, fewest_phases, gives_way, holds
from phasewright.limits.judging import above_limit, figures_at, holds_zero, includes_zero, margins_at, relative
from phasewright.limits.mends import Mend, mends_of
from phasewright.limits.records import Judged, Margin, NotComputable, Reading, State
from phasewright.limits.rules import RULES, Rule, droop_course, rule_of
from phasewright.limits.stated import HOTTEST
from phasewright.limits.wording import figure_title, margin_text, shown_unit

__all__ = [
    "Column",
    "ColumnMargin",
    "Fewest",
    "HOTTEST",
    "Judged",
    "Margin",
    "Mend",
    "NotComputable",
    "RULES",
    "Reading",
    "Rule",
    "State",
    "above_limit",
    "column_margins",
    "draw_parts",
    "droop_course",
    "fewest_phases",
    "figure_title",
    "figures_at",
    "gives_way",
    "holds",
    "holds_zero",
    "includes_zero",
    "margin_text",
    "margins_at",
    "mends_of",
    "relative",
    "rule_of",
    "shown_unit",
]
