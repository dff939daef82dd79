"""Figures derived from the channels of one step: powers, losses, efficiencies, currents, rises, energy."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from phasewright import physics
from phasewright.bench import Bench, Cooling, Step
from phasewright.findings.means import Figure
from phasewright.findings.sheet import Sheet, channel_mend
from phasewright.logs import Window
from phasewright.quantity import Part, Value, value_from_parts

__all__ = ["NOMINAL_INPUT_U", "derive_figures"]

NOMINAL_INPUT_U = 0.05 / math.sqrt(3.0)
"""[1] Relative standard uncertainty of a nominal 12 V that nobody measured: +-5 %, rectangular (supply tolerance of
the board's 12 V input, from memory)."""

LEAST_QUOTED = 10.0
"""[W] Package power below which no efficiency is quoted; common practice, no source."""


def derive_figures(sheet: Sheet, bench: Bench, step: Step, window: Window) -> None:
    """Work out every derived figure that bench and logs allow; each other one is entered as missing, with the mend."""
    _power_flow(sheet, bench)
    _conversion(sheet, bench)
    _currents(sheet, bench)
    _temperatures(sheet)
    _heat_paths(sheet)
    _saturation(sheet, bench.cooling, step, window)


def _power_flow(sheet: Sheet, bench: Bench) -> None:
    both = {"input_power": "input_power", "package_power": "package_power"}
    sheet.derive(
        "loss",
        lambda input_power, package_power: physics.loss_of(input_power, package_power),
        both,
        "W",
        "delivery loss: input power less package power, everything between meter and package",
    )
    package = sheet.quantities.get("package_power")
    if package is not None and package.value < LEAST_QUOTED:
        sheet.lack(
            "delivery_efficiency",
            f"package power is below {LEAST_QUOTED:g} W: an efficiency at idle says nothing, the loss does",
            "load the processor",
        )
    else:
        sheet.derive(
            "delivery_efficiency",
            lambda input_power, package_power: physics.delivery_efficiency(package_power, input_power),
            both,
            "1",
            "package power / input power",
        )
    if bench.board.input_resistance is None:
        sheet.lack(
            "path_loss",
            "resistance between meter and regulator not stated",
            'add input_resistance = "... mOhm" under [board] in bench.toml',
        )
        return
    _assume(
        sheet,
        "input_resistance",
        bench.board.input_resistance,
        bench.board.input_resistance_u,
        "Ohm",
        "bench/board.input_resistance",
        'add input_resistance_u = "... mOhm" under [board] in bench.toml',
    )
    inputs = {"input_power": "input_power", "resistance": "input_resistance"}
    voltage = _input_voltage(sheet, bench)
    inputs["input_voltage"] = voltage
    sheet.derive(
        "path_loss",
        lambda input_power, resistance, input_voltage: (input_power / input_voltage) ** 2 * resistance,
        inputs,
        "W",
        "input current squared x stated resistance of cables, connectors and copper up to the regulator",
    )


def _assume(sheet: Sheet, name: str, value: float, u: float | None, unit: str, source: str, mend: str) -> None:
    """Enter a number that the bench file states; its error is shared by every step."""
    if u is None:
        reason = f"standard uncertainty of {source.removeprefix('bench/')} is not stated: {mend}"
        sheet.assumed[name] = Value(value, unit, kind="assumed", reason=reason)
    else:
        sheet.assumed[name] = value_from_parts(value, unit, [Part(source, u)], kind="assumed")


def _input_voltage(sheet: Sheet, bench: Bench) -> str:
    """Return the name of the input voltage to use; the nominal one is taken where none is measured."""
    if "input_voltage" in sheet.quantities:
        return "input_voltage"
    nominal = bench.board.input_voltage
    part = Part("bench/board.input_voltage", nominal * NOMINAL_INPUT_U, "rectangular")
    sheet.assumed["nominal_input_voltage"] = value_from_parts(nominal, "V", [part], kind="assumed")
    return "nominal_input_voltage"


def _conversion(sheet: Sheet, bench: Bench) -> None:
    names = {"input_power": "input_power", "rail_power": "rail_power", "other_loads": "other_loads"}
    if bench.board.other_loads is None:
        sheet.lack(
            "other_loads",
            "what else the same input feeds is not stated",
            'add other_loads = "... W" (0 W if nothing) under [board] in bench.toml',
        )
    else:
        _assume(
            sheet,
            "other_loads",
            bench.board.other_loads,
            bench.board.other_loads_u,
            "W",
            "bench/board.other_loads",
            'add other_loads_u = "... W" under [board] in bench.toml',
        )
    sheet.derive(
        "conversion_loss",
        lambda input_power, rail_power, other_loads: physics.loss_of(input_power - other_loads, rail_power),
        names,
        "W",
        "conversion loss: input power less other loads less rail power",
    )
    sheet.derive(
        "conversion_efficiency",
        lambda input_power, rail_power, other_loads: physics.conversion_efficiency(
            rail_power, input_power, other_loads
        ),
        names,
        "1",
        "rail power / (input power less other loads)",
    )


def _currents(sheet: Sheet, bench: Bench) -> None:
    phases = sheet.quantities["phase_count"].value if "phase_count" in sheet.quantities else None
    stages = bench.regulator.stages_per_phase
    for suffix, kind in (("", "mean"), ("_peak", "greatest reading")):
        source = f"rail_current{suffix}"
        if phases is None or phases < 1:
            for name in (f"phase_current{suffix}", f"stage_current{suffix}"):
                why = "number of phases is not known" if phases is None else "no phase carries current"
                sheet.lack(name, why, "add phase_count = ... to the step in campaign.toml")
            continue
        if f"phase_current{suffix}" not in sheet.quantities:
            sheet.derive(
                f"phase_current{suffix}",
                lambda rail_current: physics.phase_current(rail_current, phases),
                {"rail_current": source},
                "A",
                f"{kind} of the rail current / {phases:.0f} phases, as if they shared alike",
            )
        sheet.derive(
            f"stage_current{suffix}",
            lambda current: current / stages,
            {"current": f"phase_current{suffix}"},
            "A",
            f"phase current ({kind}) / {stages} power stages a phase",
        )
        if suffix and source in sheet.peak_averaging:
            for name in ("phase_current_peak", "stage_current_peak"):
                sheet.peak_averaging.setdefault(name, sheet.peak_averaging[source])
    _contact_current(sheet, bench)


def _contact_current(sheet: Sheet, bench: Bench) -> None:
    if "input_current" not in sheet.quantities:
        voltage = _input_voltage(sheet, bench)
        sheet.derive(
            "input_current",
            lambda input_power, input_voltage: input_power / input_voltage,
            {"input_power": "input_power", "input_voltage": voltage},
            "A",
            f"input power / {voltage.replace('_', ' ')}",
        )
    contacts = sum(item.contact_count for item in bench.board.connectors)
    if not contacts:
        sheet.lack(
            "contact_current",
            "input connectors are not described",
            "add [[board.connector]] with name and contact_count to bench.toml",
        )
        return
    sheet.derive(
        "contact_current",
        lambda input_current: input_current / contacts,
        {"input_current": "input_current"},
        "A",
        f"input current / {contacts} supply contacts, as if they shared alike",
    )


def _temperatures(sheet: Sheet) -> None:
    minus: Callable[..., Any] = lambda hot, reference: hot - reference  # noqa: E731
    coolant, ambient = (name in sheet.quantities for name in ("coolant_temperature", "ambient_temperature"))
    for part in ("regulator", "inductor"):
        hot = f"{part}_temperature"
        if part == "inductor" and hot not in sheet.quantities:
            continue
        reference = "coolant_temperature" if coolant or not ambient else "ambient_temperature"
        sheet.derive(f"{part}_rise", minus, {"hot": hot, "reference": reference}, "K", f"{hot} less {reference}")
        if coolant and ambient:
            sheet.derive(
                f"{part}_rise_over_ambient",
                minus,
                {"hot": hot, "reference": "ambient_temperature"},
                "K",
                f"{hot} less ambient_temperature",
            )
        if f"{hot}_settled" in sheet.quantities and reference in sheet.quantities:
            settled = f"{reference}_settled" if f"{reference}_settled" in sheet.quantities else reference
            sheet.derive(
                f"{part}_rise_settled",
                minus,
                {"hot": f"{hot}_settled", "reference": settled},
                "K",
                f"{hot} extrapolated to its settled value, less {settled}",
            )
    sheet.derive(
        "coolant_rise",
        minus,
        {"hot": "coolant_temperature", "reference": "ambient_temperature"},
        "K",
        "coolant_temperature less ambient_temperature",
    )


def _heat_paths(sheet: Sheet) -> None:
    loss, words = ("conversion_loss", "conversion loss")
    if "conversion_loss" not in sheet.quantities:
        loss, words = ("loss", "delivery loss (cables, connectors and other rails included)")
    reference = "ambient" if "ambient" in sheet.basis.get("regulator_rise", "") else "coolant"
    sheet.derive(
        "thermal_resistance",
        physics.thermal_resistance,
        {"rise": "regulator_rise", "power": loss},
        "K/W",
        f"regulator rise over {reference} / {words}",
    )


def _saturation(sheet: Sheet, cooling: Cooling, step: Step, window: Window) -> None:
    """Say whether the coolant can take no more: fan at the end of its map, or coolant still climbing."""
    reasons = []
    settling = next((item for item in window.settling if item.channel.startswith("coolant_temperature")), None)
    coolant = sheet.quantities.get("coolant_temperature")
    duty = sheet.quantities.get("fan_duty")
    if coolant is None and duty is None and settling is None:
        sheet.lack("coolant_saturated", "coolant temperature is not logged", channel_mend("coolant_temperature"))
        return
    # A fan whose duty the step sets does not follow the map.
    if cooling.fan_map and "fan_duty" not in step.settings:
        last_temperature, last_duty = cooling.fan_map[-1]
        if coolant is not None and coolant.value >= last_temperature:
            reasons.append(
                f"coolant at {coolant.value:.1f} °C is past the end of the fan's map ({last_temperature:.1f} °C): "
                "the fan can do no more"
            )
        elif duty is not None and duty.value >= last_duty - 0.005:
            reasons.append(f"fan at {100.0 * duty.value:.0f} %, the end of its map: it can do no more")
    if settling is not None and not settling.settled and settling.slope > 1.64 * settling.slope_u:
        reasons.append(
            f"coolant still climbs by {settling.slope * 3600.0:.1f} K/h, up to {settling.remaining:.1f} K to come"
        )
    value = Value(1.0 if reasons else 0.0, "1", 0.0, 1.0 if reasons else 0.0, 1.0 if reasons else 0.0, "derived")
    basis = "; ".join(reasons) or "fan short of the end of its map, coolant not climbing"
    if not reasons and not cooling.fan_map:
        basis = "coolant not climbing; the fan's map is not stated"
    sheet.put("coolant_saturated", Figure(value, basis))
