"""What a library of campaigns says, as plain text for an 80-column terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from phasewright.findings import GroupComparison
from phasewright.report.escaping import clean
from phasewright.report.library import comparison_title
from phasewright.report.terminal import COLUMNS, aligned, folded, plain_spaces
from phasewright.report.wording import number_text, pair_text

MOST_ROWS = 30


def library_setting_text(found: GroupComparison, setting: str) -> str:
    """Return what campaigns say of one figure at one setting: the sentence, then a row for each group."""
    lines = textwrap.wrap(plain_spaces(f"{setting}: {comparison_title(found)}"), COLUMNS)
    apart = {item.group: item for item in found.contrasts}
    rows = []
    for group in sorted(found.groups, key=lambda group: group.value.value)[:MOST_ROWS]:
        item = apart.get(group.group)
        rows.append((
            folded("  " + clean(group.group), 30), str(len(group.campaigns)),
            plain_spaces(number_text(group.value, found.quantity)),
            "" if item is None else _difference(item.difference, found.quantity),
            "baseline" if item is None else {True: "yes", False: "no", None: "?"}[item.real],
        ))  # fmt: skip
    head = [[f"  {found.by.capitalize()}", "n", "Mean", "Difference", "Real?"]]
    lines += aligned(head, rows, [False, True, True, True, False])
    left = len(found.groups) - MOST_ROWS
    return "\n".join([*lines, *([f"  and {left} more; --json has them all"] if left > 0 else [])])


def _difference(value, quantity: str) -> str:
    number, interval = pair_text(value, "regulator_rise" if value.unit == "K" else quantity)
    return plain_spaces(f"{'+' if value.value > 0.0 else ''}{number} {interval}".strip())


def library_offers_text(offers: Sequence[tuple[str, int]]) -> str:
    """Return the settings that can be asked for: (setting, steps)."""
    return "\n".join(aligned([["  Setting", "Steps"]], [("  " + plain_spaces(name), str(count)) for name, count in offers],
                             [False, True]))  # fmt: skip


__all__ = ["library_offers_text", "library_setting_text"]
