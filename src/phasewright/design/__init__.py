"""What to buy or build: the cheapest regulator that would be enough, and what more money would buy.

Takes: catalogue.toml, requirement.toml, Fitted or priors alone.
Gives: Catalogue, Requirement, Front (exact, with the method used), Verdict with its reasons.
May import: model, findings, limits, logs, physics, bench, quantity.
May touch: reads files; lays down example files (random generators are passed in).
Asks: is it a part that could be bought, or a reason to buy another?
"""

from phasewright.design.asking import trades_of, what_changes
from phasewright.design.candidates import Space, carry
from phasewright.design.catalogue import read_catalogue
from phasewright.design.chances import chances_of
from phasewright.design.exact import Checkpoint, Found, exhaust, search
from phasewright.design.exchange import design_from_dict, design_json, design_to_dict
from phasewright.design.laying import lay_down_design
from phasewright.design.members import front_of, is_enough, judge
from phasewright.design.ranking import Ranking
from phasewright.design.records import (
    Catalogue,
    Chances,
    Choice,
    Controller,
    Cooler,
    Design,
    Front,
    Member,
    Method,
    Part,
    Purchase,
    Requirement,
    Sensitivity,
    Trade,
    Verdict,
)
from phasewright.design.requirement import read_requirement
from phasewright.design.verdicts import cheapest_enough, choose, difference_of, rank
from phasewright.design.working import on_cluster, workers

__all__ = [
    "Catalogue",
    "Chances",
    "Checkpoint",
    "Choice",
    "Controller",
    "Cooler",
    "Design",
    "Found",
    "Front",
    "Member",
    "Method",
    "Part",
    "Purchase",
    "Ranking",
    "Requirement",
    "Sensitivity",
    "Space",
    "Trade",
    "Verdict",
    "carry",
    "chances_of",
    "cheapest_enough",
    "choose",
    "design_from_dict",
    "design_json",
    "design_to_dict",
    "difference_of",
    "exhaust",
    "front_of",
    "is_enough",
    "judge",
    "lay_down_design",
    "on_cluster",
    "rank",
    "read_catalogue",
    "read_requirement",
    "search",
    "trades_of",
    "what_changes",
    "workers",
]
