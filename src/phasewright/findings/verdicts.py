"""The verdict of one step, with its reasons in numbers."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from phasewright.findings.holding import Case, load_reached, protection_share, signs_of_holding
from phasewright.findings.margins import settling_of
from phasewright.findings.readings import take_readings
from phasewright.findings.sheet import Sheet
from phasewright.findings.wording import series_text
from phasewright.limits import above_limit, includes_zero, margin_text
from phasewright.logs import Settling
from phasewright.quantity import to_text

__all__ = ["Verdict", "judge_step", "remaining_text"]

POWER = ("input_power", "package_power", "rail_power")


@dataclass(frozen=True, slots=True)
class Verdict:
    """One word of `VERDICTS` and why."""

    word: str
    reasons: tuple[str, ...]


def judge_step(case: Case) -> Verdict:
    """Return the verdict of one step: the first that its evidence bears, the gravest first."""
    for judge in (_tripped, _no_record, _clamped, _beyond, _no_window, _lacking, _unsettled, _marginal):
        verdict = judge(case)
        if verdict is not None:
            return verdict
    return _sustained(case)


# ---- words --------------------------------------------------------------------------------------------------------


def remaining_text(settling: Iterable[Settling]) -> str:
    """Return the greatest bound on what remains, e.g. ``1.3 K``."""
    remaining = max((item.remaining for item in settling), default=math.inf)
    return f"{remaining:.2g} K" if math.isfinite(remaining) else "an unknown amount"


def _heat_notes(case: Case) -> list[str]:
    """Return what is said about settling of the regulator's temperature."""
    found = settling_of("regulator_temperature", case.window)
    if not found:
        return []
    settled = case.sheet.quantities.get("regulator_temperature_settled")
    if all(item.settled for item in found):
        return [f"settled: at most {remaining_text(found)} of regulator temperature remains"]
    if settled is not None:
        return [f"not settled, extrapolated to a regulator temperature of {to_text(settled)}"]
    return [f"not settled: up to {remaining_text(found)} of regulator temperature to come"]


# ---- the verdicts, gravest first ----------------------------------------------------------------------------------


def _tripped(case: Case) -> Verdict | None:
    if case.step.outcome in ("tripped", "crashed"):
        reasons = [f"seen at the bench: {case.step.outcome}"]
        if case.incident is not None:
            reasons.append(case.incident.sentence)
        return Verdict("tripped", tuple(reasons))
    if case.incident is None or not case.incident.tripped:
        return None
    if case.step.outcome in ("ran", "clamped"):
        said = "run" if case.step.outcome == "ran" else "been clamped"
        return Verdict(
            "unknown", (f"the step is stated to have {said}, but the record says: {case.incident.sentence}",)
        )
    return Verdict("tripped", (case.incident.sentence,))


def _no_record(case: Case) -> Verdict | None:
    for source in case.sources.values():
        if take_readings(source.trace, case.span.start_s, case.span.end_s).count:
            return None
    whys = dict.fromkeys(item.why for item in case.sheet.missing.values() if "clock" in item.why)
    return Verdict("unknown", ("no log has a reading in the step" + "".join(f"; {why}" for why in whys),))


def _clamped(case: Case) -> Verdict | None:
    signs = signs_of_holding(case)
    return Verdict("clamped", tuple(signs)) if signs else None


def _beyond(case: Case) -> Verdict | None:
    """A state above a limit, or one with errors, ran and yet is not sustained (docs/decisions/0004)."""
    reasons = [f"it ran beyond a limit: {margin_text(margin)}" for margin in case.margins if above_limit(margin)]
    errors = case.sheet.quantities.get("error_count")
    if errors is not None and errors.value > 0.0:
        reasons.append(f"it ran, but the load reported {errors.value:.0f} error{'' if errors.value == 1.0 else 's'}")
    if not reasons:
        return None
    return Verdict("marginal", (*reasons, *_heat_notes(case)))


