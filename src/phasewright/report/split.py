"""Where the loss between meter and package is: regulator, cables and connectors, other loads of the board."""

from __future__ import annotations

import math
from dataclasses import dataclass

from phasewright.model import Fitted, Prediction, loss_split
from phasewright.quantity import Value
from phasewright.report.curves import Curve, Panel, draw_panels
from phasewright.report.document import Block, Column, Figure, Heading, Table
from phasewright.report.explained import drawn_cases
from phasewright.report.outlook import Case, Outlook
from phasewright.report.series import phase_count
from phasewright.report.tables import PHASES, STEP
from phasewright.report.wording import number_text

PLACES = (
    ("regulator", "Regulator"),
    ("cables", "Cables and connectors"),
    ("others", "Other loads of the board"),
)


CAUSES = (
    ("conduction", "Conduction"),
    ("switching", "Switching"),
    ("fixed", "Fixed"),
    ("path", "Output copper"),
    ("cables", "Cables"),
)
"""Groups of causes, in the order of the table."""


@dataclass(frozen=True, slots=True)
class Split:
    """The loss of one setting by the place where it arises [W]."""

    regulator: Value
    cables: Value
    others: Value
    """What the input feeds besides the rail, less what of it the processor reports as its own."""
    whole: Value


def split_of(fitted: Fitted, prediction: Prediction) -> Split | None:
    """Return the loss of a predicted setting by place; None where heat runs away."""
    quantities = prediction.quantities
    regulator, cables, whole = (quantities[name] for name in ("conversion_loss", "path_loss", "loss"))
    others = others_of(fitted)
    if others is None or not all(math.isfinite(value.value) for value in (regulator, cables, whole)):
        return None
    return Split(regulator, cables, others, whole)


def others_of(fitted: Fitted) -> Value | None:
    """Return other loads on the input less the package's other rails [W], their correlation kept."""
    names = fitted.prior.names
    if not {"other_power", "other_rails"} <= set(names):
        return None
    first, second = fitted.parameter("other_power"), fitted.parameter("other_rails")
    i, j = names.index("other_power"), names.index("other_rails")
    own = math.sqrt(float(fitted.covariance[i, i]) * float(fitted.covariance[j, j]))
    shared = float(fitted.covariance[i, j]) / own if own > 0.0 else 0.0
    u = math.sqrt(max(first.u**2 + second.u**2 - 2.0 * shared * first.u * second.u, 0.0))
    number = first.value - second.value
    return Value(number, "W", u, number - 1.96 * u, number + 1.96 * u, "extrapolated")


def split_title(outlook: Outlook) -> str:
    """Return what the regulator itself loses with few and with many phases, at the heaviest load."""
    case = drawn_cases(outlook)[-1]
    tried = {phase_count(finding) for finding in case.series.findings}
    known = [
        (count, found) for count, item in case.found if count in tried and (found := split_of(outlook.fitted, item))
    ]
    if not known:
        return "Where the loss is cannot be said"
    (few, least), (many, most) = known[0], known[-1]
    if few == many:
        return f"Of {number_text(least.whole)} lost at {case.label}, the regulator makes {number_text(least.regulator)}"
    return (
        f"At {case.label} the regulator itself loses {number_text(least.regulator)} with {few} phases, "
        f"{number_text(most.regulator)} with {many}"
    )


def split_blocks(outlook: Outlook) -> list[Block]:
    """Return the loss by place against phase count."""
    cases = drawn_cases(outlook)
    if not cases or others_of(outlook.fitted) is None:
        return []
    rows = tuple(
        (finding.step.name, phase_count(finding), found.regulator, found.cables, found.others, found.whole)
        for finding, prediction in outlook.steps
        if (found := split_of(outlook.fitted, prediction)) is not None
    )
    table = Table(
        "loss-split",
        "The loss by the place where it arises",
        (
            STEP,
            PHASES,
            *(Column(f"{name}_loss", title, "W", "value") for name, title in PLACES),
            Column("loss", "Whole loss", "W", "value"),
        ),
        rows,
        "Predicted for load and coolant as measured. ± is the half-width of the 95 % interval; the parts are known "
        "better together than each alone, so their intervals do not add up to that of the whole.",
    )
    return [
        Heading("Where the loss is", 3, "split"),
        Figure(
            "split",
            split_title(outlook),
            "Loss, W, by the place where it arises, against phase count, one line a load; the three panels share one "
            "scale. Predicted, settled; bands: 95 % intervals",
            "; ".join(f"{row[0]}: {_said(row)}" for row in rows) + ".",
            lambda layout: draw_panels(_panels(outlook, cases, 150.0 if layout.narrow else 240.0), layout, len(PLACES)),
            table,
            "Lines and bands: the model. More phases share the current, which lowers the heat of resistance, until the "
            "fixed loss of each phase eats the gain.",
        ),
        *_by_cause(outlook),
    ]


def _by_cause(outlook: Outlook) -> list[Block]:
    """Return the loss by cause, step by step; [] where heat runs away in every step."""
    rows = []
    for finding, prediction in outlook.steps:
        found = loss_split(outlook.fitted, prediction.setting)
        if math.isfinite(found.whole.value):
            rows.append((finding.step.name, phase_count(finding), *(found.parts[name] for name, _ in CAUSES)))
    if not rows:
        return []
    columns = (STEP, PHASES, *(Column(f"{name}_loss", title, "W", "value") for name, title in CAUSES))
    note = (
        "Predicted for load and coolant as measured. Conduction: switches, windings, copper of each phase, ripple, "
        "input capacitors. Switching: edges, dead time, charges. Fixed: drivers, cores, controller. Readings tell the "
        "sum of what grows alike; within it part data tell one cause from another."
    )
    return [Table("loss-causes", "The loss of regulator and feed by cause", columns, tuple(rows), note)]


def _said(row: tuple) -> str:
    """Return a row of the table in words."""
    return ", ".join(f"{title.lower()} {number_text(row[k])}" for k, (_, title) in enumerate(PLACES, start=2))


def _panels(outlook: Outlook, cases: list[Case], tall: float) -> tuple[Panel, ...]:
    curves = {
        name: tuple(curve for case in cases if (curve := _curve(outlook.fitted, case, name)) is not None)
        for name, _ in PLACES
    }
    tops = [y for curve in curves["regulator"] for x, y in zip(curve.x, curve.high, strict=True) if x in _tried(cases)]
    reach = 1.25 * max(tops, default=10.0)
    floor = min((low for found in curves.values() for curve in found for low in curve.low), default=0.0)
    return tuple(
        Panel(f"{title} / W", curves[name], span=(min(0.0, 1.1 * floor), reach), tall=tall) for name, title in PLACES
    )


def _tried(cases: list[Case]) -> set[float]:
    return {count for case in cases for f in case.series.findings if (count := phase_count(f)) is not None}


def _curve(fitted: Fitted, case: Case, name: str) -> Curve | None:
    known = [(count, found) for count, item in case.found if (found := split_of(fitted, item)) is not None]
    if not known:
        return None
    values = [getattr(found, name) for _, found in known]
    return Curve(
        case.label,
        case.series.ink,
        case.series.dash,
        tuple(float(count) for count, _ in known),
        tuple(value.value for value in values),
        tuple(value.low95 for value in values),
        tuple(value.high95 for value in values),
    )
