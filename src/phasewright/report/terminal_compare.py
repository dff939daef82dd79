"""Several campaigns side by side as plain text for an 80-column terminal."""

from __future__ import annotations

import textwrap

from phasewright.findings import CampaignComparison, SettingContrast
from phasewright.report.escaping import clean
from phasewright.report.terminal import COLUMNS, aligned, folded, plain_spaces, wrapped
from phasewright.report.wording import number_text, pair_text, plain

TITLES = {
    "regulator_rise": "rise",
    "regulator_temperature": "regulator",
    "loss": "loss",
    "delivery_efficiency": "delivery efficiency",
    "conversion_efficiency": "conversion efficiency",
    "input_power": "input power",
}
REAL = {True: "yes", False: "no", None: "?"}


def comparison_text(found: CampaignComparison) -> str:
    """Return what differs between campaigns: sentences, fewest phases, then every figure with its difference."""
    lines = textwrap.wrap(
        f"{len(found.campaigns)} campaigns, each compared with {clean(found.baseline)}; ± is half the 95 % interval",
        COLUMNS,
    )
    lines.append("")
    for sentence in found.sentences:
        lines += wrapped(sentence, "- ")
    if found.fewest:
        rows = [(folded(clean(load), 40), folded(clean(name), 20), words) for load, name, words in found.fewest]
        lines += ["", *aligned([["Load", "Campaign", "Fewest phases that held"]], rows, [False, False, False])]
    for item in found.settings:
        lines += ["", *_setting(item, found.baseline)]
    if found.unmatched:
        names = "; ".join(f"{clean(step)} ({clean(name)})" for name, step in found.unmatched)
        lines += ["", *textwrap.wrap(f"Without a partner in {clean(found.baseline)}: {names}", COLUMNS)]
    lines += ["", *textwrap.wrap(_method(found), COLUMNS)]
    return "\n".join(lines) + "\n"


def _setting(item: SettingContrast, baseline: str) -> list[str]:
    count = "" if item.phase_count is None else f"{plain(item.phase_count, 0)} phases, "
    lines = textwrap.wrap(f"{count}{clean(item.load)}: {clean(item.campaign)} {item.verdict}, "
                          f"{clean(baseline)} {item.baseline_verdict}", COLUMNS)  # fmt: skip
    if item.remark:
        lines += textwrap.wrap(item.remark, COLUMNS, initial_indent="  ", subsequent_indent="  ")
    if not item.contrasts:
        return [*lines, "  no figure is known on both sides"]
    rows = [
        (
            "  " + TITLES[contrast.quantity],
            plain_spaces(number_text(contrast.baseline, contrast.quantity)),
            plain_spaces(number_text(contrast.value, contrast.quantity)),
            _difference(contrast.difference, contrast.quantity),
            REAL[contrast.real],
        )
        for contrast in item.contrasts
    ]
    head = [["  Figure", folded(clean(baseline), 16), folded(clean(item.campaign), 16), "Difference", "Real?"]]
    return [*lines, *aligned(head, rows, [False, True, True, True, False])]


def _difference(value, name: str) -> str:
    number, interval = pair_text(value, name if value.unit != "K" else "regulator_rise")
    sign = "+" if value.value > 0.0 else ""
    return plain_spaces(f"{sign}{number} {interval}".strip())


def _method(found: CampaignComparison) -> str:
    shared = (
        "Instruments of one name are taken to be the same, so their gain and offset errors cancel; for what a processor "
        "reads itself that asks for the same processor."
        if found.same_instruments
        else "Errors of the instruments count on both sides; --same-instruments lets those cancel where the same meters "
        "stood on all benches."
    )
    return (
        "Real: more than the uncertainty explains; all differences shown are tested together, with a 5 % chance that "
        f"any is called real though none is (Holm). {shared}"
    )
