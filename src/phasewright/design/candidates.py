"""From a choice of parts to a bench and a model: what carries over from measurement, and what parts bring with them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from phasewright.bench import (
    Bench,
    Board,
    CapacitorBank,
    Connector,
    Cooling,
    CoolingPart,
    Processor,
    Protection,
    Regulator,
)
from phasewright.design.records import Catalogue, Choice, Controller, Cooler, Part, Requirement
from phasewright.limits import State
from phasewright.model import Fitted, Prediction, Prior, fitted_prior, predict, prior_of, state_of_prediction
from phasewright.quantity import value_from_parts

__all__ = ["CARRIED", "OWN", "Space", "carry"]

OWN = ("board_loss", "phase_loss", "proportional_loss", "phase_resistance", "resistance_coefficient")
"""Parameters that the catalogue's parts bring with them; what was measured of the old ones says nothing of these."""
CARRIED = ("stage_rise", "plate_rise", "crowding", "inductor_share", "package_rise", "path_resistance", "other_power",
           "other_rails", "supply_resistance")  # fmt: skip
"""Parameters of board and cooling: what was learned of them, in standard deviations of what part data say, is kept."""
SURE = 1e-9
"""[1] Spread of what a requirement states exactly."""
STATED_EXACTLY = ("input_power_gain", "input_power_offset", "package_power_gain", "package_power_offset",
                  "rail_current_gain", "rail_current_offset", "rail_voltage_gain", "temperature_offset")  # fmt: skip


