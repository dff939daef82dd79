"""The bench, drawn: power path from meter to processor, heat path from stage to air, with one step's numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from phasewright.bench import Bench, CoolingPart
from phasewright.findings import Analysis, StepFinding
from phasewright.report.document import Layout
from phasewright.report.palette import VERDICT_INK
from phasewright.report.series import phase_count
from phasewright.report.sketch import Sketch, fit, wrap
from phasewright.report.symbols import contacts, draw_phases_inside, meter, processor
from phasewright.report.verdicts import sign
from phasewright.report.wording import THIN, number_text, plain

RIBBON = 64.0
"""Breadth of the ribbon that stands for the whole input power [px]; every ribbon is in proportion to it."""


@dataclass(frozen=True, slots=True)
class Stop:
    """A place on the heat path, its temperature, and the links that follow."""

    name: str
    temperature: str
    links: tuple[CoolingPart, ...]
    rise: str = ""
    """Rise over the next place."""


def chosen_step(analysis: Analysis) -> StepFinding | None:
    """Return the step that the drawing shows: the fewest phases that held at the heaviest load, else the baseline."""
    held = [f for f in analysis.steps if f.verdict == "sustained" and "input_power" in f.quantities]
    if held:
        heaviest = max(f.quantities["input_power"].value for f in held)
        near = [f for f in held if f.quantities["input_power"].value > 0.93 * heaviest]
        return min(near, key=lambda f: (phase_count(f) or 1e9, f.step.name))
    for finding in analysis.steps:
        if finding.step.baseline:
            return finding
    return analysis.steps[0] if analysis.steps else None


def split_chain(bench: Bench) -> tuple[tuple[CoolingPart, ...], tuple[CoolingPart, ...]]:
    """Return the links between stage and coolant, and those between coolant and room air."""
    if bench.cooling.coolant != "liquid":
        return bench.cooling.chain, ()
    return (
        tuple(part for part in bench.cooling.chain if part.kind != "radiator"),
        tuple(part for part in bench.cooling.chain if part.kind == "radiator"),
    )


def _text(finding: StepFinding | None, name: str) -> str:
    if finding is None or name not in finding.quantities:
        return "not measured"
    return number_text(finding.quantities[name], name).replace("\u00a0±\u00a0?", "")


def _share(finding: StepFinding | None) -> float:
    """Return loss / input power for the ribbons; 0.12 where unknown (then no number stands beside it)."""
    if finding is None or "loss" not in finding.quantities or "input_power" not in finding.quantities:
        return 0.12
    return min(max(finding.quantities["loss"].value / max(finding.quantities["input_power"].value, 1e-9), 0.05), 0.6)


def _stops(bench: Bench, finding: StepFinding | None) -> tuple[Stop, ...]:
    """Return the heat path from the regulator to whatever takes the heat in the end."""
    before, after = split_chain(bench)

    def rise(name: str) -> str:
        return _text(finding, name) if finding is not None and name in finding.quantities else ""

    hot = Stop("Regulator", _text(finding, "regulator_temperature"), before, rise("regulator_rise"))
    if bench.cooling.coolant != "liquid":
        return hot, Stop("Cooling air", _text(finding, "coolant_temperature"), ())
    return (
        hot,
        Stop("Coolant", _text(finding, "coolant_temperature"), after, rise("coolant_rise")),
        Stop("Room air", _text(finding, "ambient_temperature"), ()),
    )


def _connector_words(bench: Bench, finding: StepFinding | None) -> list[str]:
    connectors = bench.board.connectors
    if not connectors:
        return ["connectors not stated"]
    counts = {c.contact_count for c in connectors}
    first = (
        f"{len(connectors)} × {connectors[0].contact_count} contacts"
        if len(counts) == 1
        else f"{sum(c.contact_count for c in connectors)} contacts"
    )
    words = [first]
    if finding is not None and "contact_current" in finding.quantities:
        words.append(f"{_text(finding, 'contact_current')} each")
    ratings = {c.contact_rating for c in connectors}
    if len(ratings) == 1 and None not in ratings:
        words.append(f"rated {ratings.pop():.3g}{THIN}A each")
    return words


def _link_words(part: CoolingPart) -> tuple[str, str]:
    if part.resistance is None:
        return part.name, "K/W not stated"
    return part.name, f"{part.resistance:.3g}{THIN}K/W{'' if part.shared else ' a stage'}"


def _quantity(
    sketch: Sketch, x: float, y: float, label: str, value: str, anchor: str = "start", size: float = 15.0
) -> None:
    sketch.words(x, y, label, size=11.5, ink="soft", anchor=anchor)
    sketch.words(x, y + size + 3.0, value, size=size, bold=True, anchor=anchor)


def _caption(sketch: Sketch, x: float, y: float, room: float, finding: StepFinding | None) -> None:
    if finding is None:
        sketch.words(x, y, "No step yet", size=12.0, ink="soft")
        return
    sketch.words(x, y, "Step shown", size=11.5, ink="soft")
    lines = wrap(finding.step.name, 15.0, room)[:3]
    for i, line in enumerate(lines):
        sketch.words(x, y + 19.0 + 18.0 * i, line, size=15.0, bold=True)
    low = y + 19.0 + 18.0 * len(lines)
    sign(sketch, x + 6.0, low + 1.0, finding.verdict, VERDICT_INK.get(finding.verdict, "soft"))
    sketch.words(x + 18.0, low + 5.0, finding.verdict, size=12.5)


# ---- wide ------------------------------------------------------------------------------------------------------------


def _wide(analysis: Analysis, finding: StepFinding | None, width: float) -> Sketch:
    bench = analysis.bench
    sketch = Sketch(width, 448.0)
    y, share = 126.0, _share(finding)
    box_x, box_w, box_h, chip_x = 318.0, 316.0, 152.0, 868.0
    out_h, heat_w = RIBBON * (1.0 - share), max(RIBBON * share, 5.0)
    sketch.box(36.0, y - 0.5 * RIBBON, box_x - 36.0, RIBBON, fill="power")
    sketch.box(box_x + box_w, y - 0.5 * out_h, chip_x - box_x - box_w, out_h, fill="power")
    row, stage_x, last_x = 352.0, box_x + 36.0, 898.0
    _elbow(sketch, stage_x, y + 0.5 * box_h, row, last_x, heat_w)
    meter(sketch, 36.0, y, 35.0)
    contacts(sketch, 122.0, y, sum(c.contact_count for c in bench.board.connectors) or 4, True)
    sketch.box(box_x, y - 0.5 * box_h, box_w, box_h, 6.0, fill="paper", stroke="ink", width=1.8)
    active = int(phase_count(finding) or 0) if finding is not None else 0
    draw_phases_inside(
        sketch, box_x + 12.0, y - 0.5 * box_h + 10.0, box_w - 24.0, box_h - 20.0, bench.regulator.phase_count, active
    )
    processor(sketch, chip_x, y, 76.0)
    over = y - 0.5 * box_h - 31.0
    _quantity(
        sketch,
        box_x,
        over,
        f"Regulator, {active or '?'} of {bench.regulator.phase_count} phases",
        f"{_text(finding, 'phase_current')} a phase",
    )
    _quantity(sketch, 152.0, y - 6.0, "Input power", _text(finding, "input_power"))
    _quantity(sketch, box_x + box_w + 16.0, y - 6.0, "Package power", _text(finding, "package_power"))
    for i, line in enumerate(_connector_words(bench, finding)):
        sketch.words(122.0, y + 68.0 + 15.0 * i, line, size=11.5, ink="soft", anchor="middle")
    sketch.words(36.0, y + 68.0, "meter", size=11.5, ink="soft", anchor="middle")
    sketch.words(
        chip_x + 45.0,
        y + 68.0,
        fit(bench.processor.name or "processor", 11.5, 220.0),
        size=11.5,
        ink="soft",
        anchor="end",
    )
    _quantity(sketch, box_x + box_w + 16.0, y + 106.0, "Delivery efficiency", _text(finding, "delivery_efficiency"))
    _quantity(sketch, stage_x + 0.5 * heat_w + 14.0, y + 106.0, "Loss, meter to package", _text(finding, "loss"))
    _caption(sketch, 0.0, row - 42.0, 260.0, finding)
    _heat_row(sketch, _stops(bench, finding), stage_x, last_x, row)
    return sketch


def _elbow(sketch: Sketch, x: float, top: float, row: float, right: float, breadth: float) -> None:
    """Draw the loss as a ribbon: down from the regulator, round a corner, along the heat path."""
    half, r = 0.5 * breadth, breadth + 10.0
    k, small = 0.4477 * r, 10.0
    m = 0.4477 * small
    outer, inner = (x - half, row + half), (x + half, row - half)
    sketch.shape(
        [
            ("M", ((outer[0], top),)),
            ("L", ((outer[0], outer[1] - r),)),
            ("C", ((outer[0], outer[1] - k), (outer[0] + k, outer[1]), (outer[0] + r, outer[1]))),
            ("L", ((right, outer[1]),)),
            ("L", ((right, inner[1]),)),
            ("L", ((inner[0] + small, inner[1]),)),
            ("C", ((inner[0] + m, inner[1]), (inner[0], inner[1] - m), (inner[0], inner[1] - small))),
            ("L", ((inner[0], top),)),
            ("Z", ()),
        ],
        fill="heat",
    )


def _heat_row(sketch: Sketch, stops: Sequence[Stop], left: float, right: float, y: float) -> None:
    """Draw the heat path from left to right, room shared out by the number of links."""
    weights = [max(1, len(stop.links)) for stop in stops[:-1]]
    at = [left]
    for weight in weights:
        at.append(at[-1] + (right - left) * weight / sum(weights))
    for index, stop in enumerate(stops):
        x, last = at[index], index == len(stops) - 1
        if not last:
            reach = (at[index + 1] - x) / max(1, len(stop.links))
            for k, part in enumerate(stop.links):
                middle = x + (k + 0.5) * reach
                sketch.box(middle - 23.0, y - 8.0, 46.0, 16.0, 0.0, fill="paper", stroke="limit", width=1.8)
                name, resistance = _link_words(part)
                sketch.words(middle, y - 32.0, fit(name, 11.5, reach - 24.0), size=11.5, anchor="middle")
                sketch.words(middle, y - 17.0, resistance, size=11.0, ink="soft", anchor="middle")
            if stop.rise:
                low = y + 53.0 if stop.links else y - 17.0
                sketch.words(
                    0.5 * (x + at[index + 1]), low, f"rise {stop.rise}", size=11.5, ink="soft", anchor="middle"
                )
        sketch.disc(x, y, 9.0, fill="paper", stroke="limit", width=1.8)
        sketch.disc(x, y, 4.5, fill="limit")
        anchor = "start" if index == 0 else "end" if last else "middle"
        _quantity(
            sketch,
            x + {"start": -9.0, "end": 9.0, "middle": 0.0}[anchor],
            y + 35.0,
            stop.name,
            stop.temperature,
            anchor,
        )


# ---- tall ------------------------------------------------------------------------------------------------------------


def _tall(analysis: Analysis, finding: StepFinding | None, width: float) -> Sketch:
    bench = analysis.bench
    stops = _stops(bench, finding)
    sketch = Sketch(width, 0.0)
    share, x = _share(finding), 40.0
    _caption(sketch, 0.0, 12.0, width, finding)
    top, box_y, box_h = 118.0, 282.0, 138.0
    foot = box_y + box_h
    out_w, heat_w, heat_x = RIBBON * (1.0 - share), max(RIBBON * share, 5.0), 196.0
    spans = [(58.0 + 58.0 * len(stop.links)) if stop.links else 84.0 for stop in stops]
    ends = foot + 88.0 + sum(spans[:-1])
    sketch.box(x - 0.5 * RIBBON, top, RIBBON, box_y - top, fill="power")
    sketch.box(x - 0.5 * out_w, foot, out_w, 90.0, fill="power")
    sketch.box(heat_x - 0.5 * heat_w, foot, heat_w, ends - foot, fill="heat")
    meter(sketch, x, top, 34.0)
    _quantity(sketch, 96.0, top - 6.0, "Input power", _text(finding, "input_power"))
    contacts(sketch, x, 204.0, 5, False)
    for i, line in enumerate(_connector_words(bench, finding)):
        sketch.words(96.0, 194.0 + 15.0 * i, line, size=11.5, ink="soft")
    active = int(phase_count(finding) or 0) if finding is not None else 0
    _quantity(
        sketch,
        96.0,
        box_y - 30.0,
        f"{active or '?'} of {bench.regulator.phase_count} phases",
        f"{_text(finding, 'phase_current')} a phase",
        size=14.0,
    )
    sketch.box(1.0, box_y, width - 2.0, box_h, 6.0, fill="paper", stroke="ink", width=1.8)
    draw_phases_inside(sketch, 10.0, box_y + 8.0, width - 20.0, box_h - 16.0, bench.regulator.phase_count, active)
    _quantity(sketch, heat_x + 16.0, foot + 26.0, "Loss, meter to package", _text(finding, "loss"), size=14.0)
    processor(sketch, x, foot + 122.0, 66.0)
    _quantity(sketch, 0.0, foot + 190.0, "Package power", _text(finding, "package_power"), size=14.0)
    _quantity(sketch, 0.0, foot + 236.0, "Delivery efficiency", _text(finding, "delivery_efficiency"), size=14.0)
    y = foot + 88.0
    for index, stop in enumerate(stops):
        if index < len(stops) - 1:
            for k, part in enumerate(stop.links):
                at = y + 64.0 + 58.0 * k
                sketch.box(heat_x - 8.0, at - 20.0, 16.0, 40.0, 0.0, fill="paper", stroke="limit", width=1.8)
                name, resistance = _link_words(part)
                sketch.words(heat_x + 18.0, at - 2.0, fit(name, 11.5, width - heat_x - 20.0), size=11.5)
                sketch.words(heat_x + 18.0, at + 13.0, resistance, size=11.0, ink="soft")
        sketch.disc(heat_x, y, 9.0, fill="paper", stroke="limit", width=1.8)
        sketch.disc(heat_x, y, 4.5, fill="limit")
        _quantity(sketch, heat_x + 18.0, y - 4.0, stop.name, stop.temperature, size=14.0)
        y += spans[index]
    sketch.height = max(ends + 30.0, foot + 266.0)
    return sketch


def draw_bench(analysis: Analysis, layout: Layout, finding: StepFinding | None = None) -> Sketch:
    """Return the drawing of the bench with the numbers of `finding` (default: see `chosen_step`)."""
    finding = finding or chosen_step(analysis)
    return _tall(analysis, finding, layout.width) if layout.narrow else _wide(analysis, finding, layout.width)


def bench_description(analysis: Analysis, finding: StepFinding | None) -> str:
    """Return the drawing in words, for those who cannot see it."""
    active = phase_count(finding) if finding is not None else None
    path = (
        f"Power path: meter {_text(finding, 'input_power')}, connectors, regulator with "
        f"{plain(active, 0) if active else 'an unknown number'} of {analysis.bench.regulator.phase_count} phases at "
        f"{_text(finding, 'phase_current')} each, package {_text(finding, 'package_power')}. "
        f"Loss {_text(finding, 'loss')}. Heat path: "
    )
    stops = []
    for stop in _stops(analysis.bench, finding):
        stops.append(f"{stop.name} {stop.temperature}")
        stops += [" ".join(_link_words(part)) for part in stop.links]
    return path + ", ".join(stops) + "."
