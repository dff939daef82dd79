"""Several campaigns side by side: the same setting on other boards, coolers or days, and what differs for real.

Every difference is tested against its own uncertainty; because many are looked at together, the tests are held to a
common error rate of 5 % (Holm 1979, "A simple sequentially rejective multiple test procedure", Scand. J. Statist. 6).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from phasewright.findings.comparisons import same_load
from phasewright.findings.records import Analysis, StepFinding
from phasewright.findings.wording import group_by_load, load_text, phases_text, series_text
from phasewright.quantity import Value, difference, to_text, value_from_parts

__all__ = ["CampaignComparison", "Contrast", "SettingContrast", "chance_of", "compare_campaigns", "holm"]

COMPARED = (
    "regulator_rise", "regulator_temperature", "loss", "delivery_efficiency", "conversion_efficiency", "input_power",
)  # fmt: skip
"""Figures that answer the job's questions, in this order."""
LEVEL = 0.05
"""Chance that any difference at all is called real though none is."""
ALIKE = 0.05
"""Relative difference of package power above which a remark says that the loads differ."""


@dataclass(frozen=True, slots=True)
class Contrast:
    """One figure of one setting in two campaigns."""

    quantity: str
    value: Value
    baseline: Value
    difference: Value
    """The campaign's less the baseline's."""
    probability: float | None
    """Chance of a difference this large when there is none, adjusted for all that were looked at; None = unknown."""
    real: bool | None
    """Whether it is more than the uncertainty explains; None = nobody knows, an interval is missing."""


@dataclass(frozen=True, slots=True)
class SettingContrast:
    """One setting of one campaign against the same setting of the baseline campaign."""

    campaign: str
    step: str
    verdict: str
    baseline_step: str
    baseline_verdict: str
    phase_count: float | None
    load: str
    contrasts: tuple[Contrast, ...]
    remark: str = ""


@dataclass(frozen=True, slots=True)
class CampaignComparison:
    """What several campaigns say about the same settings."""

    campaigns: tuple[str, ...]
    baseline: str
    settings: tuple[SettingContrast, ...]
    fewest: tuple[tuple[str, str, str], ...]
    """Load, campaign, fewest phases that held there, in words."""
    unmatched: tuple[tuple[str, str], ...]
    """Campaign and step that no step of the baseline matches."""
    sentences: tuple[str, ...]
    same_instruments: bool


def compare_campaigns(
    analyses: Sequence[Analysis], names: Sequence[str], *, same_instruments: bool = False
) -> CampaignComparison:
    """Compare campaigns with the first one, setting by setting (same phase count, same load).

    Parameters
    ----------
    analyses
        At least two.
    names
        One for each, all different.
    same_instruments
        True: instruments of one name are the same instruments, so that their gain and offset errors act on both sides
        and mostly cancel. False: every error counts on both sides.

    Raises
    ------
    ValueError
        For fewer than two campaigns, or names that are not one for each and different.
    """
    if len(analyses) < 2:
        raise ValueError(f"nothing to compare (analyses = {len(analyses)}) - two or more are asked for - give another")
    if len(set(names)) != len(analyses) or len(names) != len(analyses):
        raise ValueError(f"names do not tell the campaigns apart (names = {list(names)}) - one each, all different")
    shared = _shared_sources(analyses) if same_instruments else frozenset()
    first = analyses[0]
    found: list[SettingContrast] = []
    unmatched: list[tuple[str, str]] = []
    for index, (analysis, name) in enumerate(zip(analyses[1:], names[1:], strict=True), start=1):
        for step in analysis.steps:
            partner = _partner(step, first.steps)
            if partner is None:
                unmatched.append((name, step.step.name))
                continue
            found.append(_contrast(name, index, step, partner, shared))
    settings = tuple(_adjusted(found))
    return CampaignComparison(
        tuple(names), names[0], settings, tuple(_fewest(analyses, names)), tuple(unmatched),
        tuple(_sentences(settings, names[0])), same_instruments,
    )  # fmt: skip


def holm(probabilities: Sequence[float]) -> list[float]:
    """Return the probabilities adjusted by Holm's step-down procedure, in the order given."""
    order = sorted(range(len(probabilities)), key=lambda i: probabilities[i])
    adjusted, highest = [0.0] * len(order), 0.0
    for rank, place in enumerate(order):
        highest = max(highest, min(1.0, (len(order) - rank) * probabilities[place]))
        adjusted[place] = highest
    return adjusted


def _shared_sources(analyses: Sequence[Analysis]) -> frozenset[str]:
    """Return the names of the instruments that stand on every bench."""
    return frozenset.intersection(*(frozenset(item.name for item in one.bench.instruments) for one in analyses))


def _partner(step: StepFinding, others: Iterable[StepFinding]) -> StepFinding | None:
    """Return the step with the same phase count and load whose other settings differ least."""
    alike = [other for other in others if _count(other) == _count(step) and same_load(step, other)]

    def unlike(other: StepFinding) -> tuple[int, bool]:
        keys = {*step.step.settings, *other.step.settings}
        return sum(step.step.settings.get(k) != other.step.settings.get(k) for k in keys), not other.step.baseline

    return min(alike, key=unlike, default=None)


def _count(finding: StepFinding) -> float | None:
    count = finding.quantities.get("phase_count")
    stated = finding.step.settings.get("phase_count")
    return count.value if count is not None else float(stated) if isinstance(stated, int | float) else None


