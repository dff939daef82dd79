"""What is on the bench, what was done on it, and what it must never exceed.

Takes: bench.toml, campaign.toml.
Gives: Bench, Campaign, Limit, every fault of both files at once.
May import: quantity.
May touch: reads files; lays down new campaign folders.
Asks: is it a limit, a part, or a setting?
"""

from phasewright.bench.add import add_instrument, add_log
from phasewright.bench.channels import CHANNELS, Channel, base_channel
from phasewright.bench.check import check_folder
from phasewright.bench.edit import edited, file_faults, keep_text, new_text, without_block
from phasewright.bench.example import example_line
from phasewright.bench.faults import BenchFault, Fault, LogFault, NotReady, PhasewrightError, escape
from phasewright.bench.limits import limits_of
from phasewright.bench.read import read_bench, read_campaign
from phasewright.bench.records import (
    Accuracy,
    Bench,
    Board,
    Campaign,
    CapacitorBank,
    ChannelSource,
    Checked,
    ColumnTerm,
    Connection,
    Connector,
    Cooling,
    CoolingPart,
    Copper,
    Cost,
    Inductor,
    Instrument,
    Limit,
    LoadProgram,
    LogEntry,
    Processor,
    Protection,
    ReadingSource,
    Regulator,
    Stage,
    Step,
    StopAction,
)
from phasewright.bench.schema import json_schema
from phasewright.bench.write import lay_down

__all__ = [
    "Accuracy",
    "Bench",
    "BenchFault",
    "Board",
    "CHANNELS",
    "Campaign",
    "CapacitorBank",
    "Channel",
    "ChannelSource",
    "Checked",
    "ColumnTerm",
    "Connection",
    "Connector",
    "Cooling",
    "CoolingPart",
    "Copper",
    "Cost",
    "Fault",
    "Inductor",
    "Instrument",
    "Limit",
    "LoadProgram",
    "LogEntry",
    "LogFault",
    "NotReady",
    "PhasewrightError",
    "Processor",
    "Protection",
    "ReadingSource",
    "Regulator",
    "Stage",
    "Step",
    "StopAction",
    "add_instrument",
    "add_log",
    "base_channel",
    "check_folder",
    "edited",
    "escape",
    "example_line",
    "file_faults",
    "json_schema",
    "keep_text",
    "lay_down",
    "limits_of",
    "new_text",
    "read_bench",
    "read_campaign",
    "without_block",
]
