"""The chapters on what was not measured: what if, and what next."""

from __future__ import annotations

import math
from collections.abc import Sequence

from phasewright.findings import Analysis
from phasewright.plan import Plan, PlannedStep, ProtectionBand, Readiness
from phasewright.quantity import Value
from phasewright.report.curves import Curve, Dot, Panel, Ruler, draw_panels
from phasewright.report.document import (
    Block,
    Bullets,
    Cell,
    Column,
    Figure,
    Fold,
    Formula,
    Method,
    Paragraph,
    Section,
    Table,
)
from phasewright.report.escaping import clean
from phasewright.report.methods import TITLE
from phasewright.report.outlook import Ceiling, Fewest, Outlook, ended_words, phases_words
from phasewright.report.palette import DASHES
from phasewright.report.parts import sentence
from phasewright.report.phases import mark_style, state_of
from phasewright.report.series import group, phase_count
from phasewright.report.tables import PHASES, STEP
from phasewright.report.wording import THIN, chance_text, plain, setting_text, time_text

COOLANT_INKS = ("ink", "purple", "soft")
"""Not those of the loads."""
ALIKE = 0.012
"""Share within which two ceilings count as one line."""


# ---- what if ------------------------------------------------------------------------------------------------------


def fewest_title(outlook: Outlook) -> str:
    """Return the fewest phases at the heaviest load, and whether the coolant changes that."""
    if not outlook.fewest:
        return "No load was measured that other phase counts could be asked for"
    heaviest = outlook.fewest[-1].case
    own = [item for item in outlook.fewest if item.case is heaviest]
    counts = [item.count for item in own]
    span = f"{plain(own[0].coolant, 0)} to {plain(own[-1].coolant, 0)}{THIN}°C"
    if all(count is None for count in counts):
        return f"No phase count holds {heaviest.label} at {span} of coolant"
    if len(set(counts)) == 1:
        return f"{phases_words(counts[0] or 0)} are the fewest that hold {heaviest.label}, at any coolant from {span}"
    said = ", ".join(
        f"{phases_words(item.count) if item.count else 'none'} at {plain(item.coolant, 0)}{THIN}°C" for item in own
    )
    return f"The fewest phases that hold {heaviest.label}: {said}"


