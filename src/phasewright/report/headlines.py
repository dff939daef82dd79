"""What each figure says, in a few words computed from its numbers."""

from __future__ import annotations

from phasewright.findings import Analysis, StepFinding
from phasewright.quantity import Value
from phasewright.report.clocks import pairs_drawn
from phasewright.report.escaping import clean
from phasewright.report.series import group, load_label, nearest, phase_count
from phasewright.report.wording import THIN, number_text, plain, quantity_title


def phases_text(finding: StepFinding) -> str:
    """Return "8 phases", or the step's name where the phase count is unknown."""
    count = phase_count(finding)
    return f"{plain(count, 0)} phase{'s' if count != 1 else ''}" if count is not None else finding.step.name


def condition(finding: StepFinding, analysis: Analysis) -> str:
    """Return "8 phases, 350 W"."""
    for one in group(analysis):
        if any(f.step.name == finding.step.name for f in one.findings):
            return f"{phases_text(finding)}, {one.label}" if phase_count(finding) is not None else finding.step.name
    return finding.step.name


def highest(analysis: Analysis, name: str) -> StepFinding | None:
    """Return the step with the greatest value of a quantity."""
    known = [f for f in analysis.steps if name in f.quantities]
    return max(known, key=lambda f: f.quantities[name].value) if known else None


def interval_text(analysis: Analysis) -> str:
    """Return what the bars of uncertainty are."""
    return "bars: 95 % coverage intervals (GUM), instrument bounds included"


def verdicts_title(analysis: Analysis) -> str:
    """Return what the verdict strip says."""
    held = sum(f.verdict == "sustained" for f in analysis.steps)
    text = f"{held} of {len(analysis.steps)} settings are sustained"
    heavy = [
        (one, [f for f in one.findings if f.verdict == "sustained" and phase_count(f) is not None])
        for one in group(analysis)
    ]
    known = [(one, found) for one, found in heavy if found]
    if known:
        one, found = known[-1]
        text += f"; at {one.label}, {phases_text(min(found, key=lambda f: phase_count(f) or 0.0))} are the fewest"
    return text


def heat_title(analysis: Analysis) -> str:
    """Return how hot the regulator runs and how far that is from its nearest limit."""
    known = [f for f in analysis.steps if "regulator_temperature" in f.quantities]
    if not known:
        return "No regulator temperature was recorded"
    hot = max(known, key=lambda f: _settled(f).value)
    shown = _settled(hot)
    word = "would settle at " if shown.kind == "extrapolated" else ""
    text = f"Hottest at {condition(hot, analysis)}: {word}{number_text(shown)}"
    near = [m for m in hot.margins if m.limit.applies_to.startswith("regulator_temperature")]
    if near:
        first = min(near, key=lambda m: m.margin.value)
        side = "below" if first.margin.value >= 0 else "above"
        text += f", {number_text(_positive(first.margin))} {side} the {first.limit.name}"
    return text


def _settled(finding: StepFinding) -> Value:
    """Return the settled regulator temperature where it was extrapolated, else the mean."""
    quantities = finding.quantities
    return quantities.get("regulator_temperature_settled", quantities["regulator_temperature"])


def _positive(value: Value) -> Value:
    if value.value >= 0:
        return value
    low, high = (None, None) if value.low95 is None or value.high95 is None else (-value.high95, -value.low95)
    return Value(-value.value, value.unit, value.u, low, high, value.kind)


def waste_title(analysis: Analysis) -> str:
    """Return what is lost at most, and the share that is."""
    most = highest(analysis, "loss")
    if most is None:
        return "The loss cannot be computed from these logs"
    text = f"At most {number_text(most.quantities['loss'])} are lost, at {condition(most, analysis)}"
    share = most.quantities.get("delivery_efficiency")
    return text + (f"; {number_text(share, 'delivery_efficiency')} arrive" if share is not None else "")


