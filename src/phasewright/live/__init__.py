"""Instruments on the wire, and the virtual bench that stands in for them.

Takes: a scenario or instruments on the bench.
Gives: log files as a real bench would write them, and the truth behind them.
May import: logs, physics, bench, quantity.
May touch: wire, clock; writes campaign folders.
Asks: does it touch, or stand in for, an instrument?
"""

from phasewright.live.virtual.big import big_campaign
from phasewright.live.virtual.campaign import make_campaign
from phasewright.live.virtual.demo import demo_scenario
from phasewright.live.virtual.random_bench import random_scenario
from phasewright.live.virtual.scenario import Scenario
from phasewright.live.virtual.truth import Truth

__all__ = ["Scenario", "Truth", "big_campaign", "demo_scenario", "make_campaign", "random_scenario"]