def headroom_title(outlook: Outlook) -> str:
    """Return how much all phases bear at the middle coolant temperature, and what ends it."""
    if not outlook.ceilings:
        return "How much the regulator bears cannot be said"
    middle = outlook.coolants[len(outlook.coolants) // 2]
    own = [item for item in outlook.ceilings if item.coolant == middle] or list(outlook.ceilings)
    few, many = own[0], own[-1]
    return (
        f"{phases_words(few.count)} bear {_load(few)}, {phases_words(many.count)} bear {_load(many)}; "
        f"{ended_words(many)} ends it"
    )


def _load(ceiling: Ceiling) -> str:
    more = "more than " if ceiling.beyond else ""
    quantities = ceiling.prediction.quantities
    return f"{more}{plain(quantities['package_power'].value, 0)}{THIN}W ({_amperes(ceiling)})"


def _amperes(ceiling: Ceiling) -> str:
    return f"{plain(ceiling.prediction.quantities['rail_current'].value, 0)}{THIN}A"


def whatif_section(analysis: Analysis, outlook: Outlook, answers: Sequence[Block]) -> Section:
    """Return the chapter on settings that were not measured."""
    blocks: list[Block] = [*answers] or [Paragraph(sentence(fewest_title(outlook)), "answer")]
    if outlook.fewest:
        blocks.append(_fewest_table(outlook))
    if outlook.ceilings:
        columns = [item.coolant for item in outlook.ceilings]
        blocks.append(
            Figure(
                "headroom",
                headroom_title(outlook),
                "Greatest sustained load at which every limit of the regulator holds with 95 %: package power, W, and "
                "rail current, A, against phase count, one line for each coolant temperature; predicted, settled",
                "; ".join(
                    f"{phases_words(item.count)} at {plain(item.coolant, 0)} °C: {_load(item)}, to {ended_words(item)}"
                    for item in outlook.ceilings
                    if item.coolant == columns[len(columns) // 2]
                )
                + ".",
                lambda layout: draw_panels(_headroom_panels(analysis, outlook), layout, 2),
                _headroom_table(outlook),
                "Lines: the model, the lower end of its interval. Marks: steps as measured, filled where they held, "
                "crossed where they tripped. The processor's own power limit is drawn, it does not end a line.",
            )
        )
    if outlook.refused:
        blocks.append(
            Fold(
                f"What could not be foreseen, and what would mend it ({len(outlook.refused)})",
                tuple(Paragraph(sentence(clean(text, 600))) for text in outlook.refused),
            )
        )
    blocks.append(
        Method(
            TITLE,
            (
                Formula(
                    "P(every limit holds and heat does not run away) ≥ 95 %",
                    "from the joint distribution of everything predicted; each limit that ends a line is kept with "
                    "95 % by itself",
                    "definition",
                ),
                Paragraph(
                    "Loads are meant as this bench's instruments read them. A phase count that was never measured "
                    "has the wider interval of parts that may differ."
                ),
            ),
        )
    )
    return Section("if", "What if?", tuple(blocks))


def _fewest_table(outlook: Outlook) -> Table:
    cases = list(dict.fromkeys(item.case.label for item in outlook.fewest))
    at = {(item.case.label, item.coolant): item for item in outlook.fewest}
    rows = tuple(
        (label, *(_fewest_words(at.get((label, coolant)), outlook) for coolant in outlook.coolants)) for label in cases
    )
    return Table(
        "fewest-phases",
        "Fewest phases that hold with 95 %",
        (
            Column("load", "Load"),
            *(Column(f"coolant_{plain(c, 0)}_degC", f"Coolant at {plain(c, 0)}{THIN}°C") for c in outlook.coolants),
        ),
        rows,
        "In brackets: the chance that every limit holds. Predicted, settled.",
    )


def _fewest_words(found: Fewest | None, outlook: Outlook) -> str | None:
    if found is None:
        return None
    if found.count is None or found.prediction is None:
        return f"none of {outlook.fitted.bench.regulator.phase_count}"
    return f"{phases_words(found.count)} ({chance_text(found.prediction.probability)})"


def _headroom_table(outlook: Outlook) -> Table:
    return Table(
        "headroom",
        "Greatest sustained load",
        (
            Column("coolant_temperature", "Coolant", "degC", "number"),
            PHASES,
            Column("package_power", "Package power", "W", "number"),
            Column("rail_current", "Rail current", "A", "number"),
            Column("rail_voltage", "Rail voltage there", "V", "value"),
            Column("regulator_temperature", "Regulator there", "degC", "value"),
            Column("limit", "What ends it"),
        ),
        tuple(
            (
                item.coolant,
                item.count,
                item.prediction.quantities["package_power"].value,
                item.prediction.quantities["rail_current"].value,
                item.prediction.quantities["rail_voltage"],
                item.prediction.quantities["regulator_temperature"],
                f"beyond what was asked; next {clean(item.ends)}" if item.beyond else clean(item.ends),
            )
            for item in outlook.ceilings
        ),
        "Found to about one part in a hundred of the limit, on the side that holds.",
    )


def _headroom_panels(analysis: Analysis, outlook: Outlook) -> tuple[Panel, ...]:
    limit = analysis.bench.processor.power_limit
    rulers = {"package_power": (Ruler(limit, f"{plain(limit, 0)}{THIN}W processor power limit"),) if limit else ()}
    return tuple(
        Panel(
            title,
            _headroom_curves(outlook, name),
            _tried(analysis, name),
            rulers.get(name, ()),
            from_zero=True,
            tall=280.0,
        )
        for name, title in (("package_power", "Package power / W"), ("rail_current", "Rail current / A"))
    )


def _headroom_curves(outlook: Outlook, name: str) -> tuple[Curve, ...]:
    """Return one line for each coolant temperature; those that lie on each other share a line and a label."""
    lines: list[tuple[list[float], dict[int, float]]] = []
    for coolant in outlook.coolants:
        own = {c.count: c.prediction.quantities[name].value for c in outlook.ceilings if c.coolant == coolant}
        if not own:
            continue
        last = lines[-1][1] if lines else {}
        if last.keys() == own.keys() and all(abs(own[n] - last[n]) <= ALIKE * last[n] for n in own):
            lines[-1][0].append(coolant)
        else:
            lines.append(([coolant], own))
    found = []
    for index, (coolants, own) in enumerate(lines):
        span = plain(coolants[0], 0) + (f" to {plain(coolants[-1], 0)}" if len(coolants) > 1 else "")
        values = tuple(own.values())
        found.append(
            Curve(
                f"coolant {span}{THIN}°C" if len(lines) == 1 else f"{span}{THIN}°C",
                COOLANT_INKS[index % len(COOLANT_INKS)],
                DASHES[index % len(DASHES)],
                tuple(float(count) for count in own),
                values,
                values,
                values,
            )
        )
    return tuple(found)


def _tried(analysis: Analysis, name: str) -> tuple[Dot, ...]:
    """Return every measured step as a mark: filled where it held, crossed where it tripped."""
    found = []
    for one in group(analysis):
        for finding in one.findings:
            count = phase_count(finding)
            value = finding.quantities.get(name)
            if value is None and finding.verdict == "tripped":
                value = finding.quantities.get(f"{name}_peak")
            if count is None or value is None or not math.isfinite(value.value):
                continue
            style = mark_style(one, state_of(finding, value)) | {"markersize": 6.0}
            found.append(Dot(count, value.value, None, None, one.ink, style))
    return tuple(found)


# ---- what next ----------------------------------------------------------------------------------------------------


def next_title(plan: Plan | Readiness) -> str:
    """Return what to do next."""
    return clean(plan.next_sentence if isinstance(plan, Plan) else plan.sentence, 600)


def next_section(plan: Plan | Readiness) -> Section:
    """Return the chapter on the steps to come: what each would do, when to stop, which teaches most."""
    readiness = plan.readiness if isinstance(plan, Plan) else plan
    blocks: list[Block] = [Paragraph(sentence(next_title(plan)), "answer long")]
    if isinstance(plan, Plan):
        blocks.append(Paragraph(sentence(clean(plan.teaches_sentence, 600))))
    if not readiness.measured:
        blocks.append(Paragraph("Nothing has been measured on this bench yet: part data alone speak."))
    blocks += [_preflight_table(readiness), _reasons_table(readiness)]
    bands = _bands_table(readiness)
    blocks += [Fold("Where the threshold of each protection may lie", (bands,))] if bands is not None else []
    if isinstance(plan, Plan):
        blocks.append(
            Fold(
                f"How to run it: start marker first, {time_text(plan.duration)} in all",
                tuple(Paragraph(clean(text, 400)) for text in plan.marker.instructions),
            )
        )
    if readiness.missing:
        blocks.append(
            Fold(
                f"What could not be judged, and what would mend it ({len(readiness.missing)})",
                (
                    Table(
                        "preflight-missing",
                        "What could not be judged",
                        (Column("figure", "Figure"), Column("why", "Why"), Column("mend", "What would mend it")),
                        tuple((item.name, item.why, item.mend) for item in readiness.missing),
                    ),
                ),
            )
        )
    return Section("next", "What next?", tuple(blocks))


def _preflight_table(readiness: Readiness) -> Table:
    steps = readiness.steps
    shared = _shared_stops(steps)
    waits = any(item.cool_down for item in steps)
    columns = [
        STEP,
        PHASES,
        Column("load", "Load"),
        Column("phase_current", "Current per phase", "A", "value"),
        Column("regulator_temperature", "Hottest stage", "degC", "value"),
        Column("chance_to_trip", "Chance to trip"),
        Column("dwell", "Hold for"),
        *([Column("cool_down", "Idle before")] if waits else []),
        Column("stop", "Stop at"),
        Column("go", "Go?"),
    ]
    note = (
        "Predicted, once settled; ± is the half-width of the 95 % interval. Hold for: until it is settled and can be "
        "shown to be. Stop at: the reading that ends the step at once."
    )
    if shared:
        note += f" Besides, every step ends at once at {', '.join(shared)}."
    rows = tuple(_preflight_row(item, shared, waits) for item in steps)
    return Table("preflight", "Each step before it is run, from mild to severe", tuple(columns), rows, note)


def _bands_table(readiness: Readiness) -> Table | None:
    """Return the usable band of each threshold for the steps still to be run."""
    rows = tuple(
        (item.name, band.name.replace("_", " "), _bound(band, band.low), _bound(band, band.high), _bound(band, band.threshold),
         clean(band.sentence, 400))
        for item in readiness.steps if not item.measured for band in item.bands
    )  # fmt: skip
    if not rows:
        return None
    columns = (STEP, Column("protection", "Protection"), Column("low", "From", "", "value"), Column("high", "To", "", "value"),
               Column("threshold", "Set to", "", "value"), Column("sentence", "In words"))  # fmt: skip
    note = (
        "From: above the workload's peak with ripple, sharing error and the threshold's own error. To: below what stages and "
        "inductors bear. Data sheets and the maker's instructions come first."
    )
    return Table("bands", "Where the threshold of each protection may lie", columns, rows, note)


def _bound(band: ProtectionBand, number: float | None) -> Value | None:
    return None if number is None else Value(number, band.unit, 0.0, number, number, "set")


def _preflight_row(item: PlannedStep, shared: Sequence[str], waits: bool) -> tuple[Cell, ...]:
    quantities, chance = item.forecast.quantities, item.forecast.chance_to_trip
    wait = [time_text(item.cool_down) if item.cool_down else None] if waits else []
    stops = [text for text in _stops(item) if text not in shared]
    return (
        item.name,
        item.forecast.phase_count or None,
        _load_words(item),
        _known(quantities.get("phase_current")),
        _known(quantities.get("regulator_temperature")),
        "not known" if chance is None else chance_text(chance),
        time_text(item.dwell) if item.runnable else None,
        *wait,
        ", ".join(stops) or None,
        "measured" if item.measured else item.forecast.verdict,
    )


def _shared_stops(steps: Sequence[PlannedStep]) -> list[str]:
    """Return the readings that end every step alike, where there are several steps."""
    found = [_stops(item) for item in steps]
    return [text for text in found[0] if all(text in own for own in found)] if len(found) > 1 else []


def _known(value: Value | None) -> Value | None:
    return value if value is not None and math.isfinite(value.value) else None


def _load_words(item: PlannedStep) -> str:
    """Return the load as short as it can be said: its number, else its name."""
    settings = item.forecast.step.settings
    known = [name for name in ("package_power", "rail_current", "coolant_temperature") if name in settings]
    names = known if known and known != ["coolant_temperature"] else ["load", *known]
    return ", ".join(
        setting_text(name, settings[name]).removeprefix("package power ") for name in names if name in settings
    )


_SHORT = {
    "regulator_temperature": "regulator",
    "rail_current": "rail",
    "input_power": "input",
    "coolant_temperature": "coolant",
}


def _stops(item: PlannedStep) -> list[str]:
    """Return the readings that end a step: ``regulator 110 °C``, ``rail 296 A``."""
    return [
        f"{_SHORT[stop.channel]} {plain(stop.threshold, 0)}{THIN}{'°C' if stop.unit == 'degC' else stop.unit}"
        for stop in item.forecast.stops
        if stop.action == "stop" and stop.unit != "s" and stop.channel in _SHORT
    ]


def _reasons_table(readiness: Readiness) -> Block:
    """Return why a step is not simply a go; a sentence where every one is."""
    rows = [
        sentence(f"{clean(item.name)} is a {item.forecast.verdict}: {clean('; '.join(item.forecast.reasons), 900)}")
        for item in readiness.steps
        if item.forecast.verdict != "go" and not item.measured
    ]
    return Bullets(tuple(rows)) if rows else Paragraph("Every step is a go.")
