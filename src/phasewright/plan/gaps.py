"""What the bench and the steps do not let one judge, and the line that would mend it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from phasewright.bench import Bench
from phasewright.findings import NotComputable
from phasewright.plan.chances import thresholds_of
from phasewright.plan.records import Forecast

__all__ = ["find_gaps"]

STAGE, INDUCTOR, REGULATOR = "[regulator.stage]", "[regulator.inductor]", "[regulator]"
PROTECTION = "[regulator.protection]"


def find_gaps(bench: Bench, forecasts: Sequence[Forecast]) -> tuple[NotComputable, ...]:
    """Return every judgement that lacks its figure, with the line to add to bench.toml or campaign.toml."""
    return (*_protections(bench, forecasts), *_parts(bench), *_assumed(bench), *_surroundings(bench, forecasts))


def _line(name: str, why: str, line: str, table: str) -> NotComputable:
    return NotComputable(name, why, f"add {line} under {table} in bench.toml")


def _protections(bench: Bench, forecasts: Sequence[Forecast]) -> Iterator[NotComputable]:
    stated = [set(thresholds_of(bench, item.step.settings)) for item in forecasts] or [set(thresholds_of(bench, {}))]
    if not all(names & {"phase_current", "total_current"} for names in stated):
        yield _line(
            "chance to trip by current",
            "no over-current threshold is stated; the regulator has one",
            'phase_current = "52 A" (as it is set)',
            PROTECTION,
        )
    if not all("temperature_trip" in names for names in stated):
        yield _line(
            "chance to trip by temperature",
            "no over-temperature threshold is stated",
            'temperature_trip = "125 degC" (as it is set)',
            PROTECTION,
        )


def _parts(bench: Bench) -> Iterator[NotComputable]:
    stage, inductor = bench.regulator.stage, bench.regulator.inductor
    for value, name, why, line, table in (
        (
            stage.current_rating,
            "margin to the stages' rating",
            "no continuous current rating is stated",
            'current_rating = "60 A"',
            STAGE,
        ),
        (
            stage.peak_current_rating,
            "margin to the stages' absolute maximum in current",
            "none is stated",
            'peak_current_rating = "90 A"',
            STAGE,
        ),
        (
            stage.temperature_limit,
            "margin to the stages' absolute maximum in temperature",
            "none is stated",
            'temperature_limit = "150 degC"',
            STAGE,
        ),
        (
            inductor.saturation_current,
            "margin to saturation of the inductor",
            "no saturation current is stated",
            'saturation_current = "80 A"',
            INDUCTOR,
        ),
        (
            inductor.current_rating,
            "margin to the inductor's rating",
            "no continuous current rating is stated",
            'current_rating = "55 A"',
            INDUCTOR,
        ),
    ):
        if value is None:
            yield _line(name, why, line, table)
    unrated = [item.name for item in bench.board.connectors if item.contact_rating is None]
    if not bench.board.connectors:
        yield NotComputable(
            "margin of the input contacts",
            "no connector is described",
            'add a [[board.connector]] block with contact_count = 4 and contact_rating = "8 A" in bench.toml',
        )
    elif unrated:
        yield NotComputable(
            "margin of the input contacts",
            f"no rating is stated for {', '.join(unrated)}",
            'add contact_rating = "8 A" to its [[board.connector]] block in bench.toml',
        )


def _assumed(bench: Bench) -> Iterator[NotComputable]:
    regulator = bench.regulator
    for value, name, taken, line, table in (
        (regulator.inductor.inductance, "ripple", "150 nH is taken", 'inductance = "150 nH"', INDUCTOR),
        (regulator.switching_frequency, "ripple", "500 kHz is taken", 'switching_frequency = "500 kHz"', REGULATOR),
        (regulator.rail_voltage, "current from power", "1.2 V is taken", 'rail_voltage = "1.1 V"', REGULATOR),
        (regulator.sharing_error, "fullest phase", "10 % is taken", 'sharing_error = "10 %"', REGULATOR),
    ):
        if value is None:
            yield _line(name, f"not stated: {taken}", line, table)


def _surroundings(bench: Bench, forecasts: Sequence[Forecast]) -> Iterator[NotComputable]:
    if bench.cooling.coolant_limit is None:
        yield _line("stop by coolant temperature", "no limit is stated", 'coolant_limit = "50 degC"', "[cooling]")
    if bench.processor.power_limit is None:
        yield _line("being held back by the power limit", "none is stated", 'power_limit = "350 W"', "[processor]")
    bare = [
        item.step.name
        for item in forecasts
        if item.prediction is not None and any("coolant temperature assumed" in note for note in item.notes)
    ]
    if bare:
        shown = ", ".join(bare[:3]) + (f" and {len(bare) - 3} more" if len(bare) > 3 else "")
        yield NotComputable(
            "coolant temperature",
            f"assumed in {shown}",
            'add coolant_temperature = "32 degC" to the step in campaign.toml',
        )
