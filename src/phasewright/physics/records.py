"""Answers of more than one number."""

from __future__ import annotations

from dataclasses import dataclass

from phasewright.physics._arguments import Array, Number

__all__ = ["FinalValue", "FosterNetwork", "Interval", "Settled"]


@dataclass(frozen=True, slots=True)
class Interval:
    """Two ends in the unit of the formula that made it; an end is infinite when nothing bounds that side."""

    low: Number
    high: Number


@dataclass(frozen=True, slots=True)
class FosterNetwork:
    """A thermal step response as a sum of exponentials; one entry a term, shortest time constant first."""

    thermal_resistances: Array
    """[K/W]"""
    time_constants: Array
    """[s]"""


@dataclass(frozen=True, slots=True)
class FinalValue:
    """Where an exponential approach ends, and how fast it goes there."""

    temperature: Number
    """[degC]"""
    time_constant: Number
    """[s]"""


@dataclass(frozen=True, slots=True)
class Settled:
    """Where loss and temperature settle together."""

    temperature: Number
    """[degC]; infinite when they run away."""
    loss: Number
    """[W]"""
    gain: Number
    """Thermal loop gain at that temperature [1]: the kelvin that one kelvin more brings; runaway at 1."""
