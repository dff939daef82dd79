"""The chance of meeting every limit at once, from draws of all tolerances together."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from phasewright import physics
from phasewright.design.candidates import CARRIED, OWN, Space, carried_scores
from phasewright.design.records import Chances, Choice
from phasewright.limits import Column, column_margins, draw_parts
from phasewright.model import Load, excess_of, input_of, settle

__all__ = ["DRAWS", "chances_of", "draw_share"]

DRAWS, SEED = 10_000, 60
"""Every design is tried with the same draws, so that what differs between two designs is the designs."""
TOLD = 4
"""Limits that are named, those that fail most often."""


def chances_of(
    space: Space, choice: Choice, *, draws: int = DRAWS, generator: np.random.Generator | None = None
) -> Chances:
    """Return in what share of `draws` a design meets every limit, with the interval that so many draws give it.

    Parts are drawn within their tolerances, the model's parameters from what is known of them; every draw settles for
    itself and is held against every limit by the limits room's own formulas. Without `generator` the same draws are
    taken every time.
    """
    drawn = _draw(draws, generator) if generator is not None else _same_draws(draws)
    bench = space.bench_for(choice)
    own = generator if generator is not None else np.random.default_rng([SEED, 1])
    given, quantities = draw_parts(bench, draws, own)
    quantities |= _settled(space, choice, drawn)
    good = np.isfinite(quantities["regulator_temperature"].value) & np.isfinite(quantities["input_current"].value)
    fails: dict[str, np.ndarray] = {"thermal runaway": ~good}
    if not good.any():
        return Chances(0.0, *_interval(0, draws), draws, (("thermal runaway", 1.0),))
    # Draws that run away have failed; any settled one stands in for them where the formulas ask for a number.
    stand_in = int(np.flatnonzero(good)[0])
    quantities = {name: Column(np.where(good, item.value, item.value[stand_in])) if np.ndim(item.value) else item
                  for name, item in quantities.items()}  # fmt: skip
    with np.errstate(invalid="ignore", over="ignore"):
        margins = column_margins(bench, {**given, "phase_count": float(choice.phase_count)}, quantities, certain=True)
        for k, item in enumerate(margins):
            # What is left of spread is that of the limit itself, rectangular.
            left = item.value + item.u * np.sqrt(3.0) * drawn.limit[k % len(drawn.limit)] if np.any(item.u) else item.value
            bad = ~np.broadcast_to(left > 0.0, (draws,))
            fails[item.name] = fails.get(item.name, np.zeros(draws, dtype=bool)) | bad
    failed = np.any(list(fails.values()), axis=0)
    held = int(draws - np.count_nonzero(failed))
    low, high = _interval(held, draws)
    often = sorted(((name, float(np.mean(bad))) for name, bad in fails.items() if bad.any()), key=lambda pair: -pair[1])
    return Chances(held / draws, low, high, draws, tuple(often[:TOLD]))


def draw_share(key: str, space: Space, share: tuple[int, tuple[Choice, ...]]) -> tuple[Chances, ...]:
    """Return the chances of several designs, (draws, designs): what one worker does, here or elsewhere."""
    return tuple(chances_of(space, choice, draws=share[0]) for choice in share[1])


@lru_cache(maxsize=1024)
def _interval(held: int, draws: int) -> tuple[float, float]:
    found = physics.clopper_pearson(held, draws, 0.95)
    return float(found.low), float(found.high)


@dataclass(frozen=True, eq=False)
class _Draws:
    """Draws of what no part states: parameters of the model, share of the fullest phase, limits that are not sharp."""

    scores: np.ndarray
    """(draws, parameters), standard normal."""
    excess: np.ndarray
    share: np.ndarray
    limit: np.ndarray
    """(limits, draws), from -1 to 1."""
    _known: dict[tuple[bytes, bytes], np.ndarray] = field(default_factory=dict)

    def of_model(self, score: np.ndarray, covariance: np.ndarray) -> np.ndarray:
        """Return draws of the model's parameters as standard scores, (draws, parameters).

        What is known of them is the same for every design, so the draws are kept.
        """
        key = (score.tobytes(), covariance.tobytes())
        if key not in self._known:
            self._known.clear()
            # Column by column below: each is read whole.
            self._known[key] = np.asfortranarray(score + self.scores @ np.linalg.cholesky(covariance).T)
        return self._known[key]


def _draw(draws: int, generator: np.random.Generator) -> _Draws:
    return _Draws(generator.standard_normal((draws, len(OWN) + len(CARRIED))), generator.standard_normal(draws),
                  generator.uniform(0.0, 1.0, draws), generator.uniform(-1.0, 1.0, (16, draws)))  # fmt: skip


@lru_cache(maxsize=2)
def _same_draws(draws: int) -> _Draws:
    return _draw(draws, np.random.default_rng(SEED))


def _settled(space: Space, choice: Choice, moved: _Draws) -> dict[str, Column]:
    """Return where draws of a design settle, and the currents that go with it."""
    need, n = space.requirement, float(choice.phase_count)
    bench = space.bench_for(choice)
    prior = space.prior(bench)
    names = (*OWN, *CARRIED)
    scores = moved.of_model(*carried_scores(space.fitted, names))
    p = {name: prior.belief(name).at(scores[:, k]) for k, name in enumerate(names)}
    for name, share in prior.stage_shares.items():
        p[name] = share + p["inductor_share"] * (1.0 - share)
    voltage, current = need.rail_voltage, need.rail_current
    load = Load(current, voltage, voltage * current + p["other_rails"])  # type: ignore[arg-type]
    excess = excess_of(p, n, choice.phase_count, moved.excess)
    state = settle(p, n, load, need.coolant_temperature, excess)
    with np.errstate(invalid="ignore"):
        drawn, _ = input_of(p, load, state.loss, need.input_voltage)
    contacts = sum(item.contact_count for item in bench.board.connectors)
    regulator = bench.regulator
    ripple = physics.phase_ripple(need.input_voltage, voltage, float(regulator.inductor.inductance or 0.0),
                                  choice.switching_frequency)  # fmt: skip
    bound = moved.share * (regulator.sharing_error or 0.0)
    crest = need.rail_current_peak / n * (1.0 + bound) + 0.5 * ripple
    found = {
        "rail_current": current, "rail_voltage": voltage, "rail_current_peak": need.rail_current_peak,
        "coolant_temperature": need.coolant_temperature, "regulator_temperature": state.temperature,
        "regulator_rise": state.temperature - need.coolant_temperature, "loop_gain": state.gain,
        "input_current": drawn / need.input_voltage, "contact_current": drawn / need.input_voltage / contacts,
        "phase_current": current / n, "stage_current": current / n, "phase_current_peak": crest,
        "stage_current_peak": crest,
    }  # fmt: skip
    if need.ambient_temperature is not None:
        found["ambient_temperature"] = need.ambient_temperature
    return {name: Column(value) for name, value in found.items()}