def _no_window(case: Case) -> Verdict | None:
    if case.window.found:
        return None
    length = case.span.end_s - case.span.start_s
    return Verdict("unsettled", case.window.reasons or (f"the step lasts {length:.0f} s, too short for a window",))


def _lacking(case: Case) -> Verdict | None:
    """Unknown when something is missing without which `sustained` cannot be said."""
    reasons, quantities = [], case.sheet.quantities
    if not any(name in quantities for name in POWER):
        reasons.append(_missing(case.sheet, "input_power"))
    if "regulator_temperature" not in quantities:
        reasons.append(_missing(case.sheet, "regulator_temperature"))
    if not case.margins:
        reasons.append(
            "no limit is stated that a logged channel could be held against: "
            "add ratings or protection thresholds to bench.toml"
        )
    unjudged: dict[str, dict[str, None]] = {}
    for margin in case.margins:
        if margin.margin.u is None:
            unjudged.setdefault(margin.margin.reason, {})[margin.limit.name] = None
    reasons += [
        f"margin{'s' if len(names) > 1 else ''} to {series_text(tuple(names))} cannot be judged: {why}"
        for why, names in unjudged.items()
    ]
    if not reasons and not _protection_known(case):
        reasons.append(
            'nothing says whether a protection acted: log protection_active, state outcome = "ran" for the step, '
            "or state protection.phase_current or processor.power_limit in bench.toml"
        )
    return Verdict("unknown", tuple(reasons)) if reasons else None


def _missing(sheet: Sheet, name: str) -> str:
    known = sheet.missing.get(name)
    return f"{known.why}: {known.mend}" if known else f"{name.replace('_', ' ')} is not known"


def _protection_known(case: Case) -> bool:
    """Return True when something shows that no protection held the step back."""
    if case.step.outcome == "ran" or protection_share(case) is not None or load_reached(case):
        return True
    return any(
        margin.limit.kind == "protection"
        and margin.limit.unit in ("A", "W")
        and margin.margin.low95 is not None
        and margin.margin.low95 > 0.0
        for margin in case.margins
    )


def _unsettled(case: Case) -> Verdict | None:
    if case.window.settled:
        return None
    moving = [item for item in case.window.settling if not item.settled]
    still_open = [item for item in moving if item.extrapolated is None or item.extrapolated_u is None]
    if still_open or not moving:
        reasons = [
            f"{item.channel.replace('_', ' ')} moves by {item.slope * 3600.0:+.1f} K/h, "
            f"up to {remaining_text([item])} to come: {item.reason.removeprefix(f'{item.channel}: ')}"
            for item in still_open
        ]
        return Verdict("unsettled", tuple(reasons or case.window.reasons or ("the window is not settled",)))
    undecided = [margin for margin in case.margins if includes_zero(margin)]
    if not undecided:
        return None
    return Verdict(
        "unsettled", tuple(f"the extrapolation does not decide it: {margin_text(margin)}" for margin in undecided)
    )


def _marginal(case: Case) -> Verdict | None:
    close = [margin for margin in case.margins if includes_zero(margin)]
    return Verdict("marginal", tuple(margin_text(margin) for margin in close)) if close else None


def _sustained(case: Case) -> Verdict:
    nearest = case.margins[0]
    distance = ""
    if nearest.in_u is not None and math.isfinite(nearest.in_u):
        distance = f", {nearest.in_u:.0f} standard uncertainties" if nearest.in_u >= 3.0 else ""
    reasons = [*_heat_notes(case), f"nearest limit: {margin_text(nearest)}{distance}"]
    if protection_share(case) is not None:
        reasons.append("no protection was active")
    elif case.step.outcome == "ran":
        reasons.append("seen at the bench: ran")
    elif load_reached(case):
        reasons.append("the set load was reached, so no protection held it back")
    else:
        reasons.append("every protection threshold that is stated was out of reach")
    return Verdict("sustained", tuple(reasons))
