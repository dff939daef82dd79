"""The exact front: pairs of core and cooler by bounds, banks and connectors by merging, nothing left out unproved.

Every pair gets a price that no complete design of it can be below, and the levels of temperature and loss at which it
settles. Those that may be on the front of these bounds are completed first; what is found rules out the rest, round by
round, until no pair is left that a known design does not equal or better in everything.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import Any

import numpy as np

from phasewright.bench import BenchFault, Fault, NotReady
from phasewright.design.candidates import Space
from phasewright.design.dominance import NEVER, Table, nondominated, table_of
from phasewright.design.figures import Cores, Figures, Settled
from phasewright.design.merging import (
    COLUMNS,
    Pairs,
    Rows,
    chance_level,
    chance_unit,
    complete,
    complete_share,
    figures_of,
    levels_of,
    most_failing,
)
from phasewright.design.records import CHANCE, Choice, Method, Requirement
from phasewright.limits import Column

__all__ = ["Found", "bounded_pairs", "check", "exhaust", "key_of", "search"]

ROUND, FIRST, CLASSES = 4096, 256, 12
"""Pairs that are completed in one round at most, and in the first: each has twice those of the one before."""
COUNTED = 262_144
"""Pairs at most of which the uncertainty of the settled state is worked out to rule them out."""
SHARE = 512
"""Pairs that one worker completes at once. Fixed, so that the same sums are made whoever makes them."""
PRICE, WARM, LOST, FAILING = (COLUMNS.index(name) for name in ("price", "temperature", "loss", "failing"))

Progress = Callable[[float, str], None]
Worker = Callable[[Callable[..., Any], str, Space, Sequence[Any]], Iterable[Any]]
"""Called as worker(function, key, space, shares): function(key, space, share) of every share, in their order."""


@dataclass(frozen=True, eq=False)
class Found:
    """The front as rows of whole numbers, and how it was found."""

    rows: np.ndarray
    """(members, len(COLUMNS)), cheapest first."""
    cores: Cores
    method: Method


@dataclass(eq=False)
class _Round:
    """What a search knows between two rounds: all that a checkpoint keeps."""

    open: np.ndarray
    """(pairs,): not yet completed or ruled out."""
    rows: np.ndarray
    evaluated: int = 0
    merged: int = 0
    number: int = 0


def key_of(space: Space) -> str:
    """Return a fingerprint of everything that the front of a space hangs on."""
    fitted = space.fitted
    known = None if fitted is None else (fitted.score.tobytes(), fitted.covariance.tobytes(), fitted.prior.beliefs)
    need = (space.requirement, tuple(sorted(space.catalogue.files.items())))
    parts = tuple(getattr(space.catalogue, kind) for kind in
                  ("stage", "inductor", "capacitor", "controller", "cooler", "connector"))  # fmt: skip
    return sha256(repr((need, parts, known, None if space.bench is None else space.bench.board, space.life)).encode()).hexdigest()


def here(function: Callable[..., Any], key: str, space: Space, shares: Sequence[Any]) -> Iterable[Any]:
    """Work at shares one after the other in this process."""
    return (function(key, space, share) for share in shares)


def search(
    space: Space,
    *,
    worker: Worker = here,
    progress: Progress | None = None,
    cancelled: Callable[[], bool] | None = None,
    checkpoint: Checkpoint | None = None,
) -> Found:
    """Return the exact front of a space.

    `worker` works at shares of pairs, here or elsewhere; the result is the same to the last bit. `cancelled` is asked
    between rounds; what was done by then stays in `checkpoint`, from which the same search goes on.

    Raises
    ------
    BenchFault
        When no cooler is made for the coolant, or no phase count is left.
    NotReady
        When the search was cancelled.
    """
    progress = progress or _quiet
    key = key_of(space)
    figures = figures_of(key, space)
    check(space)
    cores, cores_all, pairs, low = bounded_pairs(figures, _classes(figures.need), progress)
    kept = checkpoint.load(key) if checkpoint is not None else None
    state = kept if kept is not None and len(kept.open) == len(pairs) else _Round(
        np.ones(len(pairs), dtype=bool), np.empty((0, len(COLUMNS)), dtype=np.int64))  # fmt: skip
    while state.open.any():
        if cancelled is not None and cancelled():
            done = 1.0 - state.open.mean()
            raise NotReady(Fault("search", f"the search was stopped after {100 * done:.0f} % of the pairs",
                                 "run it again: it goes on from there"))  # fmt: skip
        chosen = low.most_hopeful(state.open, min(FIRST << min(state.number, 8), ROUND))
        shares = [pairs.take(chosen[k : k + SHARE]) for k in range(0, len(chosen), SHARE)]
        found: list[Rows] = list(worker(complete_share, key, space, shares))
        state.evaluated += sum(item.evaluated for item in found)
        state.merged += sum(item.merged for item in found)
        state.rows = _front(figures, np.concatenate([state.rows, *(item.table for item in found)]))
        state.open[chosen] = False
        known = _known(figures, state.rows)
        left = np.flatnonzero(state.open)
        state.open[left] = ~low.hopeless(known, left)
        left = np.flatnonzero(state.open & ~low.counted)
        if 0 < len(left) <= COUNTED:
            low.count_heat(figures, pairs, left)
            state.open[left] = ~low.hopeless(known, left)
        state.number += 1
        if checkpoint is not None:
            checkpoint.save(key, state)
        progress(0.1 + 0.9 * (1.0 - state.open.mean()), f"round {state.number}: {int(state.open.sum())} pairs left, "
                 f"{len(state.rows)} designs on the front")  # fmt: skip
    order = np.lexsort((state.rows[:, FAILING], state.rows[:, LOST], state.rows[:, WARM], state.rows[:, PRICE]))
    method = Method(space.combinations, len(cores_all), len(cores_all) - len(cores), len(pairs),
                    len(pairs) - state.merged, state.merged, state.evaluated)  # fmt: skip
    return Found(state.rows[order], cores_all, _worded(method))


def exhaust(space: Space) -> Found:
    """Return the front by looking at every single design: what `search` is held against."""
    figures = Figures(space)
    check(space)
    cores = figures.all_cores()
    bad = figures.core_failing(cores)
    whole = np.arange(len(cores))
    found, looked = [], 0
    for k in range(len(figures.cooler)):
        for first in range(0, len(cores), SHARE):
            part = whole[first : first + SHARE]
            rows = complete(figures, Pairs(part, cores.take(part), np.full(len(part), k), bad[part]), merge=False)
            looked += rows.evaluated
            found.append(_front(figures, rows.table))
    table = _front(figures, np.concatenate(found))
    order = np.lexsort((table[:, FAILING], table[:, LOST], table[:, WARM], table[:, PRICE]))
    method = Method(space.combinations, len(cores), 0, len(cores) * len(figures.cooler), 0, 0, looked,
                    "every design was looked at")  # fmt: skip
    return Found(table[order], cores, method)


def choice_of(space: Space, cores: Cores, row: np.ndarray) -> Choice:
    """Return the design of a row."""
    k, cooler, out, into, plug = (int(item) for item in row[:5])
    output, inputs, connector = space.banks["output"][out], space.banks["input"][into], space.connectors[plug]
    own = space.catalogue
    return Choice(
        int(space.phase_counts[cores.phase[k]]), float(space.frequencies[cores.frequency[k]]),
        own.stage[cores.stage[k]].name, own.inductor[cores.inductor[k]].name, output[0].name, output[1],
        inputs[0].name, inputs[1], own.controller[cores.controller[k]].name, space.coolers[cooler].name,
        connector[0].name, connector[1],
    )  # fmt: skip


# ---- inside ---------------------------------------------------------------------------------------------------------


class Checkpoint:
    """Keeps the state between two rounds; `write` and `read` take and give bytes."""

    def __init__(self, read: Callable[[], bytes | None], write: Callable[[bytes], None]):
        self._read, self._write = read, write

    def load(self, key: str) -> _Round | None:
        """Return the state that was kept for the search of this key, None where there is none."""
        import io
        import zipfile

        raw = self._read()
        if raw is None:
            return None
        try:
            with np.load(io.BytesIO(raw), allow_pickle=False) as kept:
                if bytes(kept["key"]).decode("ascii") != key:
                    return None
                open_, counts = np.unpackbits(kept["open"])[: int(kept["pairs"])], kept["counts"]
                return _Round(open_.astype(bool), kept["rows"], *(int(item) for item in counts))
        except (ValueError, OSError, KeyError, EOFError, zipfile.BadZipFile):
            return None  # a torn checkpoint is worth nothing: the search begins anew

    def save(self, key: str, state: _Round) -> None:
        """Keep the state of the search of this key."""
        import io

        stream = io.BytesIO()
        np.savez(stream, key=np.frombuffer(key.encode("ascii"), dtype=np.uint8), open=np.packbits(state.open),
                 pairs=np.array(len(state.open)), rows=state.rows,
                 counts=np.array([state.evaluated, state.merged, state.number]))  # fmt: skip
        self._write(stream.getvalue())


def _quiet(fraction: float, text: str) -> None:
    """Stand in for a progress callable that nobody gave."""


def check(space: Space) -> None:
    """Raise BenchFault when no cooler is made for the coolant, or no phase count is left."""
    faults = []
    if not space.coolers:
        faults.append(Fault("catalogue.toml", f"no cooler gives its heat to {space.requirement.coolant}",
                            f'add one with coolant = "{space.requirement.coolant}"', path="cooler"))  # fmt: skip
    if not space.phase_counts:
        most = max(item.figures.phase_limit for item in space.catalogue.controller)
        least = space.requirement.phase_count_range[0]
        faults.append(Fault("requirement.toml", f"no controller turns {least} phases or more (the most is {most})",
                            "ask for fewer or add a controller", path="search.phase_count"))  # fmt: skip
    if faults:
        raise BenchFault(faults)


@dataclass(frozen=True, eq=False)
class Bounds:
    """What no complete design of a pair can be below.

    Designs are sorted by their level of chance into classes, since surer ones take dearer banks: those of class j are at
    best of level `least[j]`, and cost at least what a bank asks that fails no more often than `most[j]` allows.
    """

    price: np.ndarray
    """(pairs,): everything but the banks, in whole steps."""
    warm: np.ndarray
    lost: np.ndarray
    failing: np.ndarray
    """(pairs,): of core and load step, and of the settled state where `counted`; in steps."""
    counted: np.ndarray
    banks: np.ndarray
    """(cores, classes): least price of both banks."""
    core: np.ndarray
    """(pairs,): row of `banks`."""
    ends: np.ndarray
    """(classes,): the greatest sum of chances of failing of each class, in steps, rising."""
    step: int
    """Of a level of chance."""

    def hopeless(self, known: Table, left: np.ndarray) -> np.ndarray:
        """Return which of the pairs `left` cannot hold a design that no known one equals or betters."""
        open_ = np.zeros(len(left), dtype=bool)
        least = np.concatenate([[0], self.ends[:-1] // self.step + 1])
        for j, level in enumerate(least):
            at = np.flatnonzero(~open_ & (self.failing[left] <= self.ends[j]))
            pair = left[at]
            price = self.price[pair] + self.banks[self.core[pair], j]
            chance = np.maximum(-(-self.failing[pair] // self.step), level)
            open_[at] = ~known.dominates(price, (self.warm[pair], self.lost[pair], chance)) & (price < NEVER)
        return ~open_

    def count_heat(self, figures: Figures, pairs: Pairs, left: np.ndarray) -> None:
        """Count what the settled state adds to the chance of failing of the pairs `left`: it takes longer than the rest."""
        cores = pairs.cores.take(left)
        settled = figures.settle(cores, pairs.cooler[left])
        self.failing[left] += figures.warm_failing(cores, settled)
        self.counted[left] = True

    def most_hopeful(self, still: np.ndarray, count: int) -> np.ndarray:
        """Return the open pairs whose bounds are on, or nearest to, the front of all open bounds."""
        left = np.flatnonzero(still)
        if len(left) <= count:
            return left
        price = self.price[left] + self.banks[self.core[left], -1]
        others = (self.warm[left], self.lost[left])
        above = price - table_of(price, others).floor(others)
        return np.sort(left[np.lexsort((left, above))[:count]])


def bounded_pairs(figures: Figures, ends: np.ndarray, progress: Progress) -> tuple[Cores, Cores, Pairs, Bounds]:
    """Return (cores left, all cores, pairs, bounds); `ends` are those of the bounds' classes of chance."""
    need, most = figures.need, most_failing(figures.need)
    progress(0.0, "limits of every choice of phases, stage, inductor, frequency and controller")
    every = figures.all_cores()
    bad = figures.core_failing(every)
    alive = np.flatnonzero(bad <= most)
    cores = every.take(alive)
    progress(0.04, f"{len(alive)} of {len(every)} hold their currents")
    banks, worse = _least_banks(figures, cores, ends)
    sure = bad[alive] + worse
    good = (banks[:, -1] < NEVER) & (sure <= most)
    if need.board_area is not None:
        room = sum(figures.options(use)[1].min() for use in ("output", "input", "connector"))
        good &= figures.core_area(cores) + room <= need.board_area * (1.0 + 1e-12)
    kept = np.flatnonzero(good)
    cores, alive, banks, sure = cores.take(kept), alive[kept], banks[kept], sure[kept]
    count = len(figures.cooler)
    core_at, cooler = np.repeat(np.arange(len(cores)), count), np.tile(np.arange(count), len(cores))
    warm, lost, energy = (np.zeros(len(core_at), dtype=np.int64) for _ in range(3))
    drawn = np.inf
    for first in range(0, len(core_at), 65536):
        part = slice(first, first + 65536)
        settled = figures.settle(cores.take(core_at[part]), cooler[part], spread=False)
        warm[part], lost[part] = levels_of(figures, settled)
        current = settled.input_current.value
        drawn = min(drawn, float(current[np.isfinite(current)].min(initial=np.inf)))
        if figures.life:
            energy[part] = figures.energy_money(settled.loss.value)
    progress(0.1, f"{len(core_at)} pairs with a cooler settle")
    price = (figures.core_money(cores)[core_at] + figures.cooler_money()[cooler] + energy
             + _least_connector(figures, drawn))  # fmt: skip
    bounds = Bounds(price, warm, lost, sure[core_at], np.zeros(len(core_at), dtype=bool), banks, core_at, ends,
                    chance_unit(need))  # fmt: skip
    return cores, every, Pairs(alive[core_at], cores.take(core_at), cooler, bad[alive][core_at]), bounds


