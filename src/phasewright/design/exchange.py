"""A design as plain data: all of it and back again, and what a program wants to know of it."""

from __future__ import annotations

import dataclasses
import math
import types
import typing
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from phasewright.bench import CapacitorBank, Connector, Inductor, Stage
from phasewright.design.records import Controller, Cooler, Design, Member, Part

__all__ = ["design_from_dict", "design_json", "design_to_dict"]

FORMAT = "phasewright-design-1"
_FIGURES: dict[str, Any] = {"stage": Stage, "inductor": Inductor, "capacitor": CapacitorBank, "controller": Controller,
                            "cooler": Cooler, "connector": Connector}  # fmt: skip


def design_to_dict(design: Design) -> dict[str, Any]:
    """Return all of a design as nested dicts, lists, strings and numbers, fit for JSON; see `design_from_dict`."""
    return {"format": FORMAT, **_plain(design)}


def design_from_dict(facts: Mapping[str, Any]) -> Design:
    """Return the design that `design_to_dict` gave. Raises ValueError when the facts are of another format."""
    if facts.get("format") != FORMAT:
        raise ValueError(f"format = {facts.get('format')!r} - {FORMAT!r} is needed - search anew")
    return _record(Design, facts)


def _plain(item: Any) -> Any:
    if dataclasses.is_dataclass(item):
        return {own.name: _plain(getattr(item, own.name)) for own in dataclasses.fields(item)}
    if isinstance(item, Mapping):
        return {str(key): _plain(value) for key, value in item.items()}
    if isinstance(item, tuple | list):
        return [_plain(value) for value in item]
    if isinstance(item, float):
        return float(item) if math.isfinite(item) else str(float(item))
    return item if item is None or isinstance(item, bool | str) else int(item)


def _record(kind: type, facts: Mapping[str, Any]) -> Any:
    hints = typing.get_type_hints(kind)
    given = {}
    for own in dataclasses.fields(kind):
        if own.name not in facts:
            continue
        hint = _FIGURES[facts["kind"]] if kind is Part and own.name == "figures" else hints[own.name]
        given[own.name] = _back(hint, facts[own.name])
    return kind(**given)


def _back(hint: Any, value: Any) -> Any:
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if value is None:
        return None
    if origin in (types.UnionType, typing.Union):
        wanted = [item for item in inner if item is not type(None)]
        if float in wanted and str in wanted and isinstance(value, str):
            return value
        return _back(wanted[0], value)
    if dataclasses.is_dataclass(hint):
        return _record(hint, value)  # type: ignore[arg-type]
    if origin is tuple:
        each = [inner[0]] * len(value) if len(inner) == 2 and inner[1] is Ellipsis else inner
        return tuple(_back(item, own) for item, own in zip(each, value, strict=True))
    if origin is not None and issubclass(origin, Mapping):
        return MappingProxyType({key: _back(inner[1], own) for key, own in value.items()})
    return float(value) if hint is float else value


def design_json(design: Design) -> dict[str, Any]:
    """Return what a program wants to know of a design; what is not finite is None."""
    front, verdict = design.front, design.verdict
    return {
        "format": FORMAT,
        "currency": front.currency,
        "requirement": _finite(_plain(design.requirement)),
        "method": _plain(front.method),
        "sentence": verdict.sentence,
        "chosen": _member(verdict.chosen),
        "cheapest": _member(verdict.cheapest),
        "front": [_member(item) for item in front.members],
        "neighbours": [_member(item) for item in verdict.neighbours],
        "purchases": [{"kind": item.kind, "cost": item.after.cost - item.before.cost, "bought": item.bought,
                       "each": item.each, "sentence": item.sentence} for item in verdict.purchases],
        "trades": [{"held": item.held, "member": _member(item.member), "sentence": item.sentence}
                   for item in verdict.trades],
        "sensitivities": [_finite(_plain(item)) for item in verdict.sensitivities],
        "carried": list(front.carried),
        "notes": list(front.notes),
    }  # fmt: skip


def _member(item: Member | None) -> dict[str, Any] | None:
    if item is None:
        return None
    found = {
        "choice": _plain(item.choice), "cost": item.cost, "regulator_temperature": item.regulator_temperature,
        "conversion_loss": item.conversion_loss, "chance": item.chance, "energy_cost": item.energy_cost,
        "total_cost": item.total_cost, "chances": _plain(item.chances), "fails": list(item.fails),
        "margins": [{"limit": own.limit.name, "applies_to": own.limit.applies_to, "value": own.limit.value,
                     "unit": own.limit.unit, "margin": own.margin.value, "u": own.margin.u,
                     "probability": own.probability} for own in item.margins],
    }  # fmt: skip
    return _finite(found)


def _finite(item: Any) -> Any:
    if isinstance(item, dict):
        return {key: _finite(value) for key, value in item.items()}
    if isinstance(item, list):
        return [_finite(value) for value in item]
    if isinstance(item, float):
        return item if math.isfinite(item) else None
    return None if item in ("inf", "-inf", "nan") else item
