"""What is on the bench, what was done on it, and what it must never exceed.

Takes: bench.toml, campaign.toml.
Gives: Bench, Campaign, Limit, every fault of both files at once.
May import: quantity.
May touch: reads files; lays down new campaign folders.
Asks: is it a limit, a part, or a setting?
"""

from phasewright.bench.channels import CHANNELS, Channel, base_channel
from phasewright.bench.faults import BenchFault, Fault, LogFault, NotReady, PhasewrightError, escape
from phasewright.bench.records import (
    Accuracy,
    Bench,
    Board,
    Campaign,
    CapacitorBank,
    ChannelSource,
    ColumnTerm,
    Connector,
    Cooling,
    CoolingPart,
    Cost,
    Inductor,
    Instrument,
    Limit,
    LogEntry,
    Processor,
    Protection,
    Regulator,
    Stage,
    Step,
)

__all__ = [
    "CHANNELS",
    "Channel",
    "base_channel",
    "BenchFault",
    "Fault",
    "LogFault",
    "NotReady",
    "PhasewrightError",
    "escape",
    "Accuracy",
    "Bench",
    "Board",
    "Campaign",
    "CapacitorBank",
    "ChannelSource",
    "ColumnTerm",
    "Connector",
    "Cooling",
    "CoolingPart",
    "Cost",
    "Inductor",
    "Instrument",
    "Limit",
    "LogEntry",
    "Processor",
    "Protection",
    "Regulator",
    "Stage",
    "Step",
]
