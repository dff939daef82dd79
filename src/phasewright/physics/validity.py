"""Where a formula holds, as data: what is impossible is refused, what is doubtful can be asked for."""

from __future__ import annotations

import functools
import inspect
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, ParamSpec, Protocol, TypeAlias, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

__all__ = ["Bound", "Formula", "formula", "out_of_range", "refuse"]

Array: TypeAlias = NDArray[np.float64]
Number: TypeAlias = float | Array
"""One SI number, or an array of them; a formula broadcasts its arguments against each other."""

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
    said_by: str = "physics"

    def by(self, said_by: str) -> Bound:
        """Return the same interval, said by `said_by`."""
        return replace(self, said_by=said_by)

    def outside(self, value: Number) -> Any:
        """Return True (one number) or an array of bool where `value` lies outside."""
        low = value <= self.low if self.open_low and self.low > -math.inf else value < self.low
        high = value >= self.high if self.open_high and self.high < math.inf else value > self.high
        if not self.whole:
            return low | high
        with np.errstate(invalid="ignore"):
            return low | high | (np.abs(value - np.round(value)) > 1e-9)

    def holds(self, value: Number) -> bool:
        """Return True when no part of `value` lies outside; the common case costs one reduction a bound."""
        if isinstance(value, float):
            return not self.outside(value)
        if value.size == 0:
            return True
        # NaN makes min and max NaN, which fails both comparisons and falls through to the exact test.
        if self.low > -math.inf:
            least = value.min()
            if not (least > self.low if self.open_low else least >= self.low):
                return not np.any(self.outside(value))
        if self.high < math.inf:
            most = value.max()
            if not (most < self.high if self.open_high else most <= self.high):
                return not np.any(self.outside(value))
        return not (self.whole and np.any(self.outside(value)))

    def rule(self) -> str:
        """Return the interval in words."""
        parts = []
        if self.whole:
            parts.append("be a whole number")
        if self.low > -math.inf:
            parts.append(f"be {'above' if self.open_low else 'at least'} {self.low:g}")
        if self.high < math.inf:
            parts.append(f"be {'below' if self.open_high else 'at most'} {self.high:g}")
        return "must " + " and ".join(parts) if parts else "may be any number"


def elementwise(function: Callable[..., float], *arguments: Number) -> Number:
    """Return `function`, which knows single numbers only, of broadcast arguments."""
    result = np.frompyfunc(function, len(arguments), 1)(*arguments)
    return np.asarray(result, dtype=np.float64) if isinstance(result, np.ndarray) else float(result)


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


def documented_unit(function: Any, name: str) -> str:
    """Return the bracketed unit that the docstring of `function` gives argument `name`; '' if it gives none."""
    found = re.search(rf"^\s+{re.escape(name)} \[([^\]]+)\]", function.__doc__ or "", re.MULTILINE)
    return found.group(1) if found else ""


def refuse(name: str, value: Any, rule: str, mend: str, what: str = "impossible argument") -> ValueError:
    """Return the ValueError to raise: ``what (name = value) - rule - mend``."""
    shown = f"{value:g}" if isinstance(value, int | float) else str(value)
    return ValueError(f"{what} ({name} = {shown}) - {rule} - {mend}")


def require_below(function: str, low_name: str, low: Number, high_name: str, high: Number) -> None:
    """Raise ValueError unless `low` lies below `high` everywhere."""
    wrong = np.asarray(low >= high)
    if wrong.any():
        place = tuple(np.argwhere(wrong)[0])
        low_at = float(np.broadcast_to(np.asarray(low), wrong.shape)[place])
        high_at = float(np.broadcast_to(np.asarray(high), wrong.shape)[place])
        raise refuse(
            low_name,
            low_at,
            f"{low_name} must be below {high_name} ({high_at:g})",
            f"check {low_name} and {high_name}",
            f"{function}: impossible arguments",
        )


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


def _as_number(function: Any, name: str, value: Any) -> Number:
    if isinstance(value, float | int):
        return float(value)
    try:
        array = np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError):
        unit = documented_unit(function, name) or "1"
        what = f"{function.__name__}: not a number"
        raise refuse(name, repr(value), f"{name} is a number or an array", f"give it in {unit}", what) from None
    return array if array.ndim else float(array)


def plain(result: Any) -> Any:
    """Return a Python number for a single number, anything else as it is: one number in, one number out."""
    if isinstance(result, np.generic) or (isinstance(result, np.ndarray) and result.ndim == 0):
        return result.item()
    return result


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

        @functools.wraps(function)
        def checked(*args: P.args, **kwargs: P.kwargs) -> R:
            values: dict[str, Any] = dict(zip(names, args, strict=False))
            values.update(kwargs)
            if len(values) != len(args) + len(kwargs):
                return function(*args, **kwargs)  # says in Python's own words which argument is wrong
            for name, bound in possible.items():
                if name in values:
                    value = values[name] = _as_number(function, name, values[name])
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
        value = _as_number(function, name, given)
        outside = np.asarray(bound.outside(value))
        if outside.any():
            worst = np.asarray(value)[outside] if outside.ndim else np.asarray([value])
            unit = documented_unit(function, name)
            shown = f"{worst.min():g}" if worst.size == 1 else f"{worst.min():g} to {worst.max():g}"
            unit = "" if unit in ("", "1") else f" {unit}"
            said.append(f"{name} = {shown}{unit}: {bound.rule()} ({bound.said_by})")
    return tuple(said)
