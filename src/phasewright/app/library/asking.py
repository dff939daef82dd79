"""One question to all campaigns of a library: which settings they share, and what they say of one figure there."""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from phasewright.app.library.entries import KEPT
from phasewright.app.library.index import RUNG, Library
from phasewright.bench import BenchFault, Fault

if TYPE_CHECKING:
    from phasewright.findings import GroupComparison

GROUPINGS = ("board", "cooler", "day", "campaign")
ALIKE = 0.05
"""Relative difference of load up to which two steps are one setting."""
MOST_SETTINGS = 4
"""Settings that are answered when the question leaves them open."""
MOST_STEPS = 6000
"""Steps that are read for one question, but for those of its first setting."""
MOST_OFFERS = 40
_RANK = {"sustained": 0, "marginal": 1, "clamped": 2, "unsettled": 3, "unknown": 4, "tripped": 5}
_DATE = re.compile(r"\d{4}(-\d\d(-\d\d)?)?")


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked of every campaign."""

    quantity: str = "loss"
    by: str = "board"
    phases: tuple[int, ...] = ()
    """() = any."""
    load_name: str = ""
    """package_power | rail_current; '' = any."""
    load: float = 0.0
    """[W] or [A]"""
    board: str = ""
    """Part of the board's name, in any case; '' = any."""
    cooler: str = ""
    since: str = ""
    """First day, ``2031-03-04``, ``2031-03`` or ``2031``; '' = any."""
    until: str = ""
    baseline: str = ""
    """Group with which the others are compared; '' = the one with most campaigns."""


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting that several campaigns have tried, with what they say of it."""

    phase_count: int
    load_name: str
    load: float
    """Mean over the campaigns [W] or [A]."""
    found: GroupComparison


@dataclass(frozen=True, slots=True)
class Offer:
    """A setting that could be asked for."""

    phase_count: int
    load_name: str
    load: float
    """[W] or [A]"""
    steps: int
    """That were held there, over all campaigns."""
    low: float
    """Least load that counts as this one [W] or [A]."""
    high: float


@dataclass(frozen=True, slots=True)
class Answered:
    """What the library says."""

    question: Question
    settings: tuple[Setting, ...]
    offers: tuple[Offer, ...]
    """Settings that fit the question, those that were held most often first."""
    campaigns: int
    """In the library."""
    matching: int
    """Analyzed ones that fit the question's board, cooler and days."""
    boards: tuple[tuple[str, int], ...]
    coolers: tuple[tuple[str, int], ...]
    unused: tuple[tuple[str, str, str], ...]
    """(folder, state, why) of campaigns that say nothing because they are changed, not analyzed or faulty."""


def question_of(
    *, phases: str = "", load: str = "", board: str = "", cooler: str = "", since: str = "", until: str = "",
    by: str = "board", quantity: str = "loss", baseline: str = "",
) -> Question:  # fmt: skip
    """Return the question that texts ask; BenchFault names every text that is wrong."""
    from phasewright.quantity import parse_quantity

    faults: list[Fault] = []
    counts: list[int] = []
    for word in filter(None, (part.strip() for part in phases.split(","))):
        first, dash, last = word.partition("-")
        if not (first.isdecimal() and (last.isdecimal() or not dash)) or not 1 <= int(first) <= int(last or first) <= 99:
            faults.append(Fault("--phases", f"{word!r} is no phase count", "write 3, or 8,6,4, or 3-6"))
            continue
        counts += range(int(first), int(last or first) + 1)
    load_name, size = "", 0.0
    if load.strip():
        for key, unit in (("package_power", "W"), ("rail_current", "A")):
            try:
                load_name, size = key, parse_quantity(load, unit)
                break
            except ValueError:
                continue
        if not load_name or not size > 0.0:
            faults.append(Fault("--load", f"{load!r} is neither a power nor a current", "write '300 W' or '250 A'"))
    for option, text in (("--since", since), ("--until", until)):
        if text and not _DATE.fullmatch(text):
            faults.append(Fault(option, f"{text!r} is no day", "write 2031-03-04, 2031-03 or 2031"))
    if by not in GROUPINGS:
        faults.append(Fault("--by", f"{by!r} makes no groups", f"take {', '.join(GROUPINGS)}"))
    if quantity not in KEPT:
        faults.append(Fault("--quantity", f"{quantity!r} is not kept in the library", f"take one of {', '.join(KEPT)}"))
    if faults:
        raise BenchFault(faults)
    return Question(quantity, by, tuple(dict.fromkeys(counts)), load_name, size, board, cooler, since, until, baseline)


def answer(library: Library, question: Question) -> Answered:
    """Return what the campaigns of the library say; nothing but the index is read.

    Raises BenchFault where the baseline asked for is not among the groups.
    """
    offers = _offers(library, question)
    settings: list[Setting] = []
    read = 0
    for offer in offers:
        if settings and (read + offer.steps > MOST_STEPS or len(settings) == MOST_SETTINGS):
            break
        read += offer.steps
        setting = _compared(library, question, offer)
        if setting is not None:
            settings.append(setting)
    of_campaigns, told = _of_campaigns(question)
    matching = library.rows(f"SELECT count(*) FROM campaigns c WHERE c.state = 'ready'{of_campaigns}", told)[0][0]
    return Answered(
        question, tuple(settings), tuple(offers[:MOST_OFFERS]), library.rows("SELECT count(*) FROM campaigns")[0][0],
        matching, _names(library, "board"), _names(library, "cooler"),
        tuple(library.rows("SELECT folder, state, why FROM campaigns WHERE state <> 'ready' ORDER BY folder LIMIT 200")),
    )  # fmt: skip


