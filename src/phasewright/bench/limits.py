"""Every ceiling that the bench states and that a measured state can be compared with."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from phasewright.bench.faults import BenchFault, Fault
from phasewright.bench.maxima import setting_faults
from phasewright.bench.records import Bench, Connector, Limit

UNSTATED = "bench.toml; source not stated"


def limits_of(bench: Bench, settings: Mapping[str, float | str]) -> tuple[Limit, ...]:
    """Return every limit that applies to `bench` at the `settings` of a step (SI, as `Step.settings`).

    A step's ``protection_...`` settings and ``power_limit`` stand in for the bench's thresholds. Limits apply to
    channels, or to the figures ``phase_current`` (rail current / phases in use), ``stage_current`` (phase current /
    stages per phase) and ``contact_current`` (input current / contacts) [A]; temperatures are in degC.

    Raises
    ------
    BenchFault
        When a setting is above an absolute maximum rating or not possible on this bench.
    """
    faults = [Fault("settings", what, mend, path=name) for name, what, mend in setting_faults(bench, settings)]
    if faults:
        raise BenchFault(faults)
    return (
        *_stage_limits(bench),
        *_protection_limits(bench, settings),
        *_part_limits(bench),
        *_connector_limits(bench.board.connectors),
        *_processor_limits(bench, settings),
    )


def _stage_limits(bench: Bench) -> Iterator[Limit]:
    stage = bench.regulator.stage
    source = stage.source or UNSTATED
    if stage.current_rating is not None:
        yield Limit("power stage rating", "stage_current", stage.current_rating, "A", "rating", source)
    if stage.peak_current_rating is not None:
        yield Limit(
            "power stage absolute maximum", "stage_current", stage.peak_current_rating, "A", "absolute_maximum", source
        )
    if stage.temperature_limit is not None:
        yield Limit(
            "power stage absolute maximum", "regulator_temperature", stage.temperature_limit, "degC",
            "absolute_maximum", f"{source} (junction; the sensor reads less)",
        )  # fmt: skip


def _protection_limits(bench: Bench, settings: Mapping[str, float | str]) -> Iterator[Limit]:
    def threshold(key: str) -> tuple[float | None, str]:
        if f"protection_{key}" in settings:
            return float(settings[f"protection_{key}"]), "set in this step"
        return getattr(bench.regulator.protection, key), bench.regulator.protection.source or UNSTATED

    phases = int(settings.get("phase_count", bench.regulator.phase_count))
    value, source = threshold("phase_current")
    if value is not None:
        yield Limit("over-current protection of a phase", "phase_current", value, "A", "protection", source)
        yield Limit(
            "over-current protection of all phases", "rail_current", value * phases, "A", "protection",
            f"{value:g} A a phase x {phases} phases in use; {source}",
        )  # fmt: skip
    value, source = threshold("total_current")
    if value is not None:
        yield Limit("over-current protection of the regulator", "rail_current", value, "A", "protection", source)
    value, source = threshold("temperature_warning")
    if value is not None:
        yield Limit("temperature warning", "regulator_temperature", value, "degC", "protection", source)
    value, source = threshold("temperature_trip")
    if value is not None:
        yield Limit("over-temperature protection", "regulator_temperature", value, "degC", "protection", source)


def _part_limits(bench: Bench) -> Iterator[Limit]:
    inductor = bench.regulator.inductor
    source = inductor.source or UNSTATED
    if inductor.saturation_current is not None:
        yield Limit("inductor saturation", "phase_current", inductor.saturation_current, "A", "physics", source)
    if inductor.current_rating is not None:
        yield Limit("inductor rating", "phase_current", inductor.current_rating, "A", "rating", source)
    if inductor.temperature_limit is not None:
        yield Limit("inductor rating", "inductor_temperature", inductor.temperature_limit, "degC", "rating", source)
    for name, bank in (("output", bench.regulator.output_capacitors), ("input", bench.regulator.input_capacitors)):
        if bank.temperature_limit is not None:
            yield Limit(
                f"{name} capacitor rating", "board_temperature", bank.temperature_limit, "degC", "rating",
                f"{bank.source or UNSTATED} (own heating not counted)",
            )  # fmt: skip
    if bench.cooling.coolant_limit is not None:
        yield Limit("coolant limit", "coolant_temperature", bench.cooling.coolant_limit, "degC", "rating", UNSTATED)


def _connector_limits(connectors: tuple[Connector, ...]) -> Iterator[Limit]:
    rated = [(item.contact_rating, item) for item in connectors if item.contact_rating is not None]
    if not rated:
        return
    # Contacts in parallel share the current about equally, so the weakest rating is reached first.
    rating, weakest = min(rated, key=lambda pair: pair[0])
    source = weakest.source or UNSTATED
    yield Limit(
        "connector contact rating", "contact_current", rating, "A", "rating",
        f"connector {weakest.name}: {source}",
    )  # fmt: skip
    if len(rated) == len(connectors):
        contacts = sum(item.contact_count for item in connectors)
        yield Limit(
            "rating of all input contacts", "input_current", rating * contacts, "A", "rating",
            f"{rating:g} A a contact x {contacts} contacts, shared equally; {source}",
        )  # fmt: skip


def _processor_limits(bench: Bench, settings: Mapping[str, float | str]) -> Iterator[Limit]:
    processor = bench.processor
    if processor.temperature_limit is not None:
        yield Limit(
            f"{processor.kind} temperature limit", "processor_temperature", processor.temperature_limit, "degC",
            "protection", UNSTATED,
        )  # fmt: skip
    power, source = processor.power_limit, UNSTATED
    if "power_limit" in settings:
        power, source = float(settings["power_limit"]), "set in this step"
    if power is not None:
        yield Limit(f"{processor.kind} power limit", "package_power", power, "W", "protection", source)