@dataclass(frozen=True, eq=False)
class Space:
    """Everything that may be chosen, with what is known beside it."""

    catalogue: Catalogue
    requirement: Requirement
    fitted: Fitted | None = None
    """What was measured on a bench; None = priors alone."""
    bench: Bench | None = None
    """Where board, copper and other loads are stated; None = nothing is known of them."""
    life: bool = False
    """True: what counts is the price over the life, parts and energy of the loss, and the chance; nothing else."""

    @cached_property
    def phase_counts(self) -> tuple[int, ...]:
        """Phase counts that a controller of the catalogue can turn."""
        low, high = self.requirement.phase_count_range
        most = max(_of(item, Controller).phase_limit for item in self.catalogue.controller)
        return tuple(range(low, min(high, most) + 1))

    @cached_property
    def frequencies(self) -> tuple[float, ...]:
        """[Hz]"""
        return self.requirement.switching_frequency

    @cached_property
    def coolers(self) -> tuple[Part, ...]:
        """Coolers for the coolant that is there."""
        return tuple(c for c in self.catalogue.cooler if _of(c, Cooler).coolant == self.requirement.coolant)

    @cached_property
    def banks(self) -> Mapping[str, tuple[tuple[Part, int], ...]]:
        """By use (output, input): every capacitor with every count."""
        return {use: tuple((item, count) for item in self.catalogue.bank(use) for count in range(1, item.most + 1))
                for use in ("output", "input")}  # fmt: skip

    @cached_property
    def connectors(self) -> tuple[tuple[Part, int], ...]:
        """Every connector with every count."""
        return tuple((item, count) for item in self.catalogue.connector for count in range(1, item.most + 1))

    @property
    def combinations(self) -> int:
        """Designs that can be put together, whether or not they hold."""
        turned = sum(_of(c, Controller).phase_limit >= n for c in self.catalogue.controller for n in self.phase_counts)
        return (turned * len(self.frequencies) * len(self.catalogue.stage) * len(self.catalogue.inductor)
                * len(self.banks["output"]) * len(self.banks["input"]) * len(self.coolers) * len(self.connectors))  # fmt: skip

    # ---- one design as a bench ----------------------------------------------------------------------------------

    def bench_of(self, stage: Part, inductor: Part, controller: Part, cooler: Part, phases: int, frequency: float,
                 output_bank: tuple[Part, int] | None = None, input_bank: tuple[Part, int] | None = None,
                 connector: tuple[Part, int] | None = None) -> Bench:  # fmt: skip
        """Return the bench with these parts on it."""
        need, turns, cools = self.requirement, _of(controller, Controller), _of(cooler, Cooler)
        fits = () if connector is None else tuple(
            replace(_of(connector[0], Connector), name=f"{connector[0].name} {k + 1}") for k in range(connector[1]))
        regulator = Regulator(
            name="design", phase_count=phases, switching_frequency=frequency, rail_voltage=need.rail_voltage,
            load_line=need.load_line, stage=stage.figures, inductor=inductor.figures,  # type: ignore[arg-type]
            output_capacitors=bank_of(output_bank), input_capacitors=bank_of(input_bank),
            protection=Protection(temperature_warning=need.temperature_limit, source="requirement"),
            controller_power=turns.controller_power, sharing_error=turns.sharing_error,
            tolerance_band=need.tolerance_band, settling_time=need.settling_time, ripple_limit=need.ripple_limit,
            response_delay=turns.response_delay, drive_power_limit=turns.drive_power_limit)  # fmt: skip
        chain = (CoolingPart("pad", "pad", cools.pad_resistance, False, cooler.name),
                 CoolingPart("plate", "plate", cools.plate_resistance, True, cooler.name))  # fmt: skip
        return Bench(
            name=need.name, board=replace(self._board, connectors=fits), regulator=regulator,
            processor=Processor(load_step=need.load_step, load_slew=need.load_slew),
            cooling=Cooling(coolant=need.coolant, chain=chain), instruments=(), simulated=self.catalogue.simulated,
            file="requirement.toml", fingerprint=need.fingerprint)  # fmt: skip

    @cached_property
    def _board(self) -> Board:
        need = self.requirement
        if self.bench is None:
            board = Board(name="design", other_loads=0.0, other_loads_u=0.0)
        else:
            board = self.bench.board
        return replace(board, input_voltage=need.input_voltage, service_life=need.service_life,
                       cycles_per_day=need.cycles_per_day, connectors=())  # fmt: skip

    def prior(self, bench: Bench) -> Prior:
        """Return what part data say of a bench; loads are exact, and banks heat as part data in general say."""
        silent = replace(bench, regulator=replace(bench.regulator, input_capacitors=CapacitorBank()))
        found = prior_of(silent)
        need = self.requirement
        beliefs = []
        for item in found.beliefs:
            if item.name in STATED_EXACTLY:
                item = replace(item, centre=0.0, spread=SURE)
            elif item.name == "peak_excess":
                item = replace(item, centre=need.rail_current_peak / need.rail_current - 1.0, spread=SURE)
            beliefs.append(item)
        return replace(found, bench=bench, beliefs=tuple(beliefs))

    @property
    def setting(self) -> dict[str, float]:
        """Load and coolant of the requirement, as settings of a step; the phase count is the design's."""
        need = self.requirement
        return {"rail_current": need.rail_current, "rail_voltage": need.rail_voltage,
                "coolant_temperature": need.coolant_temperature}  # fmt: skip

    # ---- one design, judged -------------------------------------------------------------------------------------

    def parts_of(self, choice: Choice) -> dict[str, Part]:
        """Return the parts of a design by their use."""
        def find(parts: tuple[Part, ...], name: str) -> Part:
            return next(item for item in parts if item.name == name)

        own = self.catalogue
        return {"stage": find(own.stage, choice.stage), "inductor": find(own.inductor, choice.inductor),
                "output_capacitor": find(own.capacitor, choice.output_capacitor),
                "input_capacitor": find(own.capacitor, choice.input_capacitor),
                "controller": find(own.controller, choice.controller), "cooler": find(own.cooler, choice.cooler),
                "connector": find(own.connector, choice.connector)}  # fmt: skip

    def bench_for(self, choice: Choice) -> Bench:
        """Return the bench of a design, all parts on it."""
        part = self.parts_of(choice)
        return self.bench_of(
            part["stage"], part["inductor"], part["controller"], part["cooler"], choice.phase_count,
            choice.switching_frequency, (part["output_capacitor"], choice.output_count),
            (part["input_capacitor"], choice.input_count), (part["connector"], choice.connector_count))  # fmt: skip

    def foresee(self, choice: Choice) -> tuple[Bench, Prediction, State]:
        """Return the bench of a design, what the model says of it, and the state to hold against every limit."""
        bench = self.bench_for(choice)
        model = carry(self.fitted, self.prior(bench))
        found = predict(model, {"phase_count": choice.phase_count, **self.setting}, refuse=False)
        state = state_of_prediction(found)
        more = {}
        if self.requirement.ambient_temperature is not None:
            more["ambient_temperature"] = value_from_parts(self.requirement.ambient_temperature, "degC", (), kind="set")
        return bench, found, replace(state, quantities={**state.quantities, **more})

    def cost_of(self, choice: Choice) -> int:
        """Return the price of all parts in whole steps of 1 / MONEY of the currency."""
        part = self.parts_of(choice)
        return (choice.phase_count * (part["stage"].money + part["inductor"].money) + part["controller"].money
                + part["cooler"].money + choice.output_count * part["output_capacitor"].money
                + choice.input_count * part["input_capacitor"].money
                + choice.connector_count * part["connector"].money)  # fmt: skip


