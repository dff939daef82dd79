"""Steady windows: the part of a step that figures may be taken from, and what proves that it has settled."""

from phasewright.logs.steady.windows import find_window

__all__ = ["find_window"]
