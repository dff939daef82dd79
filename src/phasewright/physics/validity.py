"""Where a formula holds, as data: what is impossible is refused, what is doubtful can be asked for."""

from __future__ import annotations

import functools
import inspect
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, ParamSpec, Protocol, TypeVar, cast

import numpy as np

from phasewright.physics._arguments import Number, as_number, documented_unit, plain, refuse

__all__ = ["Bound", "Formula", "formula", "out_of_range"]

P = ParamSpec("P")
R = TypeVar("R", covariant=True)

ABSOLUTE_ZERO = -273.15
"""[degC]"""


@dataclass(frozen=True, slots=True)
class Bound:
    """An interval that an argument must lie in, and who says so. NaN passes: what is unknown stays unknown."""

    low: float = -math.inf
    high: float = math.inf
    open_low: bool = False
    """True when `low` itself is outside."""
    open_high: bool = False
    whole: bool = False
    """True when only whole numbers lie inside."""
    infinite: bool = False
    """True when infinity lies inside, at an end that has no number."""
    said_by: str = "physics"

    def _below(self, value: Any) -> Any:
        if self.low > -math.inf:
            return value <= self.low if self.open_low else value < self.low
        return value < self.low if self.infinite else value <= self.low

    def _above(self, value: Any) -> Any:
        if self.high < math.inf:
            return value >= self.high if self.open_high else value > self.high
        return value > self.high if self.infinite else value >= self.high

    def inner(self) -> tuple[float, float]:
        """Return the least and the greatest float inside, leaving `whole` aside."""
        least = self.low if not self._below(self.low) else math.nextafter(self.low, math.inf)
        most = self.high if not self._above(self.high) else math.nextafter(self.high, -math.inf)
        return least, most

    def outside(self, value: Number) -> Any:
        """Return True (one number) or an array of bool where `value` lies outside."""
        beyond = self._below(value) | self._above(value)
        if not self.whole:
            return beyond
        with np.errstate(invalid="ignore"):
            return beyond | (np.abs(value - np.round(value)) > 1e-9)

    def holds(self, value: Number) -> bool:
        """Return True when no part of `value` lies outside; the common case costs one reduction a bound."""
        if isinstance(value, float):
            return not self.outside(value)
        if value.size == 0:
            return True
        least, most = value.min(), value.max()
        # NaN makes both NaN and hides the rest, so it takes the slow way round.
        if self.whole or least != least or self._below(least) or self._above(most):
            return not np.any(self.outside(value))
        return True

    def rule(self) -> str:
        """Return the interval in words."""
        parts = []
        if self.whole:
            parts.append("be a whole number")
        if self.low > -math.inf:
            parts.append(f"be {'above' if self.open_low else 'at least'} {self.low:g}")
        if self.high < math.inf:
            parts.append(f"be {'below' if self.open_high else 'at most'} {self.high:g}")
        elif not self.infinite:
            parts.append("be finite")
        return "must " + " and ".join(parts) if parts else "may be any number"


ANY = Bound()
POSITIVE = Bound(low=0.0, open_low=True)
NOT_NEGATIVE = Bound(low=0.0)
OPEN_FRACTION = Bound(low=0.0, high=1.0, open_low=True, open_high=True)
FRACTION = Bound(low=0.0, high=1.0)
COUNT = Bound(low=1.0, whole=True)
TEMPERATURE = Bound(low=ABSOLUTE_ZERO, open_low=True)
"""degC, above absolute zero."""


class Formula(Protocol[P, R]):
    """A function of this room: callable, and its validity can be asked for."""

    possible: Mapping[str, Bound]
    """By argument: outside this a ValueError is raised."""
    range: Mapping[str, Bound]
    """By argument: outside this the formula answers, but nobody vouches for it."""
    source: str
    __name__: str
    __doc__: str | None

    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> R: ...


def _refusal(function: Any, name: str, value: Number, bound: Bound) -> ValueError:
    unit = documented_unit(function, name)
    outside = np.asarray(bound.outside(value))
    if outside.ndim:
        place = tuple(int(i) for i in np.argwhere(outside)[0])
        shown, label = float(np.asarray(value)[place]), f"{name}[{', '.join(map(str, place))}]"
    else:
        shown, label = float(value), name
    text = f"{shown:g} {unit}" if unit not in ("", "1") else f"{shown:g}"
    mend = f"give {name}{f' in {unit}' if unit not in ('', '1') else ''} within that range"
    return refuse(label, text, f"{name} {bound.rule()}", mend, f"{function.__name__}: impossible argument")


def formula(
    *, possible: Mapping[str, Bound], range: Mapping[str, Bound] | None = None, source: str
) -> Callable[[Callable[P, R]], Formula[P, R]]:
    """Return a decorator that gives a function its validity as data and refuses impossible arguments.

    `possible` names each numeric argument and what it can be at all; `range` narrows some of them to where
    `source`, or whoever is named in the bound, vouches for the formula. Sequences become float arrays on the way
    in, single results become plain floats on the way out; the bare function stays reachable as ``__wrapped__``.
    """
    possible = MappingProxyType(dict(possible))
    vouched = MappingProxyType({**possible, **(range or {})})

    def decorate(function: Callable[P, R]) -> Formula[P, R]:
        names = tuple(inspect.signature(function).parameters)
        for name in vouched:
            if name not in names:
                raise TypeError(f"bound of an unknown argument (name = {name}) - {function.__name__} has {names}")
        checks = tuple((name, *bound.inner(), bound) for name, bound in possible.items())

        @functools.wraps(function)
        def checked(*args: P.args, **kwargs: P.kwargs) -> R:
            values: dict[str, Any] = dict(zip(names, args, strict=False))
            values.update(kwargs)
            if len(values) != len(args) + len(kwargs):
                return function(*args, **kwargs)  # says in Python's own words which argument is wrong
            for name, least, most, bound in checks:
                if name in values:
                    value = values[name]
                    if type(value) is float and least <= value <= most and not bound.whole:
                        continue
                    value = values[name] = as_number(function, name, value)
                    if not bound.holds(value):
                        raise _refusal(function, name, value, bound)
            return cast(R, plain(function(**values)))  # type: ignore[call-arg]

        result = cast(Any, checked)
        result.possible, result.range, result.source = possible, vouched, source
        return cast(Formula[P, R], result)

    return decorate


def out_of_range(function: Any, **arguments: Any) -> tuple[str, ...]:
    """Return one sentence for each argument that lies outside the validity range of `function`; () if none does.

    Raises TypeError when `function` is no formula of this room or has no argument of a name given.
    """
    bounds = getattr(function, "range", None)
    if bounds is None:
        raise TypeError(f"no formula (function = {function!r}) - only functions of this room carry a range")
    names = inspect.signature(function).parameters
    said = []
    for name, given in arguments.items():
        if name not in names:
            raise TypeError(f"unknown argument (name = {name}) - {function.__name__} has {', '.join(names)}")
        if name not in bounds:
            continue
        bound = bounds[name]
        value = as_number(function, name, given)
        outside = np.asarray(bound.outside(value))
        if outside.any():
            worst = np.asarray(value)[outside] if outside.ndim else np.asarray([value])
            unit = documented_unit(function, name)
            shown = f"{worst.min():g}" if worst.size == 1 else f"{worst.min():g} to {worst.max():g}"
            unit = "" if unit in ("", "1") else f" {unit}"
            said.append(f"{name} = {shown}{unit}: {bound.rule()} ({bound.said_by})")
    return tuple(said)
