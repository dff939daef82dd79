"""The verdict of a predicted setting, from its margins."""

from __future__ import annotations

from collections.abc import Sequence

from phasewright.findings import Margin
from phasewright.quantity import to_text

__all__ = ["judge"]

HOLDS_BACK = ("temperature warning", "power limit", "temperature limit")
"""Endings of protections that hold a load back; the others shut down."""


def judge(margins: Sequence[Margin], away: float, probability: float) -> tuple[str, tuple[str, ...]]:
    """Return the verdict and its reasons.

    `away` is the probability that heat runs away [1], `probability` that all limits hold together [1].
    """
    if away > 0.975:
        return "tripped", ("heat runs away: the loss grows faster with temperature than the heat can leave",)
    beyond = [m for m in margins if m.margin.high95 is not None and m.margin.high95 < 0.0]
    protections = [m for m in beyond if m.limit.kind == "protection"]
    tripping = [m for m in protections if not m.limit.name.endswith(HOLDS_BACK)]
    held = [m for m in protections if m not in tripping]
    if tripping:
        return "tripped", tuple(_text(m) for m in tripping)
    if held:
        return "clamped", tuple(_text(m) for m in held)
    if beyond:
        return "marginal", tuple(f"beyond a limit: {_text(m)}" for m in beyond)
    if away > 0.025:
        return "marginal", (f"heat may run away (probability {away:.2g})",)
    unknown = [m for m in margins if m.margin.low95 is None]
    if unknown or not margins:
        return "unknown", tuple(f"margin to {m.limit.name} unknown: {m.margin.reason}" for m in unknown) or (
            "no limit is stated that the prediction could be held against",
        )
    close = [m for m in margins if m.margin.low95 is not None and m.margin.low95 <= 0.0]
    if close:
        return "marginal", tuple(_text(m) for m in close)
    if probability < 0.95:
        return "marginal", (f"each limit would hold, but all together with a probability of {probability:.2f} only",)
    return "sustained", (f"nearest limit: {_text(margins[0])}",)


def _text(margin: Margin) -> str:
    figure = margin.limit.applies_to.replace("_", " ")
    peak = "peak " if margin.note.startswith("peak") else ""
    unit = {"degC": " °C", "1": ""}.get(margin.limit.unit, f" {margin.limit.unit}")
    return (f"{peak}{figure} of {to_text(margin.figure)} against the {margin.limit.name} at {margin.limit.value:g}{unit}: "
            f"margin {to_text(margin.margin)}")  # fmt: skip
