"""Exact switching simulation of interleaved buck phases, between events and from period to period."""

from phasewright.physics.waveform.loop import VoltageLoop
from phasewright.physics.waveform.parts import CapacitorBank, Circuit, LoadProfile, Phases
from phasewright.physics.waveform.record import EnergyBalance, Extremes, Waveform
from phasewright.physics.waveform.response import StepResponse, load_step_response
from phasewright.physics.waveform.steady import steady_waveform
from phasewright.physics.waveform.transient import load_step_waveform
from phasewright.physics.waveform.tuning import tuned_loop

__all__ = [
    "CapacitorBank",
    "Circuit",
    "EnergyBalance",
    "Extremes",
    "LoadProfile",
    "Phases",
    "StepResponse",
    "VoltageLoop",
    "Waveform",
    "load_step_response",
    "load_step_waveform",
    "steady_waveform",
    "tuned_loop",
]