def _contrast(
    name: str, index: int, step: StepFinding, partner: StepFinding, shared: frozenset[str]
) -> SettingContrast:
    contrasts = []
    for quantity in COMPARED:
        one, other = step.quantities.get(quantity), partner.quantities.get(quantity)
        if one is None or other is None or one.unit != other.unit:
            continue
        own, base = _told_apart(one, f"campaign {index}", shared), _told_apart(other, "campaign 0", shared)
        apart = difference(own, base)
        contrasts.append(Contrast(quantity, one, other, apart, chance_of(apart), None))
    return SettingContrast(
        name, step.step.name, step.verdict, partner.step.name, partner.verdict, _count(step),
        load_text([partner]), tuple(contrasts), _remark(step, partner),
    )  # fmt: skip


def _told_apart(value: Value, campaign: str, shared: frozenset[str]) -> Value:
    """Return the value with the names of its sources its own, but for those of instruments that both benches share."""
    if value.u is None or not value.parts:
        return value
    parts = [
        part if _is_of(part.source, shared) else replace(part, source=f"{campaign}/{part.source}")
        for part in value.parts
    ]
    return value_from_parts(value.value, value.unit, parts, kind=value.kind)


def _is_of(source: str, shared: frozenset[str]) -> bool:
    return source.split("/", 1)[0] in shared and source.rsplit("/", 1)[-1] in ("gain", "offset")


def chance_of(apart: Value) -> float | None:
    """Return the chance of a difference this large when there is none; None where its uncertainty is not known."""
    if apart.u is None or not math.isfinite(apart.value):
        return None
    if apart.u == 0.0:
        return 1.0 if apart.value == 0.0 else 0.0
    from scipy import special

    return float(2.0 * special.stdtr(min(apart.dof, 1e9), -abs(apart.value) / apart.u))


def _adjusted(found: Sequence[SettingContrast]) -> Iterable[SettingContrast]:
    """Yield the settings with all probabilities adjusted together."""
    known = [c.probability for item in found for c in item.contrasts if c.probability is not None]
    fresh = iter(holm(known))
    for item in found:
        told = []
        for contrast in item.contrasts:
            if contrast.probability is None:
                told.append(contrast)
                continue
            chance = next(fresh)
            told.append(replace(contrast, probability=chance, real=chance < LEVEL))
        yield replace(item, contrasts=tuple(told))


def _remark(step: StepFinding, partner: StepFinding) -> str:
    own, base = step.quantities.get("package_power"), partner.quantities.get("package_power")
    if own is None or base is None or abs(own.value - base.value) <= ALIKE * abs(base.value):
        return ""
    return (
        f"package power differs ({to_text(replace(own, u=None)).split(' ±')[0]} W against "
        f"{to_text(replace(base, u=None)).split(' ±')[0]} W), so bench and load are mixed here"
    )


def _fewest(analyses: Sequence[Analysis], names: Sequence[str]) -> Iterable[tuple[str, str, str]]:
    loads: list[list[StepFinding]] = group_by_load(step for analysis in analyses for step in analysis.steps)
    for group in loads:
        for analysis, name in zip(analyses, names, strict=True):
            own = [step for step in analysis.steps if any(step is item for item in group)]
            held = [step for step in own if step.verdict == "sustained" and _count(step) is not None]
            if held:
                yield load_text(group), name, phases_text(min(held, key=lambda step: _count(step) or 0.0))
            elif own:
                yield load_text(group), name, "none tried is shown to hold"


def _sentences(settings: Sequence[SettingContrast], baseline: str) -> Iterable[str]:
    """Yield one sentence for each campaign and figure: the largest real difference, or that there is none."""
    words = {
        "regulator_rise": ("hotter above its coolant", "cooler above its coolant"),
        "loss": ("more lost", "less lost"),
        "delivery_efficiency": ("better delivery efficiency", "worse delivery efficiency"),
    }
    for campaign in dict.fromkeys(item.campaign for item in settings):
        for quantity, (more, less) in words.items():
            seen = [
                (item, contrast)
                for item in settings
                if item.campaign == campaign
                for contrast in item.contrasts
                if contrast.quantity == quantity
            ]
            if not seen:
                continue
            real = [(item, contrast) for item, contrast in seen if contrast.real]
            name = quantity.replace("_", " ")
            if not real:
                unknown = all(contrast.real is None for _, contrast in seen)
                yield f"{campaign} against {baseline}, {name}: " + (
                    "not known, because uncertainties are not known" if unknown
                    else f"no difference that stands out from its uncertainty in {len(seen)} settings"
                ) + "."  # fmt: skip
                continue
            item, contrast = max(real, key=lambda pair: abs(pair[1].difference.value))
            direction = more if contrast.difference.value > 0.0 else less
            size = replace(contrast.difference, value=abs(contrast.difference.value), **_mirrored(contrast.difference))
            unit = "%" if size.unit == "1" else None
            where = series_text([f"{len(real)} of {len(seen)} settings differ for real"])
            yield (
                f"{campaign} against {baseline}, {name}: {where}, most in {item.step}: {to_text(size, unit)} {direction}."
            )


def _mirrored(value: Value) -> dict[str, float | None]:
    if value.value >= 0.0 or value.low95 is None or value.high95 is None:
        return {"low95": value.low95, "high95": value.high95}
    return {"low95": -value.high95, "high95": -value.low95}
