"""Ceilings that the bench states outright: ratings, protection thresholds, temperatures. Verdicts follow from them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from phasewright.bench import Bench, Limit, example_line, limits_of
from phasewright.limits.case import CHANNEL_LINE, words
from phasewright.limits.distance import distance
from phasewright.limits.records import Margin, NotComputable, State
from phasewright.quantity import Part, Value, value_from_parts

BY_PEAK = ("protection", "absolute_maximum", "physics")
"""Kinds of limit that a short peak reaches as well as a mean; ratings and standards bound the mean."""
OWN_READING = ("package_power", "processor_temperature")
"""Figures that the processor reads, and limits, itself."""
HOTTEST = (
    "regulator_temperature",
    "inductor_temperature",
    "board_temperature",
    "connector_temperature",
    "processor_temperature",
)
"""Of several sensors the hottest speaks for the part."""


@dataclass(frozen=True, slots=True)
class Stated:
    """A ceiling that a line of bench.toml states."""

    title: str
    path: str
    """Line of bench.toml."""
    applies_to: str
    names: tuple[str, ...] = ()
    """Names of the limits that the line gives; () = the title alone."""
    meaning: str = ""


CEILINGS = (
    Stated("power stage rating", "regulator.stage.current_rating", "stage_current",
           meaning="continuous current of one power stage, phases as if they shared alike"),
    Stated("power stage absolute maximum", "regulator.stage.peak_current_rating", "stage_current",
           meaning="current of one power stage, mean and peak"),
    Stated("power stage absolute maximum", "regulator.stage.temperature_limit", "regulator_temperature",
           meaning="settled temperature of the hottest regulator sensor; the junction is hotter"),
    Stated("over-current protection of a phase", "regulator.protection.phase_current", "phase_current",
           ("over-current protection of a phase", "over-current protection of all phases"),
           meaning="OCP of a phase against phase current, and times the phases in use against rail current"),
    Stated("over-current protection of the regulator", "regulator.protection.total_current", "rail_current",
           meaning="OCP in total against rail current, mean and peak"),
    Stated("temperature warning", "regulator.protection.temperature_warning", "regulator_temperature",
           meaning="settled temperature at which the regulator warns or holds back"),
    Stated("over-temperature protection", "regulator.protection.temperature_trip", "regulator_temperature",
           meaning="settled temperature at which the regulator shuts down (OTP)"),
    Stated("inductor saturation", "regulator.inductor.saturation_current", "phase_current",
           meaning="phase current, mean and peak, without ripple"),
    Stated("inductor rating", "regulator.inductor.current_rating", "phase_current",
           meaning="continuous current of one inductor"),
    Stated("inductor rating", "regulator.inductor.temperature_limit", "inductor_temperature",
           meaning="settled temperature of the hottest inductor sensor"),
    Stated("output capacitor rating", "regulator.output_capacitors.temperature_limit", "board_temperature",
           meaning="settled temperature of the board, own heating not counted"),
    Stated("input capacitor rating", "regulator.input_capacitors.temperature_limit", "board_temperature",
           meaning="settled temperature of the board, own heating not counted"),
    Stated("coolant limit", "cooling.coolant_limit", "coolant_temperature",
           meaning="settled coolant temperature"),
    Stated("connector contact rating", "board.connector.contact_rating", "contact_current",
           ("connector contact rating", "rating of all input contacts"),
           meaning="mean current of one supply contact of the weakest connector"),
    Stated("temperature limit", "processor.temperature_limit", "processor_temperature",
           meaning="temperature at which the processor holds itself back, by its own reading"),
    Stated("power limit", "processor.power_limit", "package_power",
           meaning="sustained package power, by the processor's own reading"),
)  # fmt: skip
"""Every ceiling of limits_of, with the line that states it."""


@dataclass(frozen=True, slots=True)
class _Figure:
    name: str
    value: Value
    note: str


def stated_margins(bench: Bench, state: State) -> tuple[list[Margin], list[NotComputable]]:
    """Return the margins to every ceiling that the bench states, and those that it does not or that no figure meets."""
    limits = limits_of(bench, state.settings)
    margins, missing = margins_to(state, limits)
    stated = {(limit.name, limit.applies_to) for limit in limits}
    for ceiling in CEILINGS:
        title = f"{bench.processor.kind} {ceiling.title}" if ceiling.path.startswith("processor.") else ceiling.title
        if not any((name, ceiling.applies_to) in stated for name in (title, *ceiling.names)):
            missing.append(_unstated(ceiling, title, bench))
    return margins, missing


def _unstated(ceiling: Stated, title: str, bench: Bench) -> NotComputable:
    if ceiling.path.startswith("board.connector.") and not bench.board.connectors:
        return NotComputable(
            f"margin to {title}", "input connectors are not described", example_line("board.connector")
        )
    subject = "" if words(ceiling.applies_to) in title else f" ({words(ceiling.applies_to)})"
    return NotComputable(f"margin to {title}{subject}", "bench.toml does not state it", example_line(ceiling.path))


def margins_to(state: State, limits: Iterable[Limit]) -> tuple[list[Margin], list[NotComputable]]:
    """Return the margins of a state to given limits, and the limits that no figure of the state meets."""
    margins, missing = [], []
    for limit in limits:
        figures = list(_figures_for(state, limit))
        if not figures:
            known = state.missing.get(limit.applies_to)
            why = known.why if known else f"no {words(limit.applies_to)}"
            mend = known.mend if known else CHANNEL_LINE.format(limit.applies_to)
            missing.append(NotComputable(f"margin to {limit.name}", why, mend))
        margins += [distance(limit, figure.value, figure.note) for figure in figures]
    return margins, missing


def _figures_for(state: State, limit: Limit) -> Iterator[_Figure]:
    """Yield the figures that `limit` bounds: the mean or settled value, and the peak where a peak counts."""
    name, quantities = limit.applies_to, state.quantities
    mean = _speaker(quantities, name)
    if mean is not None:
        yield _settled_figure(state, mean, limit)
    peak = f"{name}_peak"
    if limit.kind in BY_PEAK and peak in quantities and limit.unit in ("A", "W") and name != "package_power":
        length = state.peak_averaging.get(peak, math.nan)
        over = f" over {length:.3g} s averages" if math.isfinite(length) and length > 0.0 else ""
        yield _Figure(peak, quantities[peak], f"peak{over}")


def _speaker(quantities: Mapping[str, Value], name: str) -> str | None:
    """Return the quantity that is held against a limit on `name`: the hottest sensor, the fullest phase, or itself."""
    if name in HOTTEST:
        sensors = [
            item
            for item in quantities
            if (item == name or item.startswith(f"{name}.")) and not item.endswith(("_peak", "_settled"))
        ]
        return max(sensors, key=lambda item: quantities[item].value, default=None)
    return next((item for item in (f"{name}_greatest", name) if item in quantities), None)


def _settled_figure(state: State, name: str, limit: Limit) -> _Figure:
    """Return the figure as it stands, or would stand, when settled."""
    value = state.quantities[name]
    if name.partition(".")[0] in OWN_READING and limit.kind == "protection":
        # The processor holds its own reading to the limit, so that reading's gain and offset do not matter here.
        own = tuple(part for part in value.parts if not part.source.endswith(("/gain", "/offset", "/power offset")))
        value = value_from_parts(value.value, value.unit, own, kind=value.kind)
    if value.unit != "degC":
        return _Figure(name, value, "mean")
    settled = state.quantities.get(f"{name}_settled")
    if settled is not None:
        return _Figure(name, settled, "extrapolated")
    remaining = state.remaining.get(name)
    if remaining is None:
        return _Figure(name, value, "mean")
    if not math.isfinite(remaining):
        return _Figure(name, value, "mean, not settled")
    if value.u is None:
        return _Figure(name, value, "mean")
    parts = (*value.parts, Part(f"{state.name}/{name}/settling", remaining / math.sqrt(3.0), "rectangular"))
    return _Figure(name, value_from_parts(value.value, value.unit, parts, kind=value.kind), "mean")
