"""Logs in one file for each step: where the readings show no place, the files of one step began together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median, stdev

from phasewright.bench import Campaign
from phasewright.logs.clocks.placing import Piece
from phasewright.logs.records import Remark, Trace

START_U = 10.0
"""Standard uncertainty of two logs being started together by hand [s]; common practice, no source."""

FAINT = 0.5
"""Correlation of edges below which a candidate is what noise brings forth."""


@dataclass(frozen=True, slots=True)
class _File:
    segment: int
    first: float
    """First and last stamp [s] on the log's own clock."""
    last: float


def begin_together(
    name: str,
    reference: str,
    pieces: Mapping[str, Sequence[Piece]],
    traces: Mapping[str, Sequence[Trace]],
    rows: Mapping[str, Mapping[str, int]],
    zero: Mapping[str, int],
    campaign: Campaign,
) -> tuple[list[Piece], list[Remark]]:
    """Return the pieces of log `name`, those without any evidence placed by the files of the steps, and remarks.

    `rows` has, for each log, how many rows each of its files holds, in order. Pieces that the readings or a calendar
    clock place stay as they are.
    """
    if campaign.step_source != "files":
        return list(pieces[name]), []
    own, base = (_files(traces[log][0], rows[log], zero[log]) for log in (name, reference))
    offsets: dict[int, list[tuple[float, float]]] = {}
    for step in campaign.steps:
        here, there = own.get(step.files.get(name, "")), base.get(step.files.get(reference, ""))
        if here is None or there is None:
            continue
        start = _on_reference(pieces[reference], there.segment, there.first)
        lengths = (here.last - here.first) - (there.last - there.first)
        offsets.setdefault(here.segment, []).append((start - here.first, abs(lengths)))
    done, placed = [], 0
    for piece in pieces[name]:
        known = offsets.get(piece.segment)
        if not known or not _bare(piece):
            done.append(piece)
            continue
        offset = median(item[0] for item in known)
        spread = stdev([item[0] for item in known]) if len(known) > 1 else 0.0
        doubt = max(START_U, spread, 0.5 * max(item[1] for item in known))
        note = (
            f"the files of a step are taken to begin together, within {doubt:.0f} s (standard uncertainty); "
            f"{piece.clock.note}"
        )
        clock = replace(piece.clock, status="assumed", offset=offset, offset_u=doubt, drift_u=None, candidates=(),
                        note=note)  # fmt: skip
        done.append(Piece(piece.segment, clock))
        placed += 1
    if not placed:
        return done, []
    what = f"log {name!r}: in {placed} files nothing shows where they belong; each is taken to begin with its step's file " \
           f"of log {reference!r}"  # fmt: skip
    return done, [Remark("note", what)]


def file_spans(
    pieces: Mapping[str, Sequence[Piece]],
    traces: Mapping[str, Sequence[Trace]],
    rows: Mapping[str, Mapping[str, int]],
    zero: Mapping[str, int],
) -> dict[str, tuple[float, float]]:
    """Return first and last stamp on the reference clock [s] of every file that has a place on it."""
    found = {}
    for name, group in pieces.items():
        for file, own in _files(traces[name][0], rows[name], zero[name]).items():
            stretches = [piece for piece in group if piece.clock.status != "ambiguous"]
            if any(piece.segment == own.segment for piece in stretches):
                found[file] = _on_reference(stretches, own.segment, own.first), _on_reference(
                    stretches, own.segment, own.last
                )
    return found


def _bare(piece: Piece) -> bool:
    """Tell whether nothing but a guess places a stretch: no match worth the name, no calendar clock."""
    clock = piece.clock
    faint = all(abs(score) < FAINT for _, score in clock.candidates)
    return (clock.status == "ambiguous" and faint) or (clock.status == "assumed" and clock.offset_u is None)


def _files(trace: Trace, rows: Mapping[str, int], zero: int) -> dict[str, _File]:
    """Return where each file of a log lies in its trace; nothing when the rows do not add up."""
    if sum(rows.values()) != len(trace.time_ns):
        return {}
    found, base = {}, 0
    for file, count in rows.items():
        if count:
            segment = next((k for k, (a, b) in enumerate(trace.segments) if a <= base < b), None)
            if segment is not None:
                first, last = (float(trace.time_ns[i] - zero) * 1e-9 for i in (base, base + count - 1))
                found[file] = _File(segment, first, last)
        base += count
    return found


def _on_reference(pieces: Sequence[Piece], segment: int, moment: float) -> float:
    """Return a moment [s] of a log's own clock on the reference clock, by the stretch that holds it."""

    def outside(piece: Piece) -> tuple[bool, float]:
        clock = piece.clock
        away = max(clock.first - moment, moment - clock.last, 0.0)
        return piece.segment != segment, away if away == away else 0.0

    clock = min(pieces, key=outside).clock
    return moment + clock.offset + clock.drift * 1e-6 * (moment - clock.pivot)
