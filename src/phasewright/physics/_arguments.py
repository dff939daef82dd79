"""Arguments in, answers out: what every formula does with the numbers it is given."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]
Number: TypeAlias = float | Array
"""One SI number, or an array of them; a formula broadcasts its arguments against each other."""


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


def as_number(function: Any, name: str, value: Any) -> Number:
    """Return `value` as one float or a float array; ValueError when it is neither."""
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


def elementwise(function: Callable[..., float], *arguments: Number) -> Number:
    """Return `function`, which knows single numbers only, of broadcast arguments; NaN where an argument is NaN."""

    def known(*values: float) -> float:
        return math.nan if any(value != value for value in values) else function(*values)

    result = np.frompyfunc(known, len(arguments), 1)(*arguments)
    return np.asarray(result, dtype=np.float64) if isinstance(result, np.ndarray) else float(result)