def _names(library: Library, column: str) -> tuple[tuple[str, int], ...]:
    query = f"SELECT {column}, count(*) FROM campaigns WHERE {column} <> '' GROUP BY {column} ORDER BY 2 DESC, 1 LIMIT 50"
    return tuple(library.rows(query))


def _of_campaigns(question: Question) -> tuple[str, tuple[Any, ...]]:
    """Return the condition on campaigns, and what stands in it."""
    parts, values = [], []
    for column, text in (("board_key", question.board), ("cooler_key", question.cooler)):
        if text:
            parts.append(f" AND instr(c.{column}, ?) > 0")
            values.append(text.casefold())
    if question.since:
        parts.append(" AND c.day >= ?")
        values.append(question.since)
    if question.until:
        parts.append(" AND c.day <> '' AND c.day <= ?")
        values.append(question.until + "~")  # the whole of the month or year that is named
    return "".join(parts), tuple(values)


def _offers(library: Library, question: Question) -> list[Offer]:
    """Return the settings that fit the question: rungs of load put together as far as they count as one load."""
    of_campaigns, values = _of_campaigns(question)
    if question.phases:
        of_campaigns += f" AND s.phase_count IN ({','.join('?' * len(question.phases))})"
        values += question.phases
    if question.load_name:
        rows = library.rows(
            f"SELECT s.phase_count, count(*) FROM steps s CROSS JOIN campaigns c ON c.id = s.campaign AND c.state = 'ready' "
            f"WHERE s.phase_count IS NOT NULL AND s.{question.load_name} BETWEEN ? AND ?{of_campaigns} GROUP BY 1",
            ((1.0 - ALIKE) * question.load, (1.0 + ALIKE) * question.load, *values),
        )  # fmt: skip
        low, high = (1.0 - ALIKE) * question.load, (1.0 + ALIKE) * question.load
        found = [Offer(round(count), question.load_name, question.load, steps, low, high) for count, steps in rows]
    else:
        rows = library.rows(
            "SELECT s.phase_count, s.load_name, s.rung, count(*) FROM steps s CROSS JOIN campaigns c ON c.id = s.campaign "
            f"AND c.state = 'ready' WHERE s.phase_count IS NOT NULL AND s.load_name IS NOT NULL{of_campaigns} "
            "GROUP BY 1, 2, 3 ORDER BY 1, 2, 3",
            values,
        )  # fmt: skip
        found = []
        for key, items in itertools.groupby(rows, key=lambda row: row[:2]):
            found += _neighbours(round(key[0]), key[1], list(items))
    return sorted(found, key=lambda item: (-item.steps, -item.load, item.phase_count))


def _neighbours(count: int, name: str, rungs: list[tuple[Any, ...]]) -> list[Offer]:
    """Return the loads of one phase count as settings, none wider than what counts as one load."""
    found: list[Offer] = []
    group: list[tuple[int, int]] = []
    for *_, rung, steps in [*rungs, (None, None, None, 0)]:
        if group and (rung is None or (rung - group[0][0]) * RUNG > 2.0 * ALIKE):
            low, high = (math.exp((at + side) * RUNG) for at, side in ((group[0][0], -0.5), (group[-1][0], 0.5)))
            total = sum(steps for _, steps in group)
            mean = math.exp(sum(at * steps for at, steps in group) / total * RUNG)
            found.append(Offer(count, name, mean, total, low, high))
            group = []
        group.append((rung, steps))
    return found


def _compared(library: Library, question: Question, offer: Offer) -> Setting | None:
    """Return what the campaigns say at one setting; None where fewer than two do.

    Of several steps of one campaign the one that held best speaks, the first of equals.
    """
    from phasewright.findings import Held, compare_groups, stated_u
    from phasewright.quantity import Value

    of_campaigns, told = _of_campaigns(question)
    rows = library.rows(
        "SELECT c.id, c.folder, c.name, c.board, c.cooler, c.day, s.name, s.verdict, s.settings, f.value, f.unit, f.u, "
        f"f.low95, f.high95, f.kind, f.reason, c.simulated, s.{offer.load_name} FROM steps s "
        "CROSS JOIN campaigns c ON c.id = s.campaign AND c.state = 'ready' "
        "CROSS JOIN figures f ON f.quantity = ? AND f.step = s.id "
        f"WHERE s.phase_count = ? AND s.{offer.load_name} BETWEEN ? AND ?{of_campaigns} ORDER BY s.campaign, s.number",
        (question.quantity, offer.phase_count, offer.low, offer.high, *told),
    )  # fmt: skip
    best: dict[int, tuple[Any, ...]] = {}
    for row in rows:
        if row[0] not in best or _RANK.get(row[7], 4) < _RANK.get(best[row[0]][7], 4):
            best[row[0]] = row
    if len(best) < 2:
        return None
    held, loads = [], []
    for row in sorted(best.values(), key=lambda row: (row[3].casefold(), row[4].casefold(), row[5], row[1])):
        _, folder, name, board, cooler, day, step, verdict, settings, value, unit, u, low, high, kind, why, sim, load = row
        number = Value(value, unit, stated_u(u, low, high), low, high, kind, reason=why)
        held.append(Held(folder, name, board, cooler, day, step, verdict, settings, number, bool(sim)))
        loads.append(load)
    try:
        found = compare_groups(held, question.quantity, by=question.by, baseline=question.baseline)
    except ValueError as error:
        what, _, mend = str(error).rpartition(" - ")
        raise BenchFault(Fault("--baseline", what, mend)) from error
    return Setting(offer.phase_count, offer.load_name, sum(loads) / len(loads), found)
