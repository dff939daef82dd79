"""Where the loss of a setting goes: by cause, each with what is not known of it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from phasewright.model.answering import at_frequency, coolant_of, load_of, scaled
from phasewright.model.causes import causes_of
from phasewright.model.duty import duty_share
from phasewright.model.fitting import values_at
from phasewright.model.formula import REFERENCE, cooled, excess_of, input_of, settle
from phasewright.model.prediction import as_setting
from phasewright.model.records import Fitted, Setting
from phasewright.model.spreading import STEP, moved_scores
from phasewright.quantity import Part, Value, value_from_parts

__all__ = ["LossSplit", "loss_split"]

GROUPS = ("conduction", "switching", "fixed", "path")


@dataclass(frozen=True, slots=True)
class LossSplit:
    """The loss of one setting by cause [W]; what the data cannot tell apart is told apart by part data."""

    setting: Setting
    parts: Mapping[str, Value]
    """conduction | switching | fixed | path (output copper) | cables (meter to regulator)."""
    causes: Mapping[str, Value]
    """The same, cause by cause: high side, low side, inductor winding, overlap, gate, ..."""
    whole: Value
    """All of them: what the regulator and its feed lose. Their intervals do not add up: the sum is known better."""


@dataclass(frozen=True, slots=True, eq=False)
class _Terms:
    """Loss by cause: at moved scores, and what the shares within each term of the formula are not known to."""

    names: tuple[str, ...]
    groups: tuple[str, ...]
    loss: np.ndarray
    """(causes, sets) [W]"""
    within: np.ndarray
    """(causes, causes): covariance of the causes once the sum of each term is known [W2]."""


def loss_split(fitted: Fitted, settings: Mapping[str, float | str] | Setting) -> LossSplit:
    """Return the loss of `settings` by cause, at the temperature where it settles.

    Raises ValueError for an impossible setting; where heat runs away every figure is unknown and says so.
    """
    setting = as_setting(settings)
    moved, root, at = moved_scores(fitted, setting)
    with np.errstate(invalid="ignore"):
        terms = _terms(fitted, setting, moved, at)
    if not np.all(np.isfinite(terms.loss)):
        unknown = Value(math.nan, "W", kind="extrapolated", reason="heat runs away: there is no settled state")
        groups = dict.fromkeys((*GROUPS, "cables"), unknown)
        return LossSplit(setting, MappingProxyType(groups), MappingProxyType({}), unknown)
    size = len(root)
    slopes = (terms.loss[:, 1 : 1 + size] - terms.loss[:, 1 + size :]) / (2.0 * STEP)
    covariance = (slopes @ root) @ (slopes @ root).T + terms.within

    def value(mask: np.ndarray) -> Value:
        spread = math.sqrt(max(float(mask @ covariance @ mask), 0.0))
        found = value_from_parts(float(mask @ terms.loss[:, 0]), "W", [Part("model", spread)], kind="extrapolated")
        return replace(found, low95=max(found.low95 or 0.0, 0.0))

    by_group = {group: value(np.array([float(own == group) for own in terms.groups])) for group in (*GROUPS, "cables")}
    by_cause = {name: value(row) for name, row in zip(terms.names, np.eye(len(terms.names)), strict=True)}
    return LossSplit(setting, MappingProxyType(by_group), MappingProxyType(by_cause), value(np.ones(len(terms.names))))


def _terms(fitted: Fitted, setting: Setting, moved: np.ndarray, at: int) -> _Terms:
    bench, n = fitted.bench, float(setting.phase_count)
    p = scaled(bench, values_at(fitted.prior, moved[:, : len(fitted.prior.beliefs)]), setting.switching_frequency)
    p = cooled(p, duty_share(fitted, setting))
    excess = excess_of(p, n, bench.regulator.phase_count, moved[:, at])
    load = load_of(p, setting)
    state = settle(p, n, load, coolant_of(fitted, setting, load, moved[:, -2]), excess)
    _, cables = input_of(p, load, state.loss, bench.board.input_voltage)
    square = load.current**2
    growth = 1.0 + p["resistance_coefficient"] * (state.temperature - REFERENCE)
    amounts = {
        "board_loss": p["board_loss"], "phase_loss": p["phase_loss"] * n,
        "proportional_loss": p["proportional_loss"] * load.current,
        "phase_resistance": p["phase_resistance"] * square / n * growth, "path_resistance": p["path_resistance"] * square,
    }  # fmt: skip
    causes, _ = causes_of(bench)
    names, groups, rows, blocks = [], [], [], []
    for term, amount in amounts.items():
        own = [item for item in causes if item.term == term]
        value = np.array([at_frequency(item, bench, setting.switching_frequency) for item in own])
        whole = np.broadcast_to(p[term], amount.shape)
        parted = _parted(value, np.array([item.spread for item in own]), whole) * (amount / whole)
        # Log-normal parts whose sum is known: what one has more the others have less.
        free = (parted[:, 0] * [item.spread for item in own]) ** 2
        blocks.append(np.diag(free) - np.outer(free, free) / free.sum())
        names += [item.name for item in own]
        groups += [item.group for item in own]
        rows += list(parted)
    within = np.zeros((len(names) + 1, len(names) + 1))
    first = 0
    for block in blocks:
        within[first : first + len(block), first : first + len(block)] = block
        first += len(block)
    return _Terms((*names, "cables"), (*groups, "cables"), np.stack([*rows, cables]), within)


def _parted(value: np.ndarray, spread: np.ndarray, whole: np.ndarray) -> np.ndarray:
    """Return the parts (causes, sets) of each sum `whole` (sets,): least surprising beside what part data say.

    Parts `value` (causes,) have logarithms known to `spread` (causes,). The least surprising ones that add up to a
    given sum bear what it has more, or less, each by the square of what it is not known to.
    """
    pull = value * spread**2
    strength = np.zeros_like(whole)
    for _ in range(12):
        parts = value[:, None] * np.exp(pull[:, None] * strength)
        slope = np.sum(parts * pull[:, None], axis=0)
        strength = strength + np.clip((whole - parts.sum(axis=0)) / slope, -2.0 / pull.max(), 2.0 / pull.max())
    parts = value[:, None] * np.exp(pull[:, None] * strength)
    # Newton has long met; what rounding left goes to all.
    return parts * (whole / parts.sum(axis=0))
