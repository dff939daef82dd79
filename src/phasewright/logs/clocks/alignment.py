"""All logs of a campaign on one clock."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from phasewright.bench import Bench, Campaign, Fault, LogFault
from phasewright.logs.clocks.onelog import Logs, iso_time, lay_out_reference, place_log
from phasewright.logs.clocks.pairs import POWER_ORDER, choose_reference, rank
from phasewright.logs.clocks.placing import Piece, place_all
from phasewright.logs.clocks.together import begin_together, file_spans
from phasewright.logs.condense import BIN_LENGTH, condense, wished_length
from phasewright.logs.records import Recording, Remark, Trace
from phasewright.logs.sanity import question


def align(
    opened: Mapping[str, Any],
    bench: Bench,
    campaign: Campaign,
    *,
    chosen: Mapping[str, float] | None = None,
    progress: Callable[[float, str], None] | None = None,
) -> Recording:
    """Return the logs of `opened` (name -> log with `.traces` and `.reports`) on the clock of the reference log.

    The reference is ``campaign.reference_log``, else the fastest log with a power channel. Every other log is placed by
    the edges that its channels share with the reference, with offset, drift and averaging time, each with its standard
    uncertainty; restarts and clock steps part a log into stretches with a clock map each. `chosen` (log name -> offset
    [s]), else what the campaign's log states, settles an ambiguous log by a person's choice. Ambiguous logs have their
    candidates in their clock map and no traces in the recording; logs without evidence are placed by their calendar
    clocks and marked ``assumed``.

    Channels that contradict each other or physics are remarked on; what is no reading is missing (`logs.sanity`).

    Raises LogFault, naming every log at fault, when there is nothing to read, when two logs do not overlap, or when
    columns are swapped or in another unit than they say.
    """
    tell = progress or (lambda fraction, text: None)
    traces = {name: tuple(t for t in log.traces if len(t.time_ns)) for name, log in opened.items()}
    files = {entry.name: entry.files[0] for entry in campaign.logs if entry.files}
    _refuse_empty(traces, files, campaign)
    reference = choose_reference(traces, campaign.reference_log)
    order = [reference] + sorted((n for n in traces if n != reference), key=lambda n: _turn(traces[n]))
    traces = {name: traces[name] for name in order}
    absolute = {name: all(t.absolute for t in group) for name, group in traces.items()}
    first = {name: min(int(t.time_ns[0]) for t in group) for name, group in traces.items()}
    zero = {name: first[reference] if all(absolute.values()) else first[name] for name in traces}
    tell(0.0, "condensing")
    length = wished_length(t for group in traces.values() for t in group)
    intervals = {
        name: tuple(condense(t, zero[name], bin_length=length) for t in group) for name, group in traces.items()
    }
    # What is matched against has its stretches one after the other; what is placed keeps its own stamps, as its clock
    # maps say where each stretch goes.
    laid, pieces_of_reference, remarks = lay_out_reference(reference, intervals[reference])
    if length > BIN_LENGTH:
        remarks.append(Remark("note", f"the record is very long: quick channels are taken in means over {length:.2g} s, so "
                              "the edges of steps are known no closer; extremes are those of single samples"))
    stamped = {entry.name: entry.shared_clock for entry in campaign.logs}
    shared = frozenset(name for name in order[1:] if stamped.get(name) and stamped[name] == stamped.get(reference))
    logs = Logs(reference, {**intervals, reference: laid}, zero, absolute, files, shared)
    stated = {entry.name: entry.clock_offset for entry in campaign.logs} | dict(chosen or {})
    pieces: dict[str, list[Piece]] = {reference: pieces_of_reference}
    faults: list[Fault] = []
    for number, name in enumerate(order[1:]):
        tell((number + 1) / len(order), f"aligning {name} with {reference}")
        found, said, wrong = place_log(logs, name, pieces, stated.get(name))
        pieces[name] = found
        remarks += said
        faults += wrong
    if faults:
        raise LogFault(faults)
    rows = {name: {item.fingerprint.file: item.row_count for item in opened[name].reports} for name in order}
    for name in order[1:]:
        pieces[name], said = begin_together(name, reference, pieces, traces, rows, zero, campaign)
        remarks += said
    instruments = {entry.name: entry.instrument for entry in campaign.logs}
    placed, said = place_all(traces, intervals, pieces, instruments)
    recording = Recording(
        reference, iso_time(zero[reference]) if absolute[reference] else "", placed,
        tuple(piece.clock for name in order for piece in pieces[name]),
        tuple(report for log in opened.values() for report in log.reports), tuple(remarks + said),
        file_spans(pieces, traces, rows, zero),
    )
    tell(0.98, "holding the channels against each other")
    return question(recording, traces, bench, campaign)


def _turn(group: tuple[Trace, ...]) -> int:
    """Logs with power channels come first, as a calendar may then be borrowed from them."""
    return min(rank(t.channel, POWER_ORDER) for t in group)


def _refuse_empty(traces: Mapping[str, tuple[Trace, ...]], files: Mapping[str, str], campaign: Campaign) -> None:
    file = campaign.file or "campaign.toml"
    faults = [
        Fault(files.get(name, name), f"log {name!r} has no readings for any mapped channel (0 readings)",
              "check the file and the channel map of this log, or take the log out of campaign.toml")
        for name, group in traces.items() if not group
    ]
    if not traces:
        faults.append(Fault(file, "no log was opened (0 logs)", "add at least one [[log]]", path="log"))
    if campaign.reference_log and campaign.reference_log not in traces:
        faults.append(Fault(
            file, f"reference_log = {campaign.reference_log!r} is none of the logs "
            f"({', '.join(sorted(traces)) or 'none'})", "name one of them, or leave reference_log out",
            path="reference_log"))
    if faults:
        raise LogFault(faults)
