"""The bench, drawn: the power path from meter to processor, the heat path from stage to air, with one step's numbers."""

from __future__ import annotations

from collections.abc import Sequence

from phasewright.bench import Bench, CoolingPart
from phasewright.findings import Analysis, StepFinding
from phasewright.report.document import Layout
from phasewright.report.palette import VERDICT_INK
from phasewright.report.series import phase_count
from phasewright.report.sketch import Sketch, fit, wrap
from phasewright.report.verdicts import sign
from phasewright.report.wording import THIN, number_text, plain

RIBBON = 58.0
"""Height of the ribbon that stands for the whole input power [px]; every ribbon is in proportion to it."""


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


def split_chain(bench: Bench) -> tuple[list[CoolingPart], list[CoolingPart]]:
    """Return the links between stage and coolant, and those between coolant and room air."""
    if bench.cooling.coolant != "liquid":
        return list(bench.cooling.chain), []
    before = [part for part in bench.cooling.chain if part.kind != "radiator"]
    return before, [part for part in bench.cooling.chain if part.kind == "radiator"]


def _text(finding: StepFinding | None, name: str) -> str:
    if finding is None or name not in finding.quantities:
        return "not measured"
    return number_text(finding.quantities[name], name)


def _share(finding: StepFinding | None) -> float:
    """Return loss / input power for the ribbons; 0.12 where unknown (then no number stands beside it)."""
    if finding is None or "loss" not in finding.quantities or "input_power" not in finding.quantities:
        return 0.12
    return min(max(finding.quantities["loss"].value / max(finding.quantities["input_power"].value, 1e-9), 0.04), 0.6)


def _quantity(sketch: Sketch, x: float, y: float, label: str, value: str, anchor: str = "start", size: float = 14.0) -> None:
    sketch.words(x, y, label, size=11.0, ink="soft", anchor=anchor)
    sketch.words(x, y + size + 3.0, value, size=size, bold=True, anchor=anchor)


def _ribbon(sketch: Sketch, x0: float, x1: float, y: float, h: float, ink: str = "power") -> None:
    sketch.box(x0, y - 0.5 * h, x1 - x0, h, fill=ink)


def _phase(sketch: Sketch, x: float, y: float, active: bool) -> None:
    """Draw one phase: a stage and its inductor; an idle one only in outline."""
    ink = "blue" if active else "line"
    if active:
        sketch.box(x, y, 11.0, 11.0, 1.5, fill=ink)
    else:
        sketch.box(x + 0.6, y + 0.6, 9.8, 9.8, 1.5, stroke=ink, width=1.0)
    base = y + 8.5
    commands = [("M", ((x + 11.0, base),)), ("L", ((x + 13.0, base),))]
    for turn in range(3):
        left = x + 13.0 + 4.2 * turn
        commands.append(("C", ((left, base - 6.5), (left + 4.2, base - 6.5), (left + 4.2, base))))
    sketch.shape(commands, stroke=ink, width=1.7 if active else 1.0)


