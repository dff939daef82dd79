"""The results as plain text for an 80-column terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from phasewright.findings import Analysis, StepFinding
from phasewright.report.escaping import clean
from phasewright.report.series import nearest, phase_count
from phasewright.report.tables import present
from phasewright.report.wording import THIN, display_unit, number_text, pair_text, plain, shared_decimals, typeset

COLUMNS = 80
MOST_ROWS = 48
"""Steps that a terminal table shows; beyond that it shows the telling ones and says how many it left out."""

_FIGURES = (
    ("input_power", "Input"),
    ("loss", "Loss"),
    ("delivery_efficiency", "Efficiency"),
    ("phase_current", "A phase"),
    ("regulator_temperature", "Regulator"),
)


def plain_spaces(text: str) -> str:
    """Return a text as it is set for people, with the spaces that a terminal knows."""
    return typeset(text).replace(THIN, " ").replace("\u00a0", " ")


def wrapped(text: str, lead: str = "") -> list[str]:
    """Return text on lines of 80 columns, those after the first set in under `lead`; numbers keep to their units."""
    lines = textwrap.wrap(typeset(clean(text, 1200)), COLUMNS, initial_indent=lead, subsequent_indent=" " * len(lead))
    return [plain_spaces(line) for line in lines]


def _shown(analysis: Analysis) -> tuple[list[StepFinding], int]:
    """Return the steps to print and how many are left out: what did not hold, and the fewest phases that did, first."""
    steps = list(analysis.steps)
    if len(steps) <= MOST_ROWS:
        return steps, 0

    def weight(finding: StepFinding) -> tuple[int, float, float]:
        first = nearest(finding)
        return (
            finding.step.baseline is False,
            first.in_u if first and first.in_u is not None else 0.0,
            phase_count(finding) or 0.0,
        )

    keep = {f.step.name for f in sorted(steps, key=weight)[:MOST_ROWS]}
    return [f for f in steps if f.step.name in keep], len(steps) - len(keep)


def cut(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 1] + "…"


def folded(text: str, width: int, most: int = 3) -> str:
    """Return `text` over up to `most` lines of at most `width` characters: a name is told whole wherever it fits."""
    lines = textwrap.wrap(text, width) or [""]
    return "\n".join(lines if len(lines) <= most else [*lines[: most - 1], cut(" ".join(lines[most - 1 :]), width)])


def aligned(head: Sequence[Sequence[str]], rows: Sequence[Sequence[str]], right: Sequence[bool]) -> list[str]:
    """Return lines of columns padded to their widest cell, head over a rule; cells may hold several lines."""
    head, rows = ([[plain_spaces(cell) for cell in line] for line in part] for part in (head, rows))
    widths = [max(len(part) for line in (*head, *rows) for part in line[i].split("\n")) for i in range(len(right))]

    def line(cells: Sequence[str]) -> list[str]:
        split = [cell.split("\n") for cell in cells]
        out = []
        for k in range(max(len(parts) for parts in split)):
            row = (parts[k] if k < len(parts) else "" for parts in split)
            padded = (c.rjust(w) if r else c.ljust(w) for c, w, r in zip(row, widths, right, strict=True))
            out.append("  ".join(padded).rstrip())
        return out

    return [
        *(text for h in head for text in line(h)),
        "  ".join("-" * w for w in widths),
        *(text for r in rows for text in line(r)),
    ]


def _number_columns(steps: Sequence[StepFinding], name: str) -> list[str]:
    """Return the cells of one quantity, number and half-width each lined up."""
    places = shared_decimals([f.quantities[name] for f in steps if name in f.quantities], name)
    pairs = [pair_text(f.quantities[name], name, places) if name in f.quantities else ("-", "") for f in steps]
    left = max((len(p[0]) for p in pairs), default=0)
    right = max((len(p[1]) for p in pairs), default=0)
    cells = []
    for number, half in pairs:
        sign, _, width = half.partition(" ") if half.startswith("± ") else ("", "", half)
        tail = f"{sign} {width.rjust(right - 2)}" if sign else width.rjust(right)
        cells.append(plain_spaces(f"{number.rjust(left)} {tail}" if right else number.rjust(left)))
    return cells


def _budget(columns: Sequence[Sequence[str]], heads: Sequence[str]) -> int:
    """Return the width left for step names when the columns stand as they are."""
    used = sum(max([len(h), *(len(c) for c in column)]) + 2 for column, h in zip(columns, heads, strict=True))
    return COLUMNS - used


def results_table(analysis: Analysis) -> str:
    """Return the results as plain text, 80 columns wide: figures with 95 % intervals, verdicts, nearest limits."""
    steps, left_out = _shown(analysis)
    lines = []
    name = clean(analysis.campaign.name, 200)
    if analysis.bench.simulated or analysis.campaign.simulated:
        name += " (simulated)"
    lines += textwrap.wrap(name, COLUMNS) + textwrap.wrap(
        f"{clean(analysis.bench.name, 200)}; {len(analysis.steps)} steps; n: phases; ± is half the 95 % interval",
        COLUMNS,
    )
    lines.append("")
    lines += _figures(analysis, steps)
    lines.append("")
    lines += _nearest(analysis, steps)
    if left_out:
        lines += [
            "",
            *textwrap.wrap(
                f"{left_out} more steps are not shown: those farthest from their limits. The guide "
                "and its CSV tables hold every step.",
                COLUMNS,
            ),
        ]
    return "\n".join(lines) + "\n"


def _figures(analysis: Analysis, steps: Sequence[StepFinding]) -> list[str]:
    known = set(present(analysis, [n for n, _ in _FIGURES]))
    chosen = [(n, t) for n, t in _FIGURES if n in known]
    counts = [plain(c, 0) if (c := phase_count(f)) is not None else "-" for f in steps]
    verdicts = [f.verdict + ("*" if f.step.baseline else "") for f in steps]
    while True:
        columns = [counts, *(_number_columns(steps, n) for n, _ in chosen), verdicts]
        heads = ["n", *(t for _, t in chosen), "Verdict"]
        room = _budget(columns, heads)
        if room >= min(16, max((len(clean(f.step.name)) for f in steps), default=6)) or len(chosen) <= 3:
            break
        drop = next(
            (n for n in ("phase_current", "input_power", "delivery_efficiency") if n in dict(chosen)), chosen[-1][0]
        )
        chosen = [(n, t) for n, t in chosen if n != drop]
    room = max(room, 6)
    names = [folded(clean(f.step.name), room) for f in steps]
    units = ["", "", *(f"/ {display_unit(_unit(steps, n), n)[0]}" for n, _ in chosen), ""]
    rows = list(zip(names, *columns, strict=True))
    out = aligned([["Step", *heads], units], rows, [False, True, *(True for _ in chosen), False])
    if any(f.step.baseline for f in steps):
        out.append("* baseline")
    return out


def _unit(steps: Sequence[StepFinding], name: str) -> str:
    return next((f.quantities[name].unit for f in steps if name in f.quantities), "1")


def _nearest(analysis: Analysis, steps: Sequence[StepFinding]) -> list[str]:
    """Return the limit that gives first in each step."""
    rows = []
    for finding in steps:
        first = nearest(finding)
        if first is None:
            rows.append((folded(clean(finding.step.name), 26), "-", "-", "-"))
            continue
        rows.append(
            (
                folded(clean(finding.step.name), 26),
                plain_spaces(number_text(first.margin, first.limit.applies_to)),
                f"{first.in_u:.1f}" if first.in_u is not None else "-",
                folded(clean(first.limit.name), 30),
            )
        )
    return aligned([["Step", "Margin", "in u", "Limit that gives first"]], rows, [False, True, True, False])


def answers_text(analysis: Analysis) -> str:
    """Return the answers as plain text, 80 columns wide: question, then sentence."""
    lines: list[str] = []
    if analysis.bench.simulated or analysis.campaign.simulated:
        lines += ["Simulated data: nothing here was measured.", ""]
    for answer in analysis.answers:
        lines += textwrap.wrap(clean(answer.question, 300), COLUMNS)
        lines += wrapped(answer.sentence, "  ")
        lines.append("")
    return "\n".join(lines).rstrip() + "\n" if lines else "No answers: the analysis has no steps.\n"
