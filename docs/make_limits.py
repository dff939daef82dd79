"""Write docs/reference/limits.md from the limits themselves.

Run it after a change of a limit: ``python docs/make_limits.py``. A test compares the page with the code.
"""

from __future__ import annotations

from pathlib import Path

from phasewright.limits.case import BOUNDS, INPUT_BOUND, SHARING
from phasewright.limits.electrical import LATE
from phasewright.limits.rules import RULES
from phasewright.limits.stated import CEILINGS

PAGE = Path(__file__).parent / "reference" / "limits.md"

HEAD = """# Limits

The tables are written by `docs/make_limits.py` from the limits themselves; do not edit them by hand.

`phasewright analyze` and `phasewright predict` hold every state, measured or predicted, against every limit, sorted by
what gives first: the least margin in standard uncertainties, of equals the least relative to its limit. A limit that
cannot be worked out is never left out in silence: it stands under `missing` with the line to add.

Limits that **decide** are ceilings which somebody states for a quantity that an instrument reads; verdicts follow from
them. Limits that **advise** are worked out from part data and physics; they are told, ranked and counted when the
fewest phases are sought, but no verdict follows from them alone ([why](../decisions/{decision})).
Nothing here replaces data sheets, the makers' instructions, local rules and qualified people.
"""

CONTACTS = """## Contacts of common input connectors

`contact_count` counts the contacts that carry +12 V: half of the housing's in the usual 12 V connectors.

| housing | `contact_count` | at 6 A a contact | at 8 A | at 11 A |
|---|---|---|---|---|
"""


def _lines(paths: tuple[str, ...]) -> str:
    return ", ".join(f"`{path}`" for path in paths) or "-"


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


def page() -> str:
    """Return the whole reference page."""
    decision = next((PAGE.parents[1] / "decisions").glob("*-which-limits-decide.md")).name
    lines = [HEAD.format(decision=decision), "## Limits that decide", ""]
    lines += ["| limit | line of bench.toml | figure | what is held against it |", "|---|---|---|---|"]
    for item in CEILINGS:
        title = f"processor {item.title}" if item.path.startswith("processor.") else item.title
        lines.append(f"| {title} | `{item.path}` | `{item.applies_to}` | {_cell(item.meaning)} |")
    lines += ["", "A step's own settings (`protection_phase_current`, `power_limit` and so on) stand in for the bench's.",
              "Protections and absolute maxima bound peaks as well as means; ratings bound the mean.", "",
              "## Limits that advise", "",
              "| limit | figure | what is held against what | figure needs of bench.toml | figure needs of the state | "
              "ceiling |", "|---|---|---|---|---|---|"]  # fmt: skip
    for rule in RULES:
        lines.append(
            f"| {rule.name} | `{rule.applies_to}` [{rule.unit}] | {_cell(rule.meaning)} | {_lines(rule.needs)} | "
            f"{_lines(rule.quantities)} | {_lines(rule.asks) if rule.asks else 'physics: 1'} |"
        )
    lines += ["", "## Formulas of the limits that advise", "", "| limit | formula | source |", "|---|---|---|"]
    lines += [f"| {rule.name} | {_cell(rule.formula)} | {_cell(rule.source)} |" for rule in RULES]
    lines += ["", "## What is assumed", "",
              "A part's figure without a stated tolerance has this relative bound (rectangular; common practice, no "
              "source):", "", "| line of bench.toml | bound |", "|---|---|"]  # fmt: skip
    lines += [f"| `{path}` | {100 * bound:g} % |" for path, bound in BOUNDS.items()]
    lines += [
        f"| nominal `board.input_voltage` where the input is not measured | {100 * INPUT_BOUND:g} % |",
        f"| `regulator.sharing_error` not stated | anywhere from 0 to {100 * SHARING:g} % |",
        f"| `regulator.response_delay` not stated | anywhere from 0 to {2 * LATE:g} switching periods, as exact switching "
        "simulations of tuned loops show |",
        "",
    ]
    lines.append(CONTACTS.rstrip("\n"))
    for housing in (4, 6, 8, 12):
        count = housing // 2
        powers = " | ".join(f"{12 * rating * count:g} W" for rating in (6, 8, 11))
        lines.append(f"| {housing} contacts | {count} | {powers} |")
    return "\n".join(lines).rstrip() + "\n"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8", newline="\n")
