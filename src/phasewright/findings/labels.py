"""Several sensors of one kind: which of them, or what of all of them, speaks under the plain name."""

from __future__ import annotations

from phasewright.findings.means import Figure
from phasewright.findings.sheet import Sheet
from phasewright.limits import HOTTEST
from phasewright.quantity import propagate

__all__ = ["combine_labels"]

AVERAGED = ("coolant_temperature", "ambient_temperature")
"""Several sensors of a reference are averaged."""


def _labels(sheet: Sheet, base: str) -> list[str]:
    return [name for name in sheet.quantities if name.startswith(f"{base}.") and not name.endswith("_peak")]


def combine_labels(sheet: Sheet) -> None:
    """Let several sensors of one kind speak under the plain name: the hottest, the mean, or the sum of the phases."""
    for base in HOTTEST:
        labels = _labels(sheet, base)
        if labels and base not in sheet.quantities:
            hottest = max(labels, key=lambda name: sheet.quantities[name].value)
            sheet.put(
                base, Figure(sheet.quantities[hottest], f"hottest of {len(labels)}: {hottest}; {sheet.basis[hottest]}")
            )
            peak = max(
                (f"{name}_peak" for name in labels if f"{name}_peak" in sheet.quantities),
                key=lambda name: sheet.quantities[name].value,
                default=None,
            )
            if peak:
                sheet.put(f"{base}_peak", Figure(sheet.quantities[peak], f"{peak}; {sheet.basis[peak]}"))
                sheet.peak_averaging[f"{base}_peak"] = sheet.peak_averaging[peak]
    for base in AVERAGED:
        labels = _labels(sheet, base)
        if labels and base not in sheet.quantities:
            _sum(sheet, base, labels, 1.0 / len(labels), f"mean of {', '.join(labels)}")
    phases = [name for name in _labels(sheet, "rail_current") if name.partition(".")[2].startswith("phase")]
    if phases:
        if "rail_current" not in sheet.quantities:
            _sum(sheet, "rail_current", phases, 1.0, f"sum of {len(phases)} phase currents")
        greatest = max(phases, key=lambda name: sheet.quantities[name].value)
        sheet.put(
            "phase_current_greatest", Figure(sheet.quantities[greatest], f"greatest of {len(phases)}: {greatest}")
        )
    for base in (
        "input_power",
        "input_current",
        "input_voltage",
        "package_power",
        "rail_voltage",
        "rail_power",
        "rail_current",
    ):
        labels = _labels(sheet, base)
        if base in sheet.quantities or not labels:
            continue
        if len(labels) == 1:
            sheet.put(base, Figure(sheet.quantities[labels[0]], f"{labels[0]}; {sheet.basis[labels[0]]}"))
        else:
            sheet.lack(
                base,
                f"{', '.join(labels)} are logged, but which of them (or their sum) is {base} is not said",
                f'map {base} itself in campaign.toml, e.g. {base} = {{ sum = [["COLUMN 1"], ["COLUMN 2"]] }}',
            )


def _sum(sheet: Sheet, name: str, terms: list[str], factor: float, basis: str) -> None:
    """Enter factor x the sum of the named quantities."""
    inputs = {f"term_{index}": sheet.quantities[term] for index, term in enumerate(terms)}
    unit = sheet.quantities[terms[0]].unit
    value = propagate(lambda **given: factor * sum(given.values()), inputs, unit, kind="measured")
    sheet.put(name, Figure(value, basis))
