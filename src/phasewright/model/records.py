"""Records that the model room hands on: parameters, prior, fit, prediction and what follows from them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from phasewright.bench import Bench
from phasewright.limits import Margin, NotComputable, Reading
from phasewright.quantity import Value

FORMULA = "loss and heat of a multiphase regulator"
FORMULA_VERSION = 2
"""Raised whenever the same parameters would mean something else."""


def _empty() -> Mapping:
    return MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Parameter:
    """One parameter of the model: what was believed before, what is believed now, and what decided it."""

    name: str
    symbol: str
    """As in the model's formula."""
    unit: str
    value: float
    u: float
    prior_value: float
    prior_u: float
    decided_by: str
    """data | both | prior"""
    at_bound: bool
    """The data pull it farther from its prior than the prior allows."""
    basis: str
    """Where the prior comes from."""


@dataclass(frozen=True, slots=True)
class Belief:
    """What is believed of one parameter before anything is measured.

    The model works with a standard normal score z of each parameter: value = centre + spread z (normal), centre
    exp(spread z) (positive) or high / (1 + exp(-(centre + spread z))) (share of `high`).
    """

    name: str
    symbol: str
    unit: str
    centre: float
    spread: float
    shape: str = "positive"
    """normal | positive | share"""
    high: float = 1.0
    """Ceiling of a share, in the unit of the parameter."""
    basis: str = ""
    stated: bool = True
    """False: the bench is silent and a wide default was taken."""

    def at(self, score):
        """Return the value [unit] at a standard normal `score`, arrays of any shape."""
        if self.shape == "positive":
            return self.centre * np.exp(self.spread * score)
        if self.shape == "share":
            return self.high / (1.0 + np.exp(-(self.centre + self.spread * score)))
        return self.centre + self.spread * score


@dataclass(frozen=True, slots=True)
class Prior:
    """What is believed of a bench before anything is measured on it."""

    bench: Bench
    beliefs: tuple[Belief, ...]
    notes: tuple[str, ...]
    """What the bench does not state, and which wide default stands in."""
    stage_shares: Mapping[str, float]
    """What part of a phase's fixed loss and of its resistance sits in the stage, not in inductor and copper [1]."""

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the parameters, in the order of every array of scores."""
        return tuple(item.name for item in self.beliefs)

    def belief(self, name: str) -> Belief:
        """Return the belief about the parameter called `name`; KeyError if there is none."""
        for item in self.beliefs:
            if item.name == name:
                return item
        raise KeyError(name)


@dataclass(frozen=True, slots=True)
class Residual:
    """One observation against the fitted model."""

    step: str
    channel: str
    observed: float
    fitted: float
    u: float
    """Standard uncertainty that the fit gave the difference: statistics and what the formula cannot know."""

    @property
    def score(self) -> float:
        """Observed less fitted, in standard uncertainties."""
        return (self.observed - self.fitted) / self.u


@dataclass(frozen=True, slots=True)
class CoolantLaw:
    """Coolant temperature against input power, as measured: stands in where a setting states no coolant temperature."""

    temperature: float
    """At `input_power` [degC]."""
    slope: float
    """[K/W]"""
    input_power: float
    """Middle of the measured powers [W]."""
    u: float
    """Standard uncertainty of a coolant temperature taken from it [K]."""


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """The model of one bench after what was measured on it. Facts only: see `to_dict`."""

    bench: Bench
    prior: Prior
    score: np.ndarray
    """(p,): most probable standard score of every parameter."""
    covariance: np.ndarray
    """(p, p): of the scores."""
    parameters: tuple[Parameter, ...]
    residuals: tuple[Residual, ...]
    phase_counts: tuple[int, ...]
    """Phase counts that the data have seen."""
    step_count: int
    """Steady steps whose temperature was used; 0 = nothing measured."""
    ranges: Mapping[str, tuple[float, float]]
    """By quantity: least and greatest value in the data."""
    coolant: CoolantLaw | None
    """How warm the coolant was at which power; None = not measured."""
    usual_duty: float | None
    """Of the fan in air, of the pump in liquid, over the time measured [1]; None = not known."""
    notes: tuple[str, ...]
    inputs: Mapping[str, str]
    """Fingerprints of what it was made from, by file."""
    formula: str = FORMULA
    formula_version: int = FORMULA_VERSION

    def parameter(self, name: str) -> Parameter:
        """Return the parameter called `name`; KeyError if there is none."""
        for item in self.parameters:
            if item.name == name:
                return item
        raise KeyError(name)


@dataclass(frozen=True, slots=True)
class Setting:
    """A setting to be predicted. Numbers are SI, None = not stated."""

    phase_count: int
    package_power: float | None = None
    """As this bench's instrument reads it [W]."""
    rail_current: float | None = None
    """As this bench's instrument reads it [A]."""
    rail_voltage: float | None = None
    """[V]"""
    coolant_temperature: float | None = None
    """[degC]"""
    switching_frequency: float | None = None
    """[Hz]"""
    fan_duty: float | None = None
    """[1]; None = the usual one of the steps measured."""
    pump_duty: float | None = None
    """[1]; None = the usual one of the steps measured."""
    protections: Mapping[str, float] = field(default_factory=_empty)
    """``protection_...`` and ``power_limit`` settings that stand in for the bench's."""


@dataclass(frozen=True, slots=True)
class Prediction:
    """What the model says of one setting."""

    setting: Setting
    quantities: Mapping[str, Value]
    margins: tuple[Margin, ...]
    """To every limit from which the verdict follows; the one that gives first comes first. All: every_margin."""
    verdict: str
    probability: float
    """That every limit would hold and nothing run away [1]."""
    reasons: tuple[str, ...]
    notes: tuple[str, ...]
    level: float
    """Coverage probability of `intervals` [1]."""
    intervals: Mapping[str, tuple[float, float]]
    """Of each quantity at `level`, in its unit."""
    missing: tuple[NotComputable, ...] = ()
    """Limits that could not be worked out; filled by `with_every_margin`."""
    readings: tuple[Reading, ...] = ()
    """What physics says where nothing is a ceiling; filled by `with_every_margin`."""
