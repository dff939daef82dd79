"""Exact switching simulation of interleaved buck phases, between events and from period to period."""

from phasewright.physics.waveform.loop import VoltageLoop
from phasewright.physics.waveform.parts import CapacitorBank, Circuit, LoadProfile, Phases
from phasewright.physics.waveform.record import EnergyBalance, Extremes, Waveform
from phasewright.physics.waveform.steady import steady_waveform
from phasewright.physics.waveform.transient import load_step_waveform

__all__ = [
    "CapacitorBank",
    "Circuit",
    "EnergyBalance",
    "Extremes",
    "LoadProfile",
    "Phases",
    "VoltageLoop",
    "Waveform",
    "load_step_waveform",
    "steady_waveform",
]
