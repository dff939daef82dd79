"""Records that the findings room hands on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from phasewright.bench import Bench, Campaign, Step
from phasewright.findings.notebook import analysis_html, answer_html, comparison_html, step_html
from phasewright.limits import Margin, NotComputable, Reading
from phasewright.logs import Recording, StepSpan, Window
from phasewright.quantity import Value


def _empty() -> Mapping:
    return MappingProxyType({})


VERDICTS = ("sustained", "marginal", "clamped", "tripped", "unsettled", "unknown")


@dataclass(frozen=True, slots=True)
class StepFinding:
    """Everything found about one step."""

    step: Step
    span: StepSpan
    window: Window
    quantities: Mapping[str, Value]
    """By name: every channel's mean, `<channel>_peak`, loss, delivery_efficiency, conversion_efficiency,
    phase_current, regulator_rise, thermal_resistance, ..."""
    peak_averaging: Mapping[str, float]
    """Averaging time over which each peak is stated [s]."""
    margins: tuple[Margin, ...]
    """To every limit, those that only advise included; the one that gives first comes first."""
    verdict: str
    reasons: tuple[str, ...]
    missing: tuple[NotComputable, ...] = ()
    basis: Mapping[str, str] = field(default_factory=_empty)
    """By the name of the quantity: what it was made from, in words (boundary, reference, averaging)."""
    readings: tuple[Reading, ...] = ()
    """What physics says of the step where nothing is a ceiling."""

    def _repr_html_(self) -> str:
        return step_html(self)


@dataclass(frozen=True, slots=True)
class Comparison:
    """One step against the baseline step, on the same instruments."""

    step: str
    baseline: str
    differences: Mapping[str, Value]
    ratios: Mapping[str, Value]
    extra_energy_year: Value | None = None
    """[J] for the hours of the campaign's cost section."""
    extra_cost_year: Value | None = None
    """In the currency of the campaign's cost section."""
    reason: str = ""
    """Why this baseline was taken, and what to mind."""

    def _repr_html_(self) -> str:
        return comparison_html(self)


@dataclass(frozen=True, slots=True)
class Check:
    """One test of the readings against each other or against physics."""

    name: str
    """efficiency | slope | ratio | thermal | phases | balance | readings"""
    outcome: str
    """passed | doubt | not checked"""
    sentence: str
    numbers: Mapping[str, Value | float | str] = field(default_factory=_empty)


@dataclass(frozen=True, slots=True)
class Answer:
    """A question of the job, a sentence, and its numbers."""

    question: str
    sentence: str
    numbers: Mapping[str, Value | float | str]

    def _repr_html_(self) -> str:
        return answer_html(self)


@dataclass(frozen=True, slots=True)
class Analysis:
    """What a campaign says."""

    bench: Bench
    campaign: Campaign
    recording: Recording
    steps: tuple[StepFinding, ...]
    comparisons: tuple[Comparison, ...]
    answers: tuple[Answer, ...]
    notes: tuple[str, ...]
    """Repairs, cautions, doubts; each begins with its kind: ``repair: ...``, ``caution: ...``, ``doubt: ...``."""
    format: str = "phasewright-analysis-1"
    checks: tuple[Check, ...] = ()
    """What the readings say about each other; every doubt stands in `notes` as well."""

    def _repr_html_(self) -> str:
        return analysis_html(self)