def carry(fitted: Fitted | None, prior: Prior) -> Fitted:
    """Return the model of a design: what was learned of board and cooling, and the part data of everything else.

    What was learned of a parameter is its standard score: how far, and how surely, it lies from what part data said.
    """
    fresh = fitted_prior(prior)
    if fitted is None:
        return fresh
    score, covariance = carried_scores(fitted, prior.names)
    return replace(fresh, score=score, covariance=covariance, step_count=fitted.step_count,
                   inputs={**fresh.inputs, **fitted.inputs})  # fmt: skip


def carried_scores(fitted: Fitted | None, names: tuple[str, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Return scores (p,) and covariance (p, p) of a design's parameters: learned for those that carry over."""
    score, covariance = np.zeros(len(names)), np.eye(len(names))
    if fitted is None:
        return score, covariance
    known = [(k, fitted.prior.names.index(name)) for k, name in enumerate(names) if name in CARRIED]
    new, old = (np.array(item) for item in zip(*known, strict=True))
    score[new] = fitted.score[old]
    covariance[np.ix_(new, new)] = fitted.covariance[np.ix_(old, old)]
    return score, covariance


def bank_of(item: tuple[Part, int] | None) -> CapacitorBank:
    """Return a bank of so many pieces side by side."""
    if item is None:
        return CapacitorBank()
    one, count = item[0].figures, item[1]
    if not isinstance(one, CapacitorBank):
        raise TypeError(f"no capacitor ({item[0].name}) - a bank is made of capacitors - check its kind")
    return replace(one, **{key: value for key, value in bank_figures(one, count).items() if value is not None},
                   source=item[0].name)  # fmt: skip


def bank_figures(one: CapacitorBank, count: Any) -> dict[str, Any]:
    """Return what hangs on the number of pieces, which may be an array: capacitances add, resistances share."""
    return {
        "capacitance": None if one.capacitance is None else one.capacitance * count,
        "resistance": None if one.resistance is None else one.resistance / count,
        "current_rating": None if one.current_rating is None else one.current_rating * count,
        "thermal_resistance": None if one.thermal_resistance is None else one.thermal_resistance / count,
    }


def _of(part: Part, kind: type) -> Any:
    """Return a part's figures, which are of `kind`."""
    if not isinstance(part.figures, kind):
        raise TypeError(f"{part.name} has other figures ({type(part.figures).__name__}) - {kind.__name__} - mend it")
    return part.figures


def energy_cost(requirement: Requirement, loss: float) -> float | None:
    """Return what the loss [W] costs over the life, in the catalogue's currency; None where no price is stated."""
    if requirement.price is None or not math.isfinite(loss):
        return None
    from phasewright.physics import cost_of

    joule = loss * requirement.hours_per_year * requirement.years * 3600.0
    return float(cost_of(joule, requirement.price))
