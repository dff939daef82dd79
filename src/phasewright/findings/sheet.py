"""The sheet on which the figures of one step are collected while they are worked out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from phasewright.bench import CHANNELS
from phasewright.findings.means import Figure
from phasewright.limits import NotComputable
from phasewright.quantity import Value, propagate

__all__ = ["Sheet", "channel_mend"]


def channel_mend(channel: str) -> str:
    """Return the line that would bring `channel` in."""
    return f'map a column to it in campaign.toml: [log.channels] {channel} = "COLUMN"'


@dataclass(slots=True)
class Sheet:
    """Figures of one step: what is known, what it was made from, and what cannot be worked out and why."""

    step: str
    quantities: dict[str, Value] = field(default_factory=dict)
    basis: dict[str, str] = field(default_factory=dict)
    peak_averaging: dict[str, float] = field(default_factory=dict)
    missing: dict[str, NotComputable] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    assumed: dict[str, Value] = field(default_factory=dict)
    """Numbers stated in bench.toml that figures are worked out with; they are no findings."""

    def put(self, name: str, figure: Figure) -> None:
        """Enter a figure; it is no longer missing."""
        self.quantities[name] = figure.value
        self.basis[name] = figure.basis
        self.missing.pop(name, None)

    def lack(self, name: str, why: str, mend: str) -> None:
        """Say that a figure cannot be worked out, and which line would change that."""
        if name not in self.quantities:
            self.missing.setdefault(name, NotComputable(name, why, mend))

    def derive(self, name: str, function: Callable[..., Any], inputs: Mapping[str, str], unit: str, basis: str) -> bool:
        """Enter `function` of the quantities named in `inputs` (argument -> quantity); say what lacks if one does.

        Returns True when the figure was entered.
        """
        known_values = {**self.assumed, **self.quantities}
        lacking = [quantity for quantity in inputs.values() if quantity not in known_values]
        if lacking:
            known = [self.missing[quantity] for quantity in lacking if quantity in self.missing]
            why = "no " + " and no ".join(lacking)
            if known:
                why += ": " + "; ".join(dict.fromkeys(item.why for item in known))
            mends = [self.missing[item].mend if item in self.missing else channel_mend(item) for item in lacking]
            self.lack(name, why, "; ".join(dict.fromkeys(mends)))
            return False
        values = {argument: known_values[quantity] for argument, quantity in inputs.items()}
        try:
            value = propagate(function, values, unit, kind="derived")
        except (ValueError, ZeroDivisionError) as error:
            self.lack(name, str(error), "look at the readings that it is made from: " + ", ".join(inputs.values()))
            return False
        self.put(name, Figure(_honest(value, values), basis))
        return True

    def lack_channel(self, channel: str) -> None:
        """Say that a channel is not logged."""
        title = CHANNELS[channel].title.lower() if channel in CHANNELS else channel.replace("_", " ")
        self.lack(channel, f"{title} is not logged", channel_mend(channel))


def _honest(value: Value, inputs: Mapping[str, Value]) -> Value:
    """Give the reason of an unknown uncertainty in the words of the inputs that lack one."""
    if value.u is not None:
        return value
    reasons = dict.fromkeys(item.reason for item in inputs.values() if item.u is None and item.reason)
    return replace(value, reason="; ".join(reasons) or value.reason or "the uncertainty of an input is unknown")
