"""Instruments on the wire, and the virtual bench that stands in for them.

Takes: a scenario, or instruments on the bench.
Gives: a journal of every reading, ordinary logs made from it, Stopped(reason); simulated campaigns and their truth.
May import: logs, physics, bench, quantity.
May touch: wire, clock; writes campaign folders.
Asks: does it touch, or stand in for, an instrument?
"""

from phasewright.live.at_work import ProcessStation, RecorderGone
from phasewright.live.clock import MachineClock, MovedClock
from phasewright.live.guard import Bound, Guard, Stopped, nested_bounds, stale_after
from phasewright.live.instruments.driver import Surroundings
from phasewright.live.instruments_of import drivers_of, kinds
from phasewright.live.journal.export import (
    Chronicle,
    Told,
    changed_logs,
    channel_sources,
    read_journal,
    stamp_text,
    write_logs,
)
from phasewright.live.journal.reading import Follower
from phasewright.live.journal.writing import hold_folder
from phasewright.live.recorder import Happened
from phasewright.live.so_far import SoFar
from phasewright.live.standin.dry_run import DryRun, live_scenario
from phasewright.live.standin.real_time import RealTimeRun
from phasewright.live.station import DirectStation, Station
from phasewright.live.virtual.big import big_campaign
from phasewright.live.virtual.campaign import make_campaign
from phasewright.live.virtual.demo import demo_scenario
from phasewright.live.virtual.random_bench import random_scenario
from phasewright.live.virtual.scenario import Scenario
from phasewright.live.virtual.truth import Truth

__all__ = [
    "Bound", "Chronicle", "DirectStation", "DryRun", "Follower", "Guard", "Happened", "MachineClock", "MovedClock",
    "ProcessStation", "RealTimeRun", "RecorderGone",
    "Scenario", "SoFar", "Station", "Stopped", "Surroundings", "Told", "Truth", "big_campaign", "changed_logs",
    "channel_sources", "demo_scenario", "drivers_of", "hold_folder", "kinds", "live_scenario", "make_campaign", "nested_bounds",
    "random_scenario", "read_journal", "stale_after", "stamp_text", "write_logs",
]
