"""What a person asks on the page: one predicted setting, every phase count at its load, two steps side by side."""

from __future__ import annotations

import math
from collections.abc import Sequence

from phasewright.findings import StepFinding
from phasewright.model import Prediction
from phasewright.quantity import Value, difference
from phasewright.report.document import Block, Bullets, Column, Figure, Fold, Layout, Paragraph, Table
from phasewright.report.escaping import clean
from phasewright.report.palette import VERDICT_INK
from phasewright.report.parts import sentence
from phasewright.report.sketch import Sketch, fit, text_width
from phasewright.report.tables import MAIN
from phasewright.report.terminal_model import FIGURES, setting_words
from phasewright.report.verdicts import sign
from phasewright.report.wording import MINUS, THIN, chance_text, in_percent, number_text, plain, quantity_title

NEAREST = 6
ROW = 34.0
ROOM = 20.0
"""Temperature from which the shares of temperature limits are drawn [degC]."""


def prediction_blocks(prediction: Prediction) -> tuple[Block, ...]:
    """Return what the model says of one setting: the answer, its limits drawn, every figure with its interval."""
    hot = prediction.quantities.get("regulator_temperature")
    chance = chance_text(prediction.probability)
    told = f"{prediction.verdict.capitalize()}: every limit that decides holds with a chance of {chance}"
    if hot is not None and math.isfinite(hot.value):
        told += f"; the regulator settles at {number_text(hot)}"
    rows = tuple(
        (quantity_title(name), in_percent(prediction.quantities[name], name))
        for name in FIGURES
        if name in prediction.quantities and math.isfinite(prediction.quantities[name].value)
    )
    figures = Table(
        "asked", "Every figure, once settled", (Column("figure", "Figure"), Column("value", "Value", "", "value")), rows,
        "Predicted; ± is the half-width of the 95 % interval.",
    )  # fmt: skip
    blocks: list[Block] = [Paragraph(sentence(told), "answer"), Paragraph(sentence(clean(setting_words(prediction.setting))))]
    reasons = tuple(sentence(clean(text, 600)) for text in prediction.reasons[:4])
    blocks += [Bullets(reasons, "reasons")] if reasons else []
    margins = _limits(prediction)
    if margins.rows:
        blocks.append(Figure(
            "asked-limits", _limits_title(prediction),
            "Predicted figure as a share of its limit; dot and 95 % interval, limit at 100 %",
            "; ".join(f"{row[0]}: margin {number_text(row[3])}" for row in margins.rows if isinstance(row[3], Value)) + ".",
            lambda layout: _draw_limits(prediction, layout), margins,
            f"Filled dots: limits that decide the verdict. Open dots: limits that advise, worked out from part data. "
            f"Temperatures count from {ROOM:g} °C. A limit that is to be reached, such as a "
            "wished life, is shown as its share of the figure. One whose share is not known stands in the table alone.",
        ))  # fmt: skip
    notes = tuple(Paragraph(sentence(clean(text, 400))) for text in prediction.notes)
    blocks.append(Fold("Every figure of this setting", (figures, *notes)))
    return tuple(blocks)


ROLES = {"decides": "Decides the verdict", "advises": "Advises"}


def _limits_title(prediction: Prediction) -> str:
    first = prediction.margins[0]
    name = clean(first.limit.name)
    name, size = f"{name[:1].upper()}{name[1:]}", number_text(first.margin, first.limit.applies_to)
    if first.margin.value < 0.0:
        return f"{name} gives first, exceeded by {size.removeprefix(MINUS)}"
    return f"{name} gives first, {size} away"


def _limits(prediction: Prediction) -> Table:
    rows = tuple(
        (clean(item.limit.name), quantity_title(item.limit.applies_to),
         Value(item.limit.value, item.limit.unit, 0.0, item.limit.value, item.limit.value, "set"), item.margin, item.probability,
         ROLES[item.role])
        for item in prediction.margins
        if math.isfinite(item.margin.value)
    )  # fmt: skip
    head = (Column("limit", "Limit"), Column("applies_to", "Bounds"), Column("limit_value", "At", "", "value"),
            Column("margin", "Margin", "", "value"), Column("probability", "Not exceeded", "1", "number"),
            Column("role", "Role"))  # fmt: skip
    return Table("asked-limits", "Limits, the one that gives first on top", head, rows)


def _shares(prediction: Prediction) -> list[tuple[str, float, float, float, bool]]:
    """Return (limit, share, low, high, whether it decides) of the nearest limits; temperatures count from `ROOM`."""
    found, seen = [], set()
    for item in prediction.margins:
        zero = ROOM if item.limit.unit == "degC" else 0.0
        reach = item.limit.value - zero
        figure = item.figure
        if item.limit.name in seen or not reach > 0 or not math.isfinite(figure.value) or figure.value < zero:
            continue
        seen.add(item.limit.name)
        low = figure.low95 if figure.low95 is not None else figure.value
        high = figure.high95 if figure.high95 is not None else figure.value
        shares = [(x - zero) / reach for x in (figure.value, low, high)]
        if item.limit.floor:  # it is to be reached, such as a wished life
            if min(shares) <= 0.0:
                continue
            shares = [1.0 / shares[0], 1.0 / shares[2], 1.0 / shares[1]]
        found.append((item.limit.name, *shares, item.role == "decides"))
    return found[:NEAREST]


