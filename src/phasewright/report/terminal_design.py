"""A design as plain text for an 80-column terminal."""

from __future__ import annotations

from collections.abc import Sequence

from phasewright.design import Design, Member, difference_of
from phasewright.limits import relative
from phasewright.report.escaping import clean
from phasewright.report.terminal import aligned, cut, folded, wrapped
from phasewright.report.wording import plain

MOST_ROWS = 16
"""Designs of the front that a table shows: the cheapest at each number of phases first."""
MOST_LIMITS = 6


def design_text(design: Design) -> str:
    """Return a design as plain text, 80 columns wide: what to build, what more money buys, why its neighbours fail."""
    front, verdict = design.front, design.verdict
    lines = wrapped(f"What would be enough? {verdict.sentence}")
    if verdict.chosen is not None:
        lines += ["", "To build", *_parts(verdict.chosen), "", "Nearest limits", *_limits(verdict.chosen)]
    shown = _shown(front.members, verdict.chosen)
    if shown:
        left = len(front.members) - len(shown)
        more = f"; {left} more with --json" if left > 0 else ""
        lines += ["", f"On the front ({len(front.members)} designs{more}), prices in {clean(front.currency)}",
                  *_table(shown, verdict.chosen)]  # fmt: skip
    lines += _listed("What more money buys", [item.sentence for item in verdict.purchases])
    lines += _neighbours(design)
    lines += _listed("Cooling against phases", [item.sentence for item in verdict.trades])
    lines += _listed("What would change the choice", [item.sentence for item in verdict.sensitivities])
    lines += _listed("What it rests on", [*front.carried, *front.notes])
    lines += ["", *wrapped(f"How it was found: {front.method.sentence}.")]
    return "\n".join(lines) + "\n"


def _listed(title: str, texts: Sequence[str]) -> list[str]:
    if not texts:
        return []
    return ["", title, *(line for text in texts for line in wrapped(text, "  - "))]


def _parts(member: Member) -> list[str]:
    own = member.choice
    rows = [
        ("phases", f"{own.phase_count} at {own.switching_frequency / 1e3:.0f} kHz"),
        ("power stage", f"{own.phase_count} x {own.stage}"), ("inductor", f"{own.phase_count} x {own.inductor}"),
        ("output capacitors", f"{own.output_count} x {own.output_capacitor}"),
        ("input capacitors", f"{own.input_count} x {own.input_capacitor}"), ("controller", own.controller),
        ("cooling", own.cooler), ("connectors", f"{own.connector_count} x {own.connector}"),
    ]  # fmt: skip
    return [f"  {name:<18} {clean(text)}" for name, text in rows]


def _limits(member: Member) -> list[str]:
    near = sorted(member.margins, key=relative)[:MOST_LIMITS]
    return [f"  {cut(clean(item.limit.name), 56):<56} {100.0 * relative(item):4.0f} % left" for item in near]


def _shown(members: Sequence[Member], chosen: Member | None) -> list[Member]:
    """Return the chosen design and those of the front that are cheapest at their phase count or cooler."""
    seen: set[tuple[int, str]] = set()
    found = [chosen] if chosen is not None else []
    for item in members:
        key = (item.choice.phase_count, item.choice.cooler)
        if key not in seen:
            seen.add(key)
            found.append(item)
    return sorted(found[:MOST_ROWS], key=lambda item: item.cost)


def _table(members: Sequence[Member], chosen: Member | None) -> list[str]:
    head = [("", "phases", "cost", "over life", "/ °C", "/ W", "chance", "stage, cooling")]
    rows = []
    for item in members:
        own = item.choice
        chance = item.chances.chance if item.chances is not None else item.chance
        rows.append((
            ">" if chosen is not None and own == chosen.choice else "", str(own.phase_count), f"{item.cost:.2f}",
            f"{item.total_cost:.2f}" if item.energy_cost is not None else "-", plain(item.regulator_temperature, 0),
            plain(item.conversion_loss, 1), f"{100 * chance:.1f} %", folded(clean(f"{own.stage}, {own.cooler}"), 28),
        ))  # fmt: skip
    return aligned(head, rows, (False, True, True, True, True, True, True, False))


def _neighbours(design: Design) -> list[str]:
    verdict = design.verdict
    if verdict.chosen is None or not verdict.neighbours:
        return []
    lines = ["", "Why not its neighbours"]
    for item in verdict.neighbours:
        said = "; ".join(item.fails) or "nothing speaks against it"
        lines += wrapped(f"{difference_of(verdict.chosen.choice, item.choice)}: {said}", "  - ")
    return lines