def _phases(sketch: Sketch, x: float, y: float, w: float, h: float, fitted: int, active: int) -> None:
    columns = max(1, min(fitted, int(w // 38.0), 7 if fitted > 5 else fitted))
    rows = -(-fitted // columns)
    dx, dy = w / columns, h / rows
    for index in range(fitted):
        column, row = index % columns, index // columns
        _phase(sketch, x + (column + 0.5) * dx - 13.0, y + (row + 0.5) * dy - 6.0, index < active)


def _meter(sketch: Sketch, x: float, y: float, r: float) -> None:
    """Draw a wattmeter as circuit drawings have it: a circle with W."""
    sketch.disc(x, y, r, fill="paper", stroke="ink", width=1.8)
    sketch.words(x, y + 0.34 * r, "W", size=r, anchor="middle", bold=True)


def _contacts(sketch: Sketch, x: float, y: float, count: int, upright: bool) -> None:
    """Draw a connector: a frame with two rows of contacts."""
    shown = max(1, min(count, 8))
    length, across = 10.0 * shown + 6.0, 24.0
    w, h = (across, length) if upright else (length, across)
    sketch.box(x - 0.5 * w, y - 0.5 * h, w, h, 3.0, fill="paper", stroke="ink", width=1.6)
    for i in range(shown):
        along = -0.5 * length + 8.0 + 10.0 * i
        for side in (-5.0, 5.0):
            px, py = (x + side, y + along) if upright else (x + along, y + side)
            sketch.box(px - 2.6, py - 2.6, 5.2, 5.2, 1.0, **({"fill": "ink"} if side < 0 else {"stroke": "line", "width": 1.0}))


def _chip(sketch: Sketch, x: float, y: float, size: float) -> None:
    """Draw a processor: a square with pins."""
    half = 0.5 * size
    for i in range(5):
        at = -half + size * (i + 1) / 6.0
        for a, b in (((at, -half - 6), (at, -half)), ((at, half), (at, half + 6)), ((-half - 6, at), (-half, at)), ((half, at), (half + 6, at))):
            sketch.line((x + a[0], y + a[1]), (x + b[0], y + b[1]), stroke="ink", width=1.8)
    sketch.box(x - half, y - half, size, size, 4.0, fill="paper", stroke="ink", width=1.8)
    sketch.box(x - 0.5 * half, y - 0.5 * half, half, half, 2.0, stroke="line", width=1.2)


def _connector_words(bench: Bench, finding: StepFinding | None) -> list[str]:
    contacts = sum(c.contact_count for c in bench.board.connectors)
    words = [f"{len(bench.board.connectors)} × {bench.board.connectors[0].contact_count} contacts at +12{THIN}V"
             if len({c.contact_count for c in bench.board.connectors}) == 1 else f"{contacts} contacts at +12{THIN}V"] \
        if bench.board.connectors else ["connectors not stated"]
    if finding is not None and "contact_current" in finding.quantities:
        words.append(f"{_text(finding, 'contact_current')} each")
    ratings = {c.contact_rating for c in bench.board.connectors}
    if len(ratings) == 1 and None not in ratings:
        words.append(f"rated {ratings.pop():.3g}{THIN}A each")
    return words


def _resistance_words(part: CoolingPart) -> list[str]:
    if part.resistance is None:
        return [part.name, "K/W not stated"]
    return [part.name, f"{part.resistance:.3g}{THIN}K/W{'' if part.shared else ' a stage'}"]


def _nodes(bench: Bench, finding: StepFinding | None) -> list[tuple[str, str, Sequence[CoolingPart]]]:
    """Return the heat path as (place, temperature, links that follow)."""
    before, after = split_chain(bench)
    coolant = "Coolant" if bench.cooling.coolant == "liquid" else "Cooling air"
    nodes = [("Regulator", _text(finding, "regulator_temperature"), before),
             (coolant, _text(finding, "coolant_temperature"), after)]
    if bench.cooling.coolant == "liquid":
        nodes.append(("Room air", _text(finding, "ambient_temperature"), ()))
    return nodes


def _link(sketch: Sketch, x0: float, x1: float, y: float, part: CoolingPart, room: float) -> None:
    """Draw a thermal resistance between two places as a resistor with its name beneath."""
    middle = 0.5 * (x0 + x1)
    sketch.line((x0, y), (x1, y), stroke="limit", width=1.8)
    sketch.box(middle - 20.0, y - 7.0, 40.0, 14.0, 0.0, fill="paper", stroke="limit", width=1.8)
    first, second = _resistance_words(part)
    for i, line in enumerate(wrap(first, 11.0, room)[:2]):
        sketch.words(middle, y + 25.0 + 13.0 * i, line, size=11.0, anchor="middle")
    lines = len(wrap(first, 11.0, room)[:2])
    sketch.words(middle, y + 25.0 + 13.0 * lines, second, size=10.5, ink="soft", anchor="middle")


def _caption(sketch: Sketch, x: float, y: float, room: float, finding: StepFinding | None) -> None:
    if finding is None:
        sketch.words(x, y, "No step yet", size=12.0, ink="soft")
        return
    sketch.words(x, y, "Step shown", size=11.0, ink="soft")
    lines = wrap(finding.step.name, 14.0, room)[:3]
    for i, line in enumerate(lines):
        sketch.words(x, y + 18.0 + 17.0 * i, line, size=14.0, bold=True)
    low = y + 18.0 + 17.0 * len(lines)
    sign(sketch, x + 6.0, low + 2.0, finding.verdict, VERDICT_INK.get(finding.verdict, "soft"))
    sketch.words(x + 18.0, low + 6.0, finding.verdict, size=12.0)


def _wide(analysis: Analysis, finding: StepFinding | None, width: float) -> Sketch:
    bench = analysis.bench
    sketch = Sketch(width, 452.0)
    y, h, share = 136.0, RIBBON, _share(finding)
    reg_x, reg_w, chip_x = 292.0, 306.0, 822.0
    _ribbon(sketch, 62.0, reg_x, y, h)
    _ribbon(sketch, reg_x + reg_w, chip_x - 34.0, y, h * (1.0 - share))
    heat_w, stage_x, heat_y = max(h * share, 4.0), reg_x + 36.0, 330.0
    sketch.box(stage_x - 0.5 * heat_w, y + 70.0, heat_w, heat_y - y - 70.0, fill="heat")
    _meter(sketch, 62.0, y, 28.0)
    _contacts(sketch, 178.0, y, sum(c.contact_count for c in bench.board.connectors) or 4, True)
    sketch.box(reg_x, y - 70.0, reg_w, 140.0, 6.0, fill="paper", stroke="ink", width=1.8)
    active = int(phase_count(finding) or 0) if finding is not None else 0
    _phases(sketch, reg_x + 10.0, y - 64.0, reg_w - 20.0, 128.0, bench.regulator.phase_count, active)
    _chip(sketch, chip_x, y, 64.0)
    _quantity(sketch, 0.0, 32.0, "Input power", _text(finding, "input_power"))
    for i, line in enumerate(_connector_words(bench, finding)):
        sketch.words(178.0, y + 78.0 + 14.0 * i, line, size=11.0, ink="soft", anchor="middle")
    sketch.words(62.0, y + 78.0, "meter", size=11.0, ink="soft", anchor="middle")
    _quantity(sketch, reg_x, 32.0, f"Regulator, {active or '?'} of {bench.regulator.phase_count} phases",
              f"{_text(finding, 'phase_current')} a phase")
    _quantity(sketch, 900.0, 32.0, "Package power", _text(finding, "package_power"), "end")
    sketch.words(chip_x, y + 78.0, fit(bench.processor.name or "processor", 11.0, 170.0), size=11.0, ink="soft", anchor="middle")
    _quantity(sketch, reg_x + reg_w + 18.0, y + 78.0, "Delivery efficiency", _text(finding, "delivery_efficiency"))
    _quantity(sketch, stage_x + 0.5 * heat_w + 14.0, y + 104.0, "Loss between meter and package", _text(finding, "loss"))
    _caption(sketch, 0.0, heat_y - 30.0, 220.0, finding)
    nodes = _nodes(bench, finding)
    _heat_row(sketch, nodes, stage_x, 872.0, heat_y)
    return sketch


def _heat_row(sketch: Sketch, nodes, left: float, right: float, y: float) -> None:
    """Draw the heat path from left to right, room shared out by the number of links."""
    weights = [max(1, len(links)) for _, _, links in nodes[:-1]] or [1]
    at = [left]
    for weight in weights:
        at.append(at[-1] + (right - left) * weight / sum(weights))
    for index, (name, temperature, links) in enumerate(nodes):
        x = at[index]
        if index < len(nodes) - 1:
            reach = (at[index + 1] - x - 30.0) / max(1, len(links))
            if not links:
                sketch.line((x + 8.0, y), (at[index + 1] - 8.0, y), stroke="limit", width=1.8, dash=(4.0, 4.0))
            for k, part in enumerate(links):
                _link(sketch, x + 10.0 + k * reach, x + 20.0 + (k + 1) * reach, y, part, reach - 10.0)
        sketch.disc(x, y, 8.0, fill="limit")
        anchor = "start" if index == 0 else "end" if index == len(nodes) - 1 else "middle"
        shift = -8.0 if anchor == "start" else 8.0 if anchor == "end" else 0.0
        _quantity(sketch, x + shift, y + 72.0, name, temperature, anchor)


def _tall(analysis: Analysis, finding: StepFinding | None, width: float) -> Sketch:
    bench = analysis.bench
    nodes = _nodes(bench, finding)
    links = sum(max(1, len(part)) for _, _, part in nodes[:-1])
    sketch = Sketch(width, 500.0 + 66.0 * links + 56.0 * len(nodes))
    share, h, x = _share(finding), RIBBON, 46.0
    _caption(sketch, 0.0, 12.0, width, finding)
    top, reg_y, reg_h = 120.0, 290.0, 130.0
    sketch.box(x - 0.5 * h, top, h, reg_y - top, fill="power")
    _meter(sketch, x, top, 26.0)
    _quantity(sketch, 104.0, top - 8.0, "Input power", _text(finding, "input_power"))
    _contacts(sketch, x, 208.0, 4, False)
    for i, line in enumerate(_connector_words(bench, finding)):
        sketch.words(104.0, 204.0 + 14.0 * i, line, size=11.0, ink="soft")
    active = int(phase_count(finding) or 0) if finding is not None else 0
    _quantity(sketch, 104.0, reg_y - 36.0, f"Regulator, {active or '?'} of {bench.regulator.phase_count} phases",
              f"{_text(finding, 'phase_current')} a phase", size=13.0)
    foot = reg_y + reg_h
    heat_w, heat_x = max(h * share, 4.0), 190.0
    sketch.box(x - 0.5 * h * (1 - share), foot, h * (1 - share), 74.0, fill="power")
    sketch.box(heat_x - 0.5 * heat_w, foot, heat_w, 74.0, fill="heat")
    sketch.box(1.0, reg_y, width - 2.0, reg_h, 6.0, fill="paper", stroke="ink", width=1.8)
    _phases(sketch, 8.0, reg_y + 6.0, width - 16.0, reg_h - 12.0, bench.regulator.phase_count, active)
    _quantity(sketch, heat_x + 0.5 * heat_w + 10.0, foot + 24.0, "Loss, meter to package", _text(finding, "loss"), size=13.0)
    _chip(sketch, x, foot + 104.0, 58.0)
    _quantity(sketch, 0.0, foot + 164.0, "Package power", _text(finding, "package_power"), size=13.0)
    _quantity(sketch, 0.0, foot + 206.0, "Delivery efficiency", _text(finding, "delivery_efficiency"), size=13.0)
    y = foot + 84.0
    for index, (name, temperature, parts) in enumerate(nodes):
        sketch.disc(heat_x, y, 8.0, fill="limit")
        _quantity(sketch, heat_x + 18.0, y - 4.0, name, temperature, size=13.0)
        if index == len(nodes) - 1:
            break
        count = max(1, len(parts))
        sketch.line((heat_x, y + 8.0), (heat_x, y + 48.0 + 66.0 * count), stroke="limit", width=1.8,
                    dash=() if parts else (4.0, 4.0))
        for k, part in enumerate(parts):
            at = y + 62.0 + 66.0 * k
            sketch.box(heat_x - 7.0, at - 20.0, 14.0, 40.0, 0.0, fill="paper", stroke="limit", width=1.8)
            first, second = _resistance_words(part)
            sketch.words(heat_x + 18.0, at - 2.0, fit(first, 11.0, width - heat_x - 20.0), size=11.0)
            sketch.words(heat_x + 18.0, at + 12.0, second, size=10.5, ink="soft")
        y += 56.0 + 66.0 * count
    sketch.height = y + 30.0
    return sketch


def draw_bench(analysis: Analysis, layout: Layout, finding: StepFinding | None = None) -> Sketch:
    """Return the drawing of the bench with the numbers of `finding` (default: see `chosen_step`)."""
    finding = finding or chosen_step(analysis)
    return _tall(analysis, finding, layout.width) if layout.narrow else _wide(analysis, finding, layout.width)


def bench_description(analysis: Analysis, finding: StepFinding | None) -> str:
    """Return the drawing in words, for those who cannot see it."""
    active = phase_count(finding) if finding is not None else None
    path = (f"Power path: meter {_text(finding, 'input_power')}, connectors, regulator with "
            f"{plain(active, 0) if active else 'an unknown number'} of {analysis.bench.regulator.phase_count} phases at "
            f"{_text(finding, 'phase_current')} each, package {_text(finding, 'package_power')}. "
            f"Loss {_text(finding, 'loss')}. Heat path: ")
    stops = []
    for name, temperature, links in _nodes(analysis.bench, finding):
        stops.append(f"{name} {temperature}")
        stops += [" ".join(_resistance_words(part)) for part in links]
    return path + ", ".join(stops) + "."
