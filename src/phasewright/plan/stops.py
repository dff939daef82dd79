"""When a step has to end before its time."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from phasewright.bench import Bench, limits_of
from phasewright.plan.chances import thresholds_of
from phasewright.plan.currents import phases_of
from phasewright.plan.records import Stop
from phasewright.quantity import Value

__all__ = ["GUARD", "stale_after", "stop_temperature", "stops_of"]

GUARD = 5.0
"""[K] below a temperature limit at which a step ends: what a sensor may be off and what heat follows; common practice,
no source."""
STALE_PERIODS, STALE_LEAST = 3.0, 2.0
"""A reading is stale after so many periods, or so many seconds, whichever is longer; common practice, no source."""
MUST_SEE = ("regulator_temperature", "input_power", "package_power", "coolant_temperature")
UNKNOWN_PERIOD = 1.0


def stop_temperature(bench: Bench, settings: Mapping[str, float | str]) -> tuple[float, str] | None:
    """Return the regulator temperature [degC] at which a step ends, and why; None where no limit is stated."""
    limits = [item for item in limits_of(bench, settings) if item.applies_to == "regulator_temperature"]
    if not limits:
        return None
    nearest = min(limits, key=lambda item: item.value)
    return nearest.value - GUARD, f"{GUARD:g} K below the {nearest.name} at {nearest.value:g} °C"


def stale_after(bench: Bench, channel: str) -> float:
    """Return the time without a new reading of `channel` after which a step ends [s]."""
    periods = [
        item.period or UNKNOWN_PERIOD
        for item in bench.instruments
        if any(name.partition(".")[0] == channel for name in item.accuracy)
    ]
    return max(STALE_PERIODS * min(periods, default=UNKNOWN_PERIOD), STALE_LEAST)


def stops_of(
    bench: Bench, settings: Mapping[str, float | str], quantities: Mapping[str, Value], tolerance: float
) -> tuple[Stop, ...]:
    """Return the stop conditions of one step, by channel, the temperature first."""
    return (
        *_temperature(bench, settings, quantities),
        *_current(bench, settings, tolerance),
        *_input(bench),
        *_surroundings(bench),
        *(
            Stop(name, stale_after(bench, name), "s", "stop", "no new reading for so long: nobody sees what happens")
            for name in _watched(bench)
        ),
    )


def _temperature(bench: Bench, settings: Mapping[str, float | str], quantities: Mapping[str, Value]) -> Iterator[Stop]:
    found = stop_temperature(bench, settings)
    if found is not None:
        yield Stop("regulator_temperature", found[0], "degC", "stop", found[1])
    foreseen = quantities.get("regulator_temperature")
    if foreseen is None or foreseen.high95 is None or not math.isfinite(foreseen.high95):
        return
    if found is None or foreseen.high95 < found[0]:
        yield Stop(
            "regulator_temperature",
            foreseen.high95,
            "degC",
            "hold",
            "hotter than foreseen at 95 %: the model does not know this bench yet",
        )


def _current(bench: Bench, settings: Mapping[str, float | str], tolerance: float) -> Iterator[Stop]:
    phases, stage, inductor = phases_of(bench, settings), bench.regulator.stage, bench.regulator.inductor
    thresholds = thresholds_of(bench, settings)
    ceilings = []
    if stage.current_rating is not None:
        value = phases.rail_current_at(stage.current_rating * phases.stages + 0.5 * phases.ripple)
        ceilings.append((value, f"the fullest phase is then at the stages' rating of {stage.current_rating:g} A"))
    if inductor.current_rating is not None:
        value = phases.rail_current_at(inductor.current_rating + 0.5 * phases.ripple)
        ceilings.append((value, f"the fullest phase is then at the inductor's rating of {inductor.current_rating:g} A"))
    if "phase_current" in thresholds:
        value = phases.rail_current_at(thresholds["phase_current"] * (1.0 - tolerance))
        ceilings.append(
            (
                value,
                f"the fullest phase then peaks at its protection of {thresholds['phase_current']:g} A, "
                f"less {100 * tolerance:g} %",
            )
        )
    if "total_current" in thresholds:
        value = thresholds["total_current"] * (1.0 - tolerance) - 0.5 * phases.total_ripple
        why = f"the regulator's protection at {thresholds['total_current']:g} A, less {100 * tolerance:g} % and ripple"
        ceilings.append((value, why))
    if ceilings:
        value, why = min(ceilings)
        yield Stop("rail_current", value, "A", "stop", why)


def _input(bench: Bench) -> Iterator[Stop]:
    rated = [item for item in bench.board.connectors if item.contact_rating is not None]
    if rated and len(rated) == len(bench.board.connectors):
        weakest = min(item.contact_rating for item in rated if item.contact_rating is not None)
        contacts = sum(item.contact_count for item in rated)
        yield Stop(
            "input_power",
            weakest * contacts * bench.board.input_voltage,
            "W",
            "stop",
            f"{weakest:g} A in each of {contacts} contacts: their rating",
        )


def _surroundings(bench: Bench) -> Iterator[Stop]:
    if bench.cooling.coolant_limit is not None:
        yield Stop("coolant_temperature", bench.cooling.coolant_limit, "degC", "stop", "the coolant's limit")
    if bench.processor.temperature_limit is not None:
        yield Stop(
            "processor_temperature",
            bench.processor.temperature_limit,
            "degC",
            "hold",
            f"the {bench.processor.kind} holds itself back from here on: the step shows nothing more",
        )
    yield Stop("error_count", 1.0, "1", "stop", "the load reports an error: the setting is not stable")


def _watched(bench: Bench) -> Iterator[str]:
    seen = {name.partition(".")[0] for item in bench.instruments for name in item.accuracy}
    for name in MUST_SEE:
        if not seen or name in seen:
            yield name
