"""Every column that a channel is made from, looked at before channels are made."""

from __future__ import annotations

from collections.abc import Sequence

from phasewright.bench import ChannelSource
from phasewright.logs.records import Table
from phasewright.logs.sanity.alike import find_copies, find_signs, find_unlike_connectors
from phasewright.logs.sanity.beyond import find_beyond
from phasewright.logs.sanity.clipped import find_clipped
from phasewright.logs.sanity.codes import find_codes
from phasewright.logs.sanity.doubts import Doubts, Gathered
from phasewright.logs.sanity.frozen import find_frozen
from phasewright.logs.sanity.magnitude import refuse_slips
from phasewright.logs.sanity.spikes import find_spikes
from phasewright.logs.sanity.stale import find_stale
from phasewright.logs.sanity.survey import survey


def look_at(table: Table, sources: Sequence[ChannelSource]) -> Doubts:
    """Return what cannot be taken at face value in the columns of `table` that `sources` name.

    Nothing is changed. Counts, duties and flags (unit 1) are held against other channels later, when all logs are on
    one clock.
    """
    gathered = Gathered()
    columns = survey(table, sources)
    if columns and len(table.time_ns) > 1:
        refuse_slips(table, sources, columns, gathered)
        find_stale(table, columns, gathered)
        find_codes(table, columns, gathered)
        find_beyond(table, columns, gathered)
        find_frozen(table, columns, gathered)
        find_spikes(table, columns, gathered)
        find_clipped(table, columns, gathered)
        find_copies(table, columns, gathered)
        find_signs(table, columns, gathered)
        find_unlike_connectors(table, sources, {column.name: column for column in columns}, gathered)
    return gathered.done()
