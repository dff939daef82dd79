"""Predictions and the fitted model as plain text for an 80-column terminal."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from phasewright.findings import Margin
from phasewright.model import Ceiling, Fewest, Fitted, Parameter, Prediction, Setting, as_setting
from phasewright.quantity import Value
from phasewright.report.escaping import clean
from phasewright.report.parameters import (
    before,
    board_parameters,
    now,
    parameter_title,
    telemetry_parameters,
)
from phasewright.report.terminal import aligned, cut, plain_spaces, wrapped
from phasewright.report.wording import MINUS, chance_text, decimals, display_unit, number_text, plain, quantity_title

MOST_LIMITS = 6
MOST_REASONS = 6
FIGURES = (
    "regulator_temperature",
    "regulator_rise",
    "coolant_temperature",
    "conversion_loss",
    "path_loss",
    "loss",
    "input_power",
    "package_power",
    "rail_current",
    "rail_voltage",
    "delivery_efficiency",
    "conversion_efficiency",
    "phase_current",
    "phase_current_peak",
    "contact_current",
    "loop_gain",
    "runaway_current",
)
_COLUMNS = (
    ("regulator_temperature", "Regulator"),
    ("loss", "Loss"),
    ("delivery_efficiency", "Efficiency"),
    ("phase_current", "A phase"),
)


def setting_words(setting: Setting) -> str:
    """Return a setting in words: ``3 phases, 300 W at the package, coolant 35 °C``."""
    count = setting.phase_count
    words = [f"{count} phase{'' if count == 1 else 's'}", load_words(setting)]
    if setting.coolant_temperature is not None:
        words.append(f"coolant {setting.coolant_temperature:g} °C")
    if setting.rail_voltage is not None:
        words.append(f"rail {setting.rail_voltage:g} V")
    if setting.switching_frequency is not None:
        words.append(f"switching at {setting.switching_frequency / 1e3:g} kHz")
    for name, duty in (("fan", setting.fan_duty), ("pump", setting.pump_duty)):
        if duty is not None:
            words.append(f"{name} at {100.0 * duty:g} %")
    words += [
        f"{name.removeprefix('protection_').replace('_', ' ')} set to {number:g} "
        + ("W" if name.endswith("limit") else "A" if name.endswith("current") else "°C")
        for name, number in setting.protections.items()
    ]
    return ", ".join(words)


def load_words(setting: Setting) -> str:
    """Return the load that leads: ``250 A on the rail`` or ``300 W at the package``."""
    if setting.rail_current is not None:
        return f"{setting.rail_current:g} A on the rail"
    return f"{setting.package_power:g} W at the package" if setting.package_power is not None else "load not stated"


def _ends(value: Value, name: str, level: tuple[float, float] | None) -> tuple[str, str]:
    """Return (number, "low to high") in display units."""
    factor = display_unit(value.unit, name)[1]
    number = value.value * factor
    if not math.isfinite(number):
        return "runs away", "-"
    low, high = level if level is not None else (value.low95, value.high95)
    if low is None or high is None or not high > low:
        return plain_spaces(plain(number, decimals(None, number))), "-"
    places = decimals(0.5 * (high - low) * factor, number)
    return (
        plain_spaces(plain(number, places)),
        plain_spaces(f"{plain(low * factor, places)} to {plain(high * factor, places)}"),
    )


def prediction_text(prediction: Prediction) -> str:
    """Return one predicted setting as plain text, 80 columns wide: verdict, figures with intervals, nearest limits."""
    level = f"{100.0 * prediction.level:g} % interval"
    lines = [
        *wrapped(f"Predicted: {setting_words(prediction.setting)}"),
        *wrapped(f"Verdict: {prediction.verdict}; chance that every limit that decides it holds: "
                 f"{chance_text(prediction.probability)}"),
    ]  # fmt: skip
    lines += [line for reason in prediction.reasons[:MOST_REASONS] for line in wrapped(reason, "  - ")]
    lines += [line for text in advice_beyond(prediction.margins) for line in wrapped(text, "  - ")]
    rows = []
    for name in FIGURES:
        value = prediction.quantities.get(name)
        if value is not None:
            unit = display_unit(value.unit, name)[0]
            number, interval = _ends(value, name, prediction.intervals.get(name))
            rows.append((quantity_title(name) + (f" / {unit}" if unit else ""), number, interval))
    lines += ["", *aligned([["Figure, once settled", "Value", level]], rows, [False, True, True])]
    if prediction.margins:
        lines += ["", *_limits(prediction.margins)]
    if prediction.notes:
        lines += ["", *(line for note in prediction.notes for line in wrapped(note, "Note: "))]
    return "\n".join(lines) + "\n"


def advice_beyond(margins: Sequence[Margin]) -> list[str]:
    """Return a sentence for each limit that is worked out from part data, turns no verdict, and is likely exceeded."""
    told: dict[str, str] = {}
    for margin in margins:
        if margin.role == "advises" and math.isfinite(margin.margin.value) and margin.margin.value < 0.0:
            size = plain_spaces(number_text(margin.margin, margin.limit.applies_to)).removeprefix(MINUS)
            told.setdefault(margin.limit.name, f"mind, though the verdict does not count it: {clean(margin.limit.name)} "
                            f"exceeded by {size}")  # fmt: skip
    return list(told.values())


def _limits(margins: Sequence[Margin]) -> list[str]:
    """Return the nearest limits, the one that gives first on top."""
    seen: dict[tuple[str, str], Margin] = {}
    for margin in margins:
        seen.setdefault((margin.limit.name, margin.limit.applies_to), margin)
    rows = []
    for margin in list(seen.values())[:MOST_LIMITS]:
        unit, factor = display_unit(margin.limit.unit, margin.limit.applies_to)
        finite = math.isfinite(margin.margin.value)
        rows.append(
            (
                cut(clean(margin.limit.name), 34) + (" *" if margin.role == "advises" else ""),
                f"{margin.limit.value * factor:.4g} {unit}",
                cut(plain_spaces(number_text(margin.margin, margin.limit.applies_to)), 18) if finite else "-",
                percent(margin.probability) if finite else "-",
            )
        )
    head = [["Limit, nearest first", "At", "Margin", "Holds / %"]]
    lines = aligned(head, rows, [False, True, True, True])
    left = len(seen) - len(rows)
    if any(name.endswith(" *") for name, *_ in rows):
        lines.append("* worked out from part data: advises, turns no verdict")
    return lines + ([f"{left} more limits lie farther off."] if left > 0 else [])


def predictions_table(predictions: Iterable[Prediction]) -> str:
    """Return several predicted settings as one table, 80 columns wide, a row each."""
    found = list(predictions)
    if not found:
        return "Nothing was predicted.\n"
    same = found[0].setting.coolant_temperature
    coolant = (
        "coolant as measured or assumed at each load"
        if any(item.setting.coolant_temperature is None for item in found)
        else f"coolant {same:g} °C"
        if all(item.setting.coolant_temperature == same for item in found)
        else "coolant as asked"
    )
    lines = [
        *wrapped(f"Predicted, once settled; {coolant}; n: phases; ± reaches the farther end of the 95 % interval"),
        "",
    ]
    units = [f"/ {display_unit(found[0].quantities[name].unit, name)[0]}" for name, _ in _COLUMNS]
    columns = [_spread_cells([item.quantities.get(name) for item in found], name) for name, _ in _COLUMNS]
    rows = [
        (
            str(item.setting.phase_count),
            _short_load(item.setting),
            *cells,
            item.verdict,
            percent(item.probability),
        )
        for item, *cells in zip(found, *columns, strict=True)
    ]
    head = [
        ["n", "Load", *(title for _, title in _COLUMNS), "Verdict", "Holds"],
        ["", "", *units, "", "/ %"],
    ]
    lines += aligned(head, rows, [True, True, *(True for _ in _COLUMNS), False, True])
    notes = dict.fromkeys(note for item in found for note in item.notes)
    lines += ["", *(line for note in list(notes)[:MOST_REASONS] for line in wrapped(note, "Note: "))] if notes else []
    return "\n".join(lines) + "\n"


def bounds_text(fewest: Iterable[tuple[Mapping[str, float | str], Fewest]], ceilings: Iterable[Ceiling]) -> str:
    """Return how far a bench reaches, 80 columns wide: fewest phases for each load, greatest load of each count."""
    lines: list[str] = []
    for load, found in fewest:
        words = load_words(as_setting({**load, "phase_count": 1}))
        if found.count is None or found.prediction is None:
            lines += wrapped(f"Fewest phases for {words}: none of those fitted holds it with 95 %")
        else:
            held = chance_text(found.prediction.probability)
            lines += wrapped(f"Fewest phases for {words}: {found.count}, which hold with {held}")
    rows = []
    for item in ceilings:
        quantities = item.prediction.quantities
        more = ">" if item.beyond else ""
        room = item.voltage_headroom
        volts = "-" if room is None else plain_spaces(plain(1e3 * room, 0))
        rows.append((
            str(item.count), more + plain_spaces(plain(quantities["rail_current"].value, 0)),
            more + plain_spaces(plain(quantities["package_power"].value, 0)), volts,
            _ends(quantities["regulator_temperature"], "regulator_temperature", None)[1], cut(clean(item.ends), 34),
        ))  # fmt: skip
    if rows:
        head = [["n", "Rail", "Package", "Voltage", "Regulator", "Ends at"], ["", "/ A", "/ W", "/ mV", "/ °C", ""]]
        lines += ["", *wrapped("Greatest sustained load, each limit kept with 95 %; voltage: room at the load asked for"), ""]
        lines += aligned(head, rows, [True, True, True, True, True, False])
    return "\n".join(lines) + "\n"


def _short_load(setting: Setting) -> str:
    if setting.rail_current is not None:
        return f"{setting.rail_current:.4g} A"
    return f"{setting.package_power:.4g} W" if setting.package_power is not None else "-"


def percent(chance: float | None) -> str:
    """Return a chance in percent, the sign left to the head of its column: ``<0.1``, ``57``, ``>99.9``."""
    if chance is None or not math.isfinite(chance):
        return "-"
    return chance_text(chance).replace("under ", "<").replace("over ", ">").removesuffix(" %")


def _spread_cells(values: Sequence[Value | None], name: str) -> list[str]:
    """Return `51.8 ± 4.9` for each value, lined up; the ± reaches the farther end of the interval."""
    halves = [_farther(value, name) for value in values]
    known = [decimals(half, 1.0) for half in halves if half]
    places = max(min(known, default=0), 0)
    wide = max((len(plain(half, places)) for half in halves if half), default=0)
    cells = []
    for value, half in zip(values, halves, strict=True):
        if value is None or not math.isfinite(value.value):
            cells.append("-" if value is None else "runs away")
            continue
        number = plain(value.value * display_unit(value.unit, name)[1], places)
        cells.append(plain_spaces(f"{number} ± {plain(half, places).rjust(wide)}" if half else number))
    return cells


def _farther(value: Value | None, name: str) -> float | None:
    """Return how far the farther end of the 95 % interval lies, in display units; None where unknown."""
    if value is None or value.low95 is None or value.high95 is None or not math.isfinite(value.value):
        return None
    return max(value.high95 - value.value, value.value - value.low95) * display_unit(value.unit, name)[1]


def model_text(fitted: Fitted) -> str:
    """Return the fitted model as plain text, 80 columns wide: each parameter before and after, and what decided it."""
    decided = [item.decided_by for item in fitted.parameters]
    counts = ", ".join(str(int(count)) for count in fitted.phase_counts)
    lines = [
        *wrapped(f"Electro-thermal model of {fitted.bench.name}" + (" (simulated)" if fitted.bench.simulated else "")),
        *wrapped(
            f"{fitted.step_count} settled steps, phase counts {counts}"
            if fitted.phase_counts
            else "Nothing has been measured: part data alone speak"
        ),
        *wrapped(
            f"{len(decided)} parameters: {decided.count('data')} decided by data, {decided.count('both')} by data and "
            f"prior, {decided.count('prior')} by the prior; intervals hold with 95 %"
        ),
        "",
        *_parameter_lines("Board and cooling", fitted, board_parameters(fitted)),
        "",
        *_parameter_lines("Instruments", fitted, telemetry_parameters(fitted)),
    ]
    lines += ["", *(line for note in fitted.notes for line in wrapped(note, "Note: "))] if fitted.notes else []
    return "\n".join(lines) + "\n"


def _parameter_lines(title: str, fitted: Fitted, parameters: Sequence[Parameter]) -> list[str]:
    rows = []
    for item in parameters:
        old, new = before(fitted, item), now(fitted, item)
        shown = f"{item.name}_share" if item.name.endswith("_gain") else item.name
        unit = display_unit(item.unit, shown)[0]
        words = cut(parameter_title(item.name), 26 - len(unit)) + (f" / {unit}" if unit else "")
        rows.append((words, _ends(old, shown, None)[1], *_ends(new, shown, None), item.decided_by))
    return aligned([[title, "Before", "Now", "Now, interval", "By"]], rows, [False, True, True, True, False])