def _draw_limits(prediction: Prediction, layout: Layout) -> Sketch:
    rows = _shares(prediction)
    longest = max((text_width(clean(share[0]), 12.5) for share in rows), default=0.0)
    left = 0.0 if layout.narrow else min(longest + 24.0, 0.45 * layout.width)
    row = ROW + (16.0 if layout.narrow else 0.0)
    sketch = Sketch(layout.width, 26.0 + row * len(rows) + 26.0)
    room = layout.width - left - 30.0
    top = max([1.1, *(share[3] for share in rows)])
    scale = room / min(max(top, 1.1), 2.0)
    foot = 22.0 + row * len(rows)
    for tick in (0.0, 0.25, 0.5, 0.75, 1.0):
        x = left + tick * scale
        limit = tick == 1.0
        sketch.line((x, 20.0), (x, foot), stroke="limit" if limit else "hair", width=1.8 if limit else 1.0)
        sketch.words(x, foot + 16.0, f"{plain(100 * tick, 0)}{THIN}%", size=11.0, ink="limit" if limit else "soft",
                     anchor="middle" if tick else "start")  # fmt: skip
    sketch.words(left + scale, 13.0, "limit", size=11.0, ink="limit", anchor="middle")
    for index, (name, share, low, high, decides) in enumerate(rows):
        y = 22.0 + row * (index + 0.5) + (8.0 if layout.narrow else 0.0)
        if layout.narrow:
            sketch.words(0.0, y - 12.0, fit(clean(name), 12.0, layout.width), size=12.0)
        else:
            sketch.words(left - 18.0, y + 4.0, fit(clean(name), 12.5, left - 24.0), size=12.5, anchor="end")
        ends = [left + min(max(x, 0.0), 2.0) * scale for x in (low, high)]
        sketch.line((ends[0], y), (ends[1], y), stroke="blue", width=2.0)
        sketch.disc(left + min(share, 2.0) * scale, y, 4.5, fill="blue" if decides else "paper", stroke="blue", width=2.0)
    return sketch


def strip_figure(predictions: Sequence[Prediction]) -> Figure:
    """Return the verdict of every phase count at one load, with its chance and the regulator's temperature."""
    load = setting_words(predictions[0].setting).partition(", ")[2]
    held = [item.setting.phase_count for item in predictions if item.probability >= 0.95]
    title = (
        f"{min(held)} phase{'s are' if min(held) != 1 else ' is'} the fewest that hold {load}" if held
        else f"No phase count holds {load} with 95 %"
    )  # fmt: skip
    rows = tuple(
        (item.setting.phase_count, item.verdict, item.probability, _known(item, "regulator_temperature"),
         _known(item, "loss"), _known(item, "phase_current"))
        for item in predictions
    )  # fmt: skip
    numbers = Table(
        "asked-phases", "Every phase count at this load",
        (Column("phase_count", "Phases", "1", "number"), Column("verdict", "Verdict"),
         Column("probability", "Every limit holds", "1", "number"), Column("regulator_temperature", "Regulator", "degC", "value"),
         Column("loss", "Loss, meter to package", "W", "value"), Column("phase_current", "Current per phase", "A", "value")),
        rows, "Predicted, once settled.",
    )  # fmt: skip
    said = "; ".join(f"{item.setting.phase_count}: {item.verdict}, {chance_text(item.probability)}" for item in predictions)
    return Figure(
        "asked-phases", title, "Verdict, chance that every limit holds, regulator temperature by phase count; predicted, settled",
        f"{said}.", lambda layout: _draw_strip(predictions, layout), numbers,
        "Under each phase count: the verdict, the chance that every limit that decides holds, and where the regulator settles; "
        "the 95 % intervals stand in the table.",
    )  # fmt: skip


def _known(prediction: Prediction, name: str) -> Value | None:
    value = prediction.quantities.get(name)
    return value if value is not None and math.isfinite(value.value) else None


def _draw_strip(predictions: Sequence[Prediction], layout: Layout) -> Sketch:
    across = len(predictions) if not layout.narrow else min(4, len(predictions))
    lines = -(-len(predictions) // across)
    width, tall = layout.width / across, 92.0
    sketch = Sketch(layout.width, tall * lines)
    for index, item in enumerate(predictions):
        x, y = (index % across) * width, (index // across) * tall
        sketch.line((x, y + 2.0), (x + width - 8.0, y + 2.0), stroke="hair", width=1.0)
        sketch.words(x, y + 22.0, f"{item.setting.phase_count}", size=16.0, bold=True)
        sign(sketch, x + 34.0, y + 16.5, item.verdict, VERDICT_INK.get(item.verdict, "soft"))
        sketch.words(x, y + 42.0, fit(item.verdict, 11.5, width - 6.0), size=11.5)
        sketch.words(x, y + 58.0, fit(chance_text(item.probability), 11.5, width - 6.0), size=11.5, ink="soft")
        hot = _known(item, "regulator_temperature")
        text = f"{plain(hot.value, 0)}{THIN}°C" if hot is not None else "runs away"
        sketch.words(x, y + 74.0, text, size=11.5, ink="soft")
    return sketch


def pair_table(first: StepFinding, second: StepFinding) -> Table:
    """Return two steps side by side; errors that both share cancel in the difference."""
    names = [n for n in MAIN if n in first.quantities and n in second.quantities]
    names += sorted(n for n in first.quantities if n in second.quantities and n not in names and not n.endswith("_peak"))
    rows = []
    for name in names:
        one, two = first.quantities[name], second.quantities[name]
        if one.unit == two.unit and math.isfinite(one.value) and math.isfinite(two.value):
            rows.append((quantity_title(name), *(in_percent(v, name) for v in (one, two, difference(two, one)))))
    return Table(
        "pair", f"“{clean(second.step.name)}” against “{clean(first.step.name)}”",
        (Column("figure", "Figure"), Column("first", clean(first.step.name), "", "value"),
         Column("second", clean(second.step.name), "", "value"), Column("difference", "Difference", "", "value")),
        tuple(rows),
        "Second less first. Errors that both steps share cancel in the difference, so it is known better than either step.",
    )  # fmt: skip