def margins_title(analysis: Analysis) -> str:
    """Return which limit is nearest over all steps."""
    known = [f for f in analysis.steps if nearest(f) is not None]
    if not known:
        return "No margin can be computed: state ratings and thresholds"
    first = min(known, key=lambda f: f.margins[0].in_u if f.margins[0].in_u is not None else f.margins[0].margin.value)
    margin = first.margins[0]
    limit = margin.limit.name[:1].upper() + margin.limit.name[1:]
    where, figure = condition(first, analysis), margin.limit.applies_to
    if margin.margin.value < 0:
        return f"{limit} is exceeded by {number_text(_positive(margin.margin), figure)} at {where}"
    return f"{limit} gives first: {number_text(margin.margin, figure)} left at {where}"


def comparisons_title(analysis: Analysis) -> str:
    """Return what the costliest step draws beyond its baseline, at the same load where there is such a pair."""
    known = [c for c in analysis.comparisons if "input_power" in c.differences]
    if not known:
        return "Nothing to compare: mark one step as baseline"
    loads = {f.step.name: load_label(f) for f in analysis.steps}
    alike = [c for c in known if loads.get(c.step) == loads.get(c.baseline)]
    most = max(alike or known, key=lambda c: c.differences["input_power"].value)
    extra = most.differences["input_power"]
    word = "more" if extra.value >= 0 else "less"
    same = ", at the same load" if alike else ""
    return f"{clean(most.step)} draws {number_text(_positive(extra))} {word} than {clean(most.baseline)}{same}"


def traces_title(analysis: Analysis) -> str:
    """Return how much of the record gave figures."""
    found = sum(f.window.found for f in analysis.steps)
    settled = sum(f.window.found and f.window.settled for f in analysis.steps)
    taken = sum(f.window.end_s - f.window.start_s for f in analysis.steps if f.window.found)
    whole = sum(f.span.end_s - f.span.start_s for f in analysis.steps)
    share = 100.0 * taken / whole if whole > 0 else 0.0
    text = f"{found} of {len(analysis.steps)} steps gave a window, {settled} of them settled"
    return f"{text}; {share:.0f} % of the time was used"


def clocks_title(analysis: Analysis) -> str:
    """Return how well the clocks agree."""
    aligned = [c for c in analysis.recording.clocks if c.status == "aligned" and c.offset_u is not None]
    bad = [c for c in analysis.recording.clocks if c.status in ("ambiguous", "assumed")]
    if bad:
        named = ", ".join(sorted({c.log for c in bad}))
        return f"{len(bad)} of {len(analysis.recording.clocks) - 1} clocks could not be proved: {named}"
    if aligned:
        worst = max(1.96 * (c.offset_u or 0.0) for c in aligned)
        return f"Every clock is known to {_milliseconds(worst)} or better (95 %)"
    return "One clock only: nothing to align"


def trust_title(analysis: Analysis) -> str:
    """Return in one line what speaks for and against the numbers."""
    settled = sum(f.window.found and f.window.settled for f in analysis.steps)
    text = f"{clocks_title(analysis)}; {settled} of {len(analysis.steps)} steps are settled"
    doubts = [c for c in analysis.checks if c.outcome == "doubt"]
    passed = sum(c.outcome == "passed" for c in analysis.checks)
    if doubts:
        return f"{text}; doubts from the checks: {', '.join(clean(c.name, 40) for c in doubts)}"
    return f"{text}; {passed} checks of the readings raise no doubt" if passed else text


def _milliseconds(seconds: float) -> str:
    return f"{plain(seconds * 1e3, 0)}{THIN}ms" if seconds < 1.0 else f"{plain(seconds, 1)}{THIN}s"


def has_clock_pairs(analysis: Analysis) -> bool:
    """Tell whether two records can be laid over each other."""
    return bool(pairs_drawn(analysis))


def range_text(analysis: Analysis, name: str) -> str:
    """Return "Loss from 35 W to 67 W" for descriptions."""
    known = [f.quantities[name] for f in analysis.steps if name in f.quantities]
    if not known:
        return f"{quantity_title(name)} not measured"
    low, high = min(known, key=lambda v: v.value), max(known, key=lambda v: v.value)
    return f"{quantity_title(name)} from {number_text(low, name)} to {number_text(high, name)}"
