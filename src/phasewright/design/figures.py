"""The figures of many designs at once: where each settles, what it loses, and how likely each limit is to fail.

The limits are those of the limits room, worked out on columns; the settled state is the model's. Figures come in tiers,
by what they hang on: the core (phases, frequency, stage, inductor, controller), the banks, the pair of core and cooler,
and the connector. Chances of failing add up over the tiers in whole steps, so the order of adding does not matter.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from phasewright import physics
from phasewright.bench import Bench
from phasewright.design.candidates import CARRIED, OWN, Space, bank_figures, carried_scores, energy_cost
from phasewright.design.records import CHANCE, MONEY, Part, Requirement
from phasewright.limits import Column, ColumnMargin, column_margins
from phasewright.model import Belief, Load, excess_of, input_of, settle

__all__ = ["HARDLY_KNOWN", "Cores", "Figures", "Settled", "failing", "take_settled"]

STEP = 1e-3
"""Of a standard score, for central differences; as the model takes them."""
HARDLY_KNOWN = 150.0
"""[K] A temperature no surer than this is next to running away: every limit on it counts as missed."""
BLOCK = 4096
"""Rows of a table of banks that are worked out at once."""
SHARE_SPREAD = 1.0 / math.sqrt(12.0)
"""Standard deviation of a share that lies anywhere between 0 and 1."""
CORE = frozenset({"stage_current", "phase_current", "rail_current", "stage_current_crest", "phase_current_crest",
                  "phase_current_rms", "coolant_temperature"})  # fmt: skip
RATED = frozenset({"stage_current", "phase_current"})
DRIVE = frozenset({"drive_power"})
WARM = frozenset({"regulator_temperature", "fullest_stage_current", "stage_life", "stage_cycle_life", "loop_gain",
                  "copper_current"})  # fmt: skip
BANK = {"output": frozenset({"output_ripple", "output_capacitor_current", "load_step_phase_current",
                             "load_step_current"}),
        "input": frozenset({"input_capacitor_current"})}  # fmt: skip
EXCURSION, SETTLING = frozenset({"droop", "overshoot"}), frozenset({"settling_time"})
WEAR = {"output": frozenset({"output_capacitor_life"}), "input": frozenset({"input_capacitor_life"})}
CONTACT = frozenset({"contact_current", "input_current", "wire_temperature"})


@dataclass(frozen=True, eq=False)
class Cores:
    """Choices of phases, frequency, stage, inductor and controller; index arrays of one length."""

    phase: np.ndarray
    frequency: np.ndarray
    stage: np.ndarray
    inductor: np.ndarray
    controller: np.ndarray

    def __len__(self) -> int:
        return len(self.phase)

    def take(self, chosen: np.ndarray) -> Cores:
        """Return those at `chosen` (indices or a mask)."""
        return Cores(self.phase[chosen], self.frequency[chosen], self.stage[chosen], self.inductor[chosen],
                     self.controller[chosen])  # fmt: skip


@dataclass(frozen=True, eq=False)
class Settled:
    """Where pairs of core and cooler settle; arrays (pairs,). Columns carry no uncertainty unless asked for."""

    temperature: Column
    """[degC]"""
    rise: Column
    """[K]"""
    loss: Column
    """[W]"""
    gain: Column
    """[1]"""
    input_current: Column
    """[A]"""


def failing(margins: Iterable[ColumnMargin], shape: tuple[int, ...]) -> np.ndarray:
    """Return the sum of the chances of failing, in steps of 1 / CHANCE, (shape).

    Limits on the same figure fail together: the nearest speaks for all of them. Of different figures the chances are
    added (Boole), which is never too hopeful, whatever their dependence.
    """
    from scipy.special import ndtr

    worst: dict[str, np.ndarray] = {}
    for item in margins:
        score = np.where(np.isnan(item.score), -np.inf, item.score)
        chance = np.rint(CHANCE * ndtr(-score)).astype(np.int64)
        before = worst.get(item.applies_to)
        worst[item.applies_to] = chance if before is None else np.maximum(before, chance)
    total = np.zeros(shape, dtype=np.int64)
    for chance in worst.values():
        total = total + chance
    return np.broadcast_to(total, shape)


class _Kept:
    """Rows of a table that are worked out when they are first asked for."""

    def __init__(self, codes: int, width: int):
        self._place = np.full(codes, -1, dtype=np.int64)
        self._table = np.empty((0, width), dtype=np.int64)

    def rows(self, code: np.ndarray, work_out: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
        """Return the rows of codes; `work_out` is given the first places of those not known yet."""
        fresh, first = np.unique(code, return_index=True)
        unknown = np.flatnonzero(self._place[fresh] < 0)
        # By blocks: part data and banks together would fill the memory.
        for k in range(0, len(unknown), BLOCK):
            part = unknown[k : k + BLOCK]
            self._place[fresh[part]] = len(self._table) + np.arange(len(part))
            self._table = np.concatenate([self._table, work_out(first[part])])
        return self._table[self._place[code]]


class Figures:
    """The tiers of one space of designs."""

    def __init__(self, space: Space):
        self.space = space
        self.need = space.requirement
        self.count = np.array(space.phase_counts, dtype=float)
        self.frequency = np.array(space.frequencies)
        own = space.catalogue
        self.life = space.life
        self.stage, self.inductor, self.controller, self.cooler = own.stage, own.inductor, own.controller, space.coolers
        switching = len(self.count) * len(self.frequency) * len(self.stage) * len(self.inductor)
        self._plain = {use: _Kept(switching, len(space.banks[use])) for use in ("output", "input")}
        self._steps = _Kept(len(self.count) * len(self.inductor) * len(self.controller), len(space.banks["output"]))

    # ---- tables -------------------------------------------------------------------------------------------------

    def all_cores(self) -> Cores:
        """Return every core that the controllers can turn."""
        limit = np.array([item.figures.phase_limit for item in self.controller])
        shape = (len(self.count), len(self.frequency), len(self.stage), len(self.inductor), len(self.controller))
        whole = [item.ravel() for item in np.indices(shape)]
        turned = self.count[whole[0]] <= limit[whole[4]]
        return Cores(*(item[turned] for item in whole))

    def _column(self, parts: tuple[Part, ...], key: str) -> np.ndarray:
        found = [getattr(item.figures, key) for item in parts]
        return np.array([math.nan if value is None else float(value) for value in found])

    @cached_property
    def _money(self) -> dict[str, np.ndarray]:
        kinds = {"stage": self.stage, "inductor": self.inductor, "controller": self.controller, "cooler": self.cooler}
        return {kind: np.array([item.money for item in parts], dtype=np.int64) for kind, parts in kinds.items()}

    @cached_property
    def _area(self) -> dict[str, np.ndarray]:
        kinds = {"stage": self.stage, "inductor": self.inductor, "controller": self.controller}
        return {kind: np.array([item.area for item in parts]) for kind, parts in kinds.items()}

    def core_money(self, cores: Cores) -> np.ndarray:
        """Return the price of stages, inductors and controller, in whole steps."""
        each = self._money["stage"][cores.stage] + self._money["inductor"][cores.inductor]
        return self.count[cores.phase].astype(np.int64) * each + self._money["controller"][cores.controller]

    def core_area(self, cores: Cores) -> np.ndarray:
        """Return the board area of stages, inductors and controller [m2]."""
        each = self._area["stage"][cores.stage] + self._area["inductor"][cores.inductor]
        return self.count[cores.phase] * each + self._area["controller"][cores.controller]

    def cooler_money(self) -> np.ndarray:
        """Return the price of each cooler, in whole steps."""
        return self._money["cooler"]

    def energy_money(self, loss: np.ndarray, need: Requirement | None = None) -> np.ndarray:
        """Return what losses [W] cost over the life that `need` states, in whole steps; 0 where no price is stated."""
        each = energy_cost(need or self.need, 1.0) or 0.0
        return np.rint(np.where(np.isfinite(loss), loss, 0.0) * each * MONEY).astype(np.int64)

    def options(self, use: str) -> tuple[np.ndarray, np.ndarray]:
        """Return (price in whole steps, area [m2]) of every bank of a use, or of every set of connectors."""
        items = self.space.connectors if use == "connector" else self.space.banks[use]
        return (np.array([part.money * count for part, count in items], dtype=np.int64),
                np.array([part.area * count for part, count in items]))  # fmt: skip

    # ---- what the rules take ------------------------------------------------------------------------------------

    def _template(self, stage: int = 0) -> Bench:
        return self.space.bench_of(self.stage[stage], self.inductor[0], self.controller[0], self.cooler[0],
                                   int(self.count[-1]), float(self.frequency[0]))  # fmt: skip

    @cached_property
    def _templates(self) -> list[Bench]:
        return [self._template(k) for k in range(len(self.stage))]

    def _given(self, cores: Cores, *, stage: bool = False) -> dict[str, Any]:
        """Return the part data of cores by path of the bench file; with `stage` the switches' resistances too."""
        found: dict[str, Any] = {"phase_count": self.count[cores.phase],
                                 "regulator.switching_frequency": self.frequency[cores.frequency]}  # fmt: skip
        for key in ("inductance", "resistance", "saturation_current", "current_rating", "tolerance"):
            found[f"regulator.inductor.{key}"] = self._column(self.inductor, key)[cores.inductor]
        for key in ("sharing_error", "response_delay"):
            found[f"regulator.{key}"] = self._column(self.controller, key)[cores.controller]
        if stage:
            for key in ("high_side_resistance", "low_side_resistance"):
                found[f"regulator.stage.{key}"] = self._column(self.stage, key)[cores.stage]
        return found

    def _load(self) -> dict[str, Column]:
        need = self.need
        found = {"rail_current": Column(need.rail_current), "rail_voltage": Column(need.rail_voltage),
                 "rail_current_peak": Column(need.rail_current_peak),
                 "coolant_temperature": Column(need.coolant_temperature)}  # fmt: skip
        if need.ambient_temperature is not None:
            found["ambient_temperature"] = Column(need.ambient_temperature)
        return found

    # ---- tier of the core ---------------------------------------------------------------------------------------

    def core_margins(self, cores: Cores, stage: int, names: frozenset[str] = CORE) -> tuple[ColumnMargin, ...]:
        """Return the margins that hang on the core alone; all `cores` have that stage."""
        given, need = self._given(cores), self.need
        n, bound = given["phase_count"], given["regulator.sharing_error"]
        ripple = physics.phase_ripple(need.input_voltage, need.rail_voltage, given["regulator.inductor.inductance"],
                                      given["regulator.switching_frequency"])  # fmt: skip
        mean, peak = need.rail_current / n, need.rail_current_peak / n
        crest = Column(peak * (1.0 + 0.5 * bound) + 0.5 * ripple, peak * bound * SHARE_SPREAD)
        quantities = self._load() | {"phase_current": Column(mean), "stage_current": Column(mean),
                                     "phase_current_peak": crest, "stage_current_peak": crest}  # fmt: skip
        return column_margins(self._templates[stage], given, quantities, names=names)

    def core_failing(self, cores: Cores) -> np.ndarray:
        """Return what the core alone adds to the chance of failing, in steps, (cores,); CHANCE where it cannot work."""
        total = np.zeros(len(cores), dtype=np.int64)
        for k in range(len(self.stage)):
            own = np.flatnonzero(cores.stage == k)
            if not len(own):
                continue
            # Where a part's rating is far exceeded the formulas of ripple may have no answer.
            total[own] = failing(self.core_margins(cores.take(own), k, RATED), (len(own),))
            own = own[total[own] <= CHANCE // 2]
            if len(own):
                total[own] = self._core_failing(cores.take(own), k)
        return total + self._drive_failing(cores)

    def _core_failing(self, cores: Cores, stage: int) -> np.ndarray:
        """Return `core_failing` of cores with one stage; those whose drops leave no duty are found by halving."""
        try:
            return failing(self.core_margins(cores, stage), (len(cores),))
        except ValueError:
            if len(cores) == 1:
                return np.array([CHANCE], dtype=np.int64)
        half = len(cores) // 2
        parts = (cores.take(np.arange(half)), cores.take(np.arange(half, len(cores))))
        return np.concatenate([self._core_failing(part, stage) for part in parts])

    def drive_margins(self, stage: int, controller: int) -> tuple[ColumnMargin, ...]:
        """Return the margin of the drivers' supply, (phase counts, frequencies)."""
        base = self._templates[stage]
        turns = self.controller[controller].figures
        own = replace(base, regulator=replace(base.regulator, controller_power=turns.controller_power,
                                              drive_power_limit=turns.drive_power_limit))  # fmt: skip
        given = {"phase_count": self.count[:, None], "regulator.switching_frequency": self.frequency[None, :]}
        return column_margins(own, given, self._load(), names=DRIVE)

    def _drive_failing(self, cores: Cores) -> np.ndarray:
        shape = (len(self.count), len(self.frequency))
        table = np.array([[failing(self.drive_margins(s, c), shape) for c in range(len(self.controller))]
                          for s in range(len(self.stage))])  # fmt: skip
        return table[cores.stage, cores.controller, cores.phase, cores.frequency]

    # ---- tier of the banks --------------------------------------------------------------------------------------

    def bank_margins(self, use: str, part: Part, counts: np.ndarray, cores: Cores, settled: Settled | None = None,
                     names: frozenset[str] | None = None) -> tuple[ColumnMargin, ...]:  # fmt: skip
        """Return the margins of banks of one capacitor, `counts` (1, n) or (cores, 1); with `settled` of their wear."""
        path = f"regulator.{use}_capacitors"
        figures = part.figures
        base = self._template()
        bank: dict[str, Any] = {f"{use}_capacitors": figures}
        own = replace(base, regulator=replace(base.regulator, **bank))
        given = {key: value[:, None] for key, value in self._given(cores, stage=True).items()}
        for key, value in bank_figures(figures, counts.astype(float)).items():  # type: ignore[arg-type]
            if value is not None:
                given[f"{path}.{key}"] = value
        quantities = self._load()
        if settled is not None:
            warm = settled.temperature
            quantities["regulator_temperature"] = Column(warm.value[:, None], np.asarray(warm.u)[..., None])
        return column_margins(own, given, quantities, names=names or (BANK[use] if settled is None else WEAR[use]))

    def bank_failing(self, use: str, cores: Cores, settled: Settled | None = None) -> np.ndarray:
        """Return what each bank adds to the chance of failing, in steps, (cores, banks); with `settled`, by its wear.

        Ripple hangs on all of a core but the controller, so few cores stand for all; their rows are kept.
        """
        if settled is not None:
            return self._work_out_banks(use, cores, settled)
        code = (cores.phase * len(self.frequency) + cores.frequency) * len(self.stage) + cores.stage
        code = code * len(self.inductor) + cores.inductor
        found = self._plain[use].rows(code, lambda first: self._work_out_banks(use, cores.take(first)))
        return found if use == "input" else found + self.step_failing(cores)

    def _work_out_banks(self, use: str, cores: Cores, settled: Settled | None = None) -> np.ndarray:
        found, at = np.zeros((len(cores), len(self.space.banks[use])), dtype=np.int64), 0
        for part in self.space.catalogue.bank(use):
            counts = np.arange(1, part.most + 1)
            shape = (len(cores), len(counts))
            found[:, at : at + len(counts)] = failing(self.bank_margins(use, part, counts[None, :], cores, settled), shape)
            at += len(counts)
        return found

    def step_failing(self, cores: Cores) -> np.ndarray:
        """Return what a load step adds to the chance of failing with each output bank, in steps, (cores, banks).

        It hangs on phases, inductor and controller alone, so few cores stand for all; their rows are kept.
        """
        code = (cores.phase * len(self.inductor) + cores.inductor) * len(self.controller) + cores.controller
        return self._steps.rows(code, lambda first: self._work_out_steps(cores.take(first)))

    def _work_out_steps(self, cores: Cores) -> np.ndarray:
        """Return `step_failing` of cores that differ in what it hangs on.

        The settling time takes long to work out. It is none where the band is never left, which is sure where both
        excursions stay within it by twice their uncertainty: with one input moved by its own uncertainty an excursion
        moves by twice its share at most. And it does not matter where the band is missed too surely.
        """
        most = round((1.0 - self.need.least_chance) * CHANCE)
        blocks = []
        for part in self.space.catalogue.bank("output"):
            counts = np.arange(1, part.most + 1)[None, :]
            shape = (len(cores), counts.shape[1])
            left = self.bank_margins("output", part, counts, cores, names=EXCURSION)
            total = np.array(failing(left, shape))
            near = np.zeros(shape, dtype=bool)
            for item in left:
                near |= ~(item.score >= 2.0)
            row, column = np.nonzero(near & (total <= most) if left else np.ones(shape, dtype=bool))
            if len(row) and self.need.settling_time is not None:
                late = self.bank_margins("output", part, counts[0, column][:, None], cores.take(row), names=SETTLING)
                total[row, column] += failing(late, (len(row), 1))[:, 0]
            blocks.append(total)
        return np.concatenate(blocks, axis=1)

    # ---- tier of core and cooler --------------------------------------------------------------------------------

    @cached_property
    def _beliefs(self) -> dict[str, tuple[Belief, np.ndarray, np.ndarray]]:
        """By parameter: a belief, and centres and spreads as tables over what it hangs on."""
        space = self.space

        def prior(stage=0, inductor=0, controller=0, cooler=0, frequency=0):
            bench = space.bench_of(self.stage[stage], self.inductor[inductor], self.controller[controller],
                                   self.cooler[cooler], int(self.count[0]), float(self.frequency[frequency]))  # fmt: skip
            return space.prior(bench)

        def table(names, priors, shape):
            return {name: (priors[0].belief(name),
                           np.array([item.belief(name).centre for item in priors]).reshape(shape),
                           np.array([item.belief(name).spread for item in priors]).reshape(shape))
                    for name in names}  # fmt: skip

        stages, inductors, frequencies = range(len(self.stage)), range(len(self.inductor)), range(len(self.frequency))
        parts = [prior(s, k, 0, 0, f) for s in stages for k in inductors for f in frequencies]
        shape = (len(self.stage), len(self.inductor), len(self.frequency))
        found = table(OWN[1:], parts, shape)
        self._shares = {name: np.array([item.stage_shares[name] for item in parts]).reshape(shape)
                        for name in parts[0].stage_shares}  # fmt: skip
        found |= table(OWN[:1], [prior(controller=c) for c in range(len(self.controller))], (-1,))
        coolers = range(len(self.cooler))
        found |= table(("stage_rise",), [prior(s, cooler=k) for s in stages for k in coolers],
                       (len(self.stage), len(self.cooler)))  # fmt: skip
        found |= table(("plate_rise",), [prior(cooler=k) for k in coolers], (-1,))
        found |= table([name for name in CARRIED if name not in found], parts[:1], ())
        return found

    @cached_property
    def _scores(self) -> tuple[np.ndarray, np.ndarray]:
        """Scores of OWN and CARRIED, and a root of their covariance."""
        score, covariance = carried_scores(self.space.fitted, (*OWN, *CARRIED))
        return score, np.linalg.cholesky(covariance)

    @cached_property
    def _crowding(self) -> tuple[np.ndarray, np.ndarray, float]:
        """By phase count: excess of the hottest stage without and with crowding, and what its scatter adds."""
        none = np.array([excess_of({"crowding": 0.0}, n, n, 0.0) for n in self.count])
        full = np.array([excess_of({"crowding": 1.0}, n, n, 0.0) for n in self.count])
        n = self.count[0]
        return none, full - none, float(excess_of({"crowding": 0.0}, n, n, 1.0) - none[0])

    def _tables_of(self, cores: Cores, cooler: np.ndarray) -> dict[str, tuple[Belief, Any, Any]]:
        """Return belief, centres and spreads of every parameter for pairs of core and cooler."""
        at = {"board_loss": cores.controller, "stage_rise": (cores.stage, cooler), "plate_rise": cooler}
        parts = (cores.stage, cores.inductor, cores.frequency)
        found = {}
        for name in (*OWN, *CARRIED):
            belief, centre, spread = self._beliefs[name]
            if centre.ndim:
                index: Any = parts if name in OWN[1:] else at[name]
                centre, spread = centre[index], spread[index]
            found[name] = (belief, centre, spread)
        return found

    def settle(self, cores: Cores, cooler: np.ndarray, *, spread: bool = True) -> Settled:
        """Return where pairs (of equal length) of core and cooler settle; with `spread` how sure that is."""
        names, (score, root) = (*OWN, *CARRIED), self._scores
        tables = self._tables_of(cores, cooler)
        parts = (cores.stage, cores.inductor, cores.frequency)
        shares = {name: table[parts] for name, table in self._shares.items()}
        none, crowd, scatter = self._crowding
        none, crowd = none[cores.phase], crowd[cores.phase]
        n = self.count[cores.phase]
        base = {name: tables[name][0].at(score[k]) if not np.ndim(tables[name][1])
                else replace(tables[name][0], centre=tables[name][1], spread=tables[name][2]).at(score[k])
                for k, name in enumerate(names)}  # fmt: skip

        def state(p: Mapping[str, Any], beyond: float = 0.0) -> tuple[np.ndarray, ...]:
            p = {**p, **{key: share + p["inductor_share"] * (1.0 - share) for key, share in shares.items()}}
            voltage, current = self.need.rail_voltage, self.need.rail_current
            load = Load(current, voltage, voltage * current + p["other_rails"])  # type: ignore[arg-type]
            found = settle(p, n, load, self.need.coolant_temperature, none + crowd * p["crowding"] + scatter * beyond)
            drawn, _ = input_of(p, load, found.loss, self.need.input_voltage)
            return found.temperature, found.loss, found.gain, drawn / self.need.input_voltage

        middle = state(base)
        rise = middle[0] - self.need.coolant_temperature
        if not spread:
            return Settled(Column(middle[0]), Column(rise), Column(middle[1]), Column(middle[2]), Column(middle[3]))
        slopes: list[list[np.ndarray]] = []
        with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
            for k, name in enumerate(names):
                belief, centre, wide = tables[name]
                own = replace(belief, centre=centre, spread=wide)
                slopes.append(self._slope(state({**base, name: own.at(score[k] + STEP)}),
                                          state({**base, name: own.at(score[k] - STEP)})))  # fmt: skip
            slopes.append(self._slope(state(base, STEP), state(base, -STEP)))
            whole = np.eye(len(names) + 1)
            whole[: len(names), : len(names)] = root
            us = [_root_sum([item[j] for item in slopes], whole) for j in range(5)]
        return Settled(Column(middle[0], us[0]), Column(rise, us[1] * rise), Column(middle[1], us[2] * middle[1]),
                       Column(middle[2], us[3] * middle[2]), Column(middle[3], us[4]))  # fmt: skip

    def _slope(self, up: tuple[np.ndarray, ...], down: tuple[np.ndarray, ...]) -> list[np.ndarray]:
        """Return change per score of temperature, of the logarithms of rise, loss and gain, and of the input current."""
        cool, wide = self.need.coolant_temperature, 2.0 * STEP
        return [(up[0] - down[0]) / wide, np.log((up[0] - cool) / (down[0] - cool)) / wide,
                np.log(up[1] / down[1]) / wide, np.log(up[2] / down[2]) / wide, (up[3] - down[3]) / wide]  # fmt: skip

    def warm_margins(self, cores: Cores, settled: Settled, stage: int) -> tuple[ColumnMargin, ...]:
        """Return the margins that hang on where a pair settles; all `cores` have that stage."""
        quantities = self._load() | {"regulator_temperature": settled.temperature, "regulator_rise": settled.rise,
                                     "loop_gain": settled.gain, "input_current": settled.input_current}  # fmt: skip
        return column_margins(self._templates[stage], self._given(cores), quantities, names=WARM)

    def warm_failing(self, cores: Cores, settled: Settled) -> np.ndarray:
        """Return what the settled state adds to the chance of failing, in steps, (pairs,); CHANCE where heat runs away."""
        total = np.full(len(cores), CHANCE, dtype=np.int64)
        known = np.isfinite(settled.temperature.value) & (np.abs(settled.temperature.u) < HARDLY_KNOWN)
        known &= np.isfinite(settled.input_current.value) & np.isfinite(settled.input_current.u)
        for k in range(len(self.stage)):
            own = np.flatnonzero((cores.stage == k) & known)
            if len(own):
                part = take_settled(settled, own)
                total[own] = failing(self.warm_margins(cores.take(own), part, k), (len(own),))
        return total

    # ---- tier of the connectors ---------------------------------------------------------------------------------

    def contact_margins(self, option: int, settled: Settled) -> tuple[ColumnMargin, ...]:
        """Return the margins of one set of connectors, (pairs,)."""
        part = self.space.connectors[option]
        base = self.space.bench_of(self.stage[0], self.inductor[0], self.controller[0], self.cooler[0],
                                   int(self.count[0]), float(self.frequency[0]), connector=part)  # fmt: skip
        contacts = sum(item.contact_count for item in base.board.connectors)
        drawn = settled.input_current
        each = Column(drawn.value / contacts, drawn.u / contacts)
        quantities = self._load() | {"input_current": drawn, "contact_current": each}
        return column_margins(base, {"phase_count": 1.0}, quantities, names=CONTACT)

    def contact_failing(self, settled: Settled) -> np.ndarray:
        """Return what each set of connectors adds to the chance of failing, in steps, (pairs, options)."""
        shape = settled.loss.value.shape
        return np.stack([failing(self.contact_margins(k, settled), shape) for k in range(len(self.space.connectors))],
                        axis=-1)  # fmt: skip


def take_settled(settled: Settled, chosen: np.ndarray) -> Settled:
    """Return the pairs at `chosen`."""
    def pick(item: Column) -> Column:
        return Column(item.value[chosen], item.u[chosen] if np.ndim(item.u) else item.u)

    return Settled(pick(settled.temperature), pick(settled.rise), pick(settled.loss), pick(settled.gain),
                   pick(settled.input_current))  # fmt: skip


def _root_sum(slopes: list[np.ndarray], root: np.ndarray) -> np.ndarray:
    """Return the square root of the sum of squares of slopes @ root."""
    total: Any = 0.0
    for j in range(root.shape[1]):
        rows = [k for k in range(len(slopes)) if root[k, j] != 0.0]
        if rows:
            column: Any = 0.0
            for k in rows:
                column = column + slopes[k] * root[k, j]
            total = total + column**2
    return np.sqrt(total)
