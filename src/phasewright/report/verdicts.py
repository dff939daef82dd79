"""The verdict strip: which load holds on how many phases."""

from __future__ import annotations

from phasewright.findings import Analysis, StepFinding
from phasewright.report.document import Layout
from phasewright.report.palette import SIGNS, VERDICT_INK
from phasewright.report.series import group, phase_count
from phasewright.report.sketch import Sketch, fit, text_width, wrap
from phasewright.report.wording import number_text, plain

WORST_FIRST = ("tripped", "clamped", "unknown", "unsettled", "marginal", "sustained")


def cells(
    analysis: Analysis,
) -> tuple[list[str], list[float | None], dict[tuple[str, float | None], list[StepFinding]]]:
    """Return loads (heaviest first), phase counts, and the steps at each crossing."""
    groups = list(reversed(group(analysis)))
    found: dict[tuple[str, float | None], list[StepFinding]] = {}
    for one in groups:
        for finding in one.findings:
            found.setdefault((one.label, phase_count(finding)), []).append(finding)
    counts = sorted({count for _, count in found}, key=lambda c: (c is None, c or 0.0))
    return [one.label for one in groups], counts, found


def worst(findings: list[StepFinding]) -> StepFinding:
    """Return the step with the worst verdict of those at one crossing."""
    return min(findings, key=lambda f: WORST_FIRST.index(f.verdict) if f.verdict in WORST_FIRST else 2)


def _margin_words(finding: StepFinding) -> str:
    deciding = [margin for margin in finding.margins if margin.role == "decides"]
    if not deciding:
        return ""
    return f"{number_text(deciding[0].margin, deciding[0].limit.applies_to)} to {deciding[0].limit.name}"


def _cell(sketch: Sketch, x: float, y: float, w: float, h: float, findings: list[StepFinding]) -> None:
    finding = worst(findings)
    ink = VERDICT_INK.get(finding.verdict, "soft")
    sketch.box(x + 2, y + 2, w - 4, h - 4, 3.0, fill="dropped")
    sketch.box(x + 2, y + 2, 4.0, h - 4, 0.0, fill=ink)
    sign(sketch, x + 18.0, y + 19.0, finding.verdict, ink)
    sketch.words(x + 29.0, y + 23.0, fit(finding.verdict, 12.0, w - 32.0), size=12.0, bold=True, ink="ink")
    words = _margin_words(finding)
    if len(findings) > 1:
        words = f"{len(findings)} runs; {words}"
    if h > 50.0 and words:
        lines = wrap(words, 10.0, w - 20.0)
        most = int((h - 30.0) // 13.0)
        lines = lines if len(lines) <= most else [*lines[: most - 1], fit(" ".join(lines[most - 1 :]), 10.0, w - 20.0)]
        for i, line in enumerate(lines):
            sketch.words(x + 13.0, y + 39.0 + 13.0 * i, line, size=10.0, ink="soft")


def sign(sketch: Sketch, x: float, y: float, verdict: str, ink: str) -> None:
    """Draw the sign of a verdict, about 10 px wide, centred on x, y: shape tells it, not colour alone."""
    if verdict == "tripped":
        sketch.line((x - 4, y - 4), (x + 4, y + 4), stroke=ink, width=2.4)
        sketch.line((x - 4, y + 4), (x + 4, y - 4), stroke=ink, width=2.4)
    elif verdict == "unsettled":
        sketch.disc(x, y, 4.3, stroke=ink, width=1.8)
    elif verdict == "clamped":
        sketch.line((x - 5, y - 4.5), (x + 5, y - 4.5), stroke=ink, width=2.4)
        sketch.line((x, y + 5), (x - 4.5, y - 1.5), (x + 4.5, y - 1.5), (x, y + 5), fill=ink)
    elif verdict == "marginal":
        sketch.disc(x, y, 4.3, stroke=ink, width=1.8)
        sketch.shape(
            [("M", ((x, y - 4.3),)), ("C", ((x - 5.7, y - 4.3), (x - 5.7, y + 4.3), (x, y + 4.3))), ("Z", ())], fill=ink
        )
    elif verdict == "sustained":
        sketch.disc(x, y, 5.0, fill=ink)
    else:
        sketch.words(x, y + 4.5, SIGNS["unknown"], size=13.0, ink=ink, anchor="middle", bold=True)


def draw_verdicts(analysis: Analysis, layout: Layout) -> Sketch:
    """Return the strip: loads by phase counts on a wide sheet, phase counts by loads on a narrow one."""
    loads, counts, found = cells(analysis)
    shown = [plain(c, 0) if c is not None else "not stated" for c in counts]
    down, across = (shown, loads) if layout.narrow else (loads, shown)
    label = min(max(text_width(text, 12.0) for text in down) + 14.0, 150.0) if down else 60.0
    label = max(label, 74.0)
    cell_w = min((layout.width - label) / max(1, len(across)), 190.0)
    cell_h = 74.0 if cell_w >= 96.0 else 34.0
    heads = [wrap(text, 13.0, cell_w - 12.0)[:3] for text in across]
    top = 28.0 + 16.0 * max((len(lines) for lines in heads), default=1)
    sketch = Sketch(layout.width, top + cell_h * len(down) + 4.0)
    sketch.words(0.0, 14.0, "Phase count" if layout.narrow else "Load", size=11.0, ink="soft")
    sketch.words(label, 14.0, "Load" if layout.narrow else "Phase count", size=11.0, ink="soft")
    for i, lines in enumerate(heads):
        for k, line in enumerate(lines):
            low = top - 10.0 - 16.0 * (len(lines) - 1 - k)
            sketch.words(label + i * cell_w + 8.0, low, fit(line, 13.0, cell_w - 10.0), size=13.0, bold=True)
    for j, text in enumerate(down):
        y = top + j * cell_h
        for k, line in enumerate(wrap(text, 13.0, label - 8.0)[:3]):
            sketch.words(0.0, y + 23.0 + 16.0 * k, line, size=13.0, bold=True)
        for i in range(len(across)):
            key = (loads[i], counts[j]) if layout.narrow else (loads[j], counts[i])
            x = label + i * cell_w
            if key in found:
                _cell(sketch, x, y, cell_w, cell_h, found[key])
            else:
                sketch.line((x + 12, y + 19), (x + 22, y + 19), stroke="hair", width=2.0)
    return sketch