def _classes(need: Requirement) -> np.ndarray:
    """Return the greatest sum of chances of failing of each class, rising; whole levels each, the last cut short."""
    most, step = most_failing(need), chance_unit(need)
    levels = -(-most // step)
    count = min(levels, CLASSES)
    ends = np.unique(np.concatenate([[0], np.round(np.linspace(0, levels, count + 1)).astype(np.int64)])) * step
    return np.append(ends[ends < most], most)


def _least_banks(figures: Figures, cores: Cores, classes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the least price of banks that bear load step and ripple current, (cores, classes), and the least that the
    output bank adds to failing, (cores,).

    The load step hangs on phases, inductor and controller alone, the ripple current on all but the controller, so few
    cores stand for all.
    """
    inductor, controller = len(figures.inductor), len(figures.controller)
    code = (cores.phase * inductor + cores.inductor) * controller + cores.controller
    _, first, back = np.unique(code, return_index=True, return_inverse=True)
    table = figures.step_failing(cores.take(first))
    least = _least_price(table, figures.options("output")[0], classes)[back]
    worse = table.min(axis=1, initial=NEVER)[back]
    code = ((cores.phase * len(figures.frequency) + cores.frequency) * len(figures.stage) + cores.stage) * inductor
    _, first, back = np.unique(code + cores.inductor, return_index=True, return_inverse=True)
    table = figures.bank_failing("input", cores.take(first))
    return np.minimum(least + _least_price(table, figures.options("input")[0], classes)[back], NEVER), worse


def _least_price(failing: np.ndarray, money: np.ndarray, classes: np.ndarray) -> np.ndarray:
    """Return the least price of an option that fails no more often than each class allows, (rows, classes)."""
    order = np.argsort(money, kind="stable")
    ranked = np.minimum.accumulate(failing[:, order], axis=1)
    # The first option in order of price whose best so far is within the class.
    at = np.stack([(ranked > most).sum(axis=1) for most in classes], axis=1)
    return np.append(money[order], NEVER)[at]


def _least_connector(figures: Figures, current: float) -> int:
    """Return the price of the cheapest connectors that bear a current [A] no pair stays below."""
    money = figures.options("connector")[0]
    if not np.isfinite(current):  # heat runs away everywhere
        return int(money.min())
    none = np.zeros(1)
    settled = Settled(Column(none), Column(none), Column(none), Column(none), Column(np.array([current])))
    # Without an uncertainty a limit fails surely or not at all; where it fails so, half of all draws fail with one.
    bears = figures.contact_failing(settled)[0] < CHANCE
    return int(money[bears].min(initial=NEVER))


def _vectors(figures: Figures, rows: np.ndarray) -> np.ndarray:
    return np.column_stack([rows[:, PRICE], rows[:, WARM], rows[:, LOST],
                            chance_level(figures.need, rows[:, FAILING])])  # fmt: skip


def _front(figures: Figures, rows: np.ndarray) -> np.ndarray:
    """Return the rows that no other equals or betters; of equal ones that with the least failing, then the first."""
    if not len(rows):
        return rows
    rows = rows[np.lexsort((*rows[:, :5].T[::-1], rows[:, FAILING]))]
    return rows[nondominated(_vectors(figures, rows))]


def _known(figures: Figures, rows: np.ndarray) -> Table:
    vectors = _vectors(figures, rows)
    return table_of(vectors[:, 0], (vectors[:, 1], vectors[:, 2], vectors[:, 3]))


def _worded(method: Method) -> Method:
    from dataclasses import replace

    share = 100.0 * method.pairs_bounded / max(method.pairs, 1)
    sentence = (
        f"{method.combinations:.3g} designs, exact: {method.cores_bounded} of {method.cores} cores and {share:.1f} % of "
        f"{method.pairs} pairs of core and cooler, where temperature and loss settle together, were ruled out by "
        f"bounds; banks and connectors of the other {method.merged} pairs were merged front by front "
        f"({method.evaluated} sums)"
    )
    return replace(method, sentence=sentence)

