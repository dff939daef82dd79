"""What is allowed but doubtful, what is then not computable, and the line to add."""

from __future__ import annotations

from collections.abc import Iterator

from phasewright.bench.channels import base_channel
from phasewright.bench.faults import escape
from phasewright.bench.records import Bench, Campaign, Instrument, LogEntry, Step

PLACEHOLDERS = {"bench": "my bench", "board": "my board", "regulator": "my regulator", "campaign": "my campaign"}
"""Names that the templates carry until somebody changes them."""

_POWER_CHANNELS = ("input_power", "input_energy")
_LOSS_FIGURES = (
    "high_side_resistance", "low_side_resistance", "rise_time", "fall_time", "gate_charge", "gate_voltage",
)  # fmt: skip


def bench_cautions(bench: Bench) -> tuple[str, ...]:
    """Return the cautions about a bench, each with the line to add."""
    file = bench.file or "bench.toml"
    if bench.regulator.name == PLACEHOLDERS["regulator"]:
        # On a file that nobody has filled in yet, the list of all that is missing would bury what to do first.
        return tuple(f"{file} {text}" for text in _placeholders(bench))
    found = (
        *_placeholders(bench),
        *_board(bench),
        *_stage(bench),
        *_protection(bench),
        *_surroundings(bench),
        *(text for item in bench.instruments for text in _instrument(item)),
    )
    return tuple(f"{file} {text}" for text in found)


def _placeholders(bench: Bench) -> Iterator[str]:
    for table, item in (("bench", bench), ("board", bench.board), ("regulator", bench.regulator)):
        if item.name == PLACEHOLDERS[table]:
            path = "name" if table == "bench" else f"{table}.name"
            yield f'{path}: "{item.name}" is the template\'s - write what stands on your bench'
    if bench.regulator.name == PLACEHOLDERS["regulator"]:
        count = bench.regulator.phase_count
        yield f"regulator.phase_count: {count} may be the template's - count the phases fitted on your board"
        yield (
            "regulator: nothing more is checked while its name is the template's"
            " - fill in what you know, then run phasewright check again: it lists what is still missing and what for"
        )
    if not bench.instruments:
        yield "instrument: none is described, so no log can be read - add an [[instrument]] block for each"


def _board(bench: Bench) -> Iterator[str]:
    board = bench.board
    if board.input_resistance is None:
        yield (
            "board.input_resistance: not stated, so the loss in cables and connectors is not told from the regulator's"
            ' - add input_resistance = "1.5 mOhm" under [board]'
        )
    if board.other_loads is None:
        yield (
            "board.other_loads: not stated, so conversion efficiency is not computed"
            ' - add other_loads = "6 W" under [board] ("0 W" where nothing else hangs on the input)'
        )
    for name in ("input_resistance", "other_loads"):
        value, spread = getattr(board, name), getattr(board, f"{name}_u")
        if value and spread is None:
            yield f"board.{name}_u: not stated, so {name} is taken without error - add {name}_u under [board]"
        if value is None and spread is not None:
            yield f"board.{name}_u: has no use without {name} - add {name} under [board]"
    if not board.connectors:
        yield "board.connector: none is described, so contact current is not computed - add a [[board.connector]] block"
    for item in board.connectors:
        if item.contact_rating is None:
            yield (
                f'board.connector "{escape(item.name)}": no contact_rating, so its margin is not computed'
                ' - add contact_rating = "8 A"'
            )


def _stage(bench: Bench) -> Iterator[str]:
    stage, inductor = bench.regulator.stage, bench.regulator.inductor
    for key, example, lost in (
        ("current_rating", "60 A", "the margin of the power stages in current is not computed"),
        ("peak_current_rating", "90 A", "protection thresholds cannot be checked against the absolute maximum"),
        ("temperature_limit", "150 degC", "the margin of the power stages in temperature is not computed"),
    ):
        if getattr(stage, key) is None:
            yield f'regulator.stage.{key}: not stated, so {lost} - add {key} = "{example}" under [regulator.stage]'
    figures = [key for key in _LOSS_FIGURES if getattr(stage, key) is None]
    if figures:
        yield (
            f"regulator.stage: {', '.join(figures)} not stated, so loss cannot be foreseen from part data, only fitted"
            " - add them from the data sheet under [regulator.stage]"
        )
    for key, example in (("inductance", "150 nH"), ("resistance", "0.29 mOhm"), ("saturation_current", "80 A")):
        if getattr(inductor, key) is None:
            what = "ripple" if key == "inductance" else "its loss" if key == "resistance" else "its margin"
            yield (
                f"regulator.inductor.{key}: not stated, so {what} is not computed"
                f' - add {key} = "{example}" under [regulator.inductor]'
            )
    for key, example in (("switching_frequency", "500 kHz"), ("rail_voltage", "1.1 V")):
        if getattr(bench.regulator, key) is None:
            yield (
                f"regulator.{key}: not stated, so ripple and switching loss cannot be foreseen"
                f' - add {key} = "{example}" under [regulator]'
            )


def _protection(bench: Bench) -> Iterator[str]:
    protection, table = bench.regulator.protection, "under [regulator.protection]"
    if protection.phase_current is None and protection.total_current is None:
        what = "no over-current threshold, so its margin is not computed"
        yield f'regulator.protection: {what} - add phase_current = "52 A" {table}'
    if protection.temperature_trip is None:
        yield (
            "regulator.protection.temperature_trip: not stated, so the margin to shutting down is not computed"
            f' - add temperature_trip = "125 degC" {table}'
        )
    for what, mend in threshold_cautions(bench, protection.phase_current, protection.total_current):
        yield f"regulator.protection: {what} - {mend}"


def threshold_cautions(bench: Bench, phase: float | None, total: float | None) -> Iterator[tuple[str, str]]:
    """Yield (what, mend) for over-current thresholds [A] that parts are not rated for, yet that are no fault."""
    regulator = bench.regulator
    stages, rating = regulator.stages_per_phase, regulator.stage.current_rating
    saturation = regulator.inductor.saturation_current
    mend = "lower it, or watch the power stages' temperature"
    if rating is not None:
        for name, value, count, of in (
            ("phase_current", phase, stages, "a phase"),
            ("total_current", total, stages * regulator.phase_count, "together"),
        ):
            if value is not None and value > rating * count:
                bound = f"the power stages' continuous rating of {rating * count:g} A {of}"
                yield f"{name} = {value:g} A is raised above {bound}", mend
    if phase is not None and saturation is not None and phase > saturation:
        yield (
            f"phase_current = {phase:g} A is above the inductor's saturation at {saturation:g} A: it acts too late",
            "lower it below the saturation current",
        )


def _surroundings(bench: Bench) -> Iterator[str]:
    processor, cooling = bench.processor, bench.cooling
    if processor.temperature_limit is None:
        yield (
            "processor.temperature_limit: not stated, so a step that was held back by heat may pass for sustained"
            ' - add temperature_limit = "95 degC" under [processor]'
        )
    if processor.power_limit is None:
        yield (
            "processor.power_limit: not stated, so a step that was held back by it may pass for sustained"
            ' - add power_limit = "350 W" under [processor]'
        )
    if cooling.coolant_limit is None:
        yield (
            "cooling.coolant_limit: not stated, so the margin of the coolant is not computed"
            ' - add coolant_limit = "50 degC" under [cooling]'
        )
    if not cooling.fan_map:
        yield (
            "cooling.fan_map: not stated, so it is not seen when the fan can do no more"
            ' - add fan_map = [["30 degC", "30 %"], ["45 degC", "100 %"]] under [cooling]'
        )
    if not cooling.chain:
        yield (
            "cooling.part: no part is described, so the heat path is not drawn and temperature cannot be foreseen from"
            " part data - add a [[cooling.part]] block for each"
        )
    for part in cooling.chain:
        if part.resistance is None:
            yield f'cooling.part "{escape(part.name)}": no resistance - add resistance = "0.9 K/W" where it is known'


def _instrument(item: Instrument) -> Iterator[str]:
    name = f'instrument "{escape(item.name)}"'
    if item.averaging is None:
        yield f'{name}: averaging is not stated, so it is fitted and time is less certain - add averaging = "50 ms"'
    if item.stamp_at == "unknown" and item.averaging != 0:
        yield (
            f"{name}: stamp_at is unknown, so its clock is uncertain by half an averaging time"
            ' - add stamp_at = "end" (or "start", "middle")'
        )
    if not item.accuracy:
        yield (
            f"{name}: states no accuracy, so error bars hold the scatter only"
            " - add [instrument.accuracy.CHANNEL] with gain, offset and resolution for what it measures"
        )
    for channel, stated in item.accuracy.items():
        if not (stated.gain or stated.offset or stated.resolution):
            yield f'{name}: accuracy of {channel} states nothing, so it counts as exact - add gain = "0.5 %" or offset'


# ---- campaign -----------------------------------------------------------------------------------------------------


def campaign_cautions(campaign: Campaign, bench: Bench | None) -> tuple[str, ...]:
    """Return the cautions about a campaign on its bench, each with the line to add."""
    found = (
        *_campaign(campaign, bench),
        *_channels(campaign, bench),
        *_last_end(campaign),
        *(text for index, step in enumerate(campaign.steps) for text in _step(index, step, bench)),
    )
    return tuple(f"{campaign.file or 'campaign.toml'} {text}" for text in found)


def _campaign(campaign: Campaign, bench: Bench | None) -> Iterator[str]:
    if campaign.name == PLACEHOLDERS["campaign"]:
        yield f'name: "{campaign.name}" is the template\'s - give the campaign its own'
    if not campaign.logs:
        yield "log: no log yet, so nothing can be analyzed - put the files into logs/, then: phasewright read DIR LOG"
    if not campaign.steps:
        yield "step: no step yet, so nothing can be analyzed - add a [[step]] block for each setting that was held"
    if len(campaign.steps) > 1 and not any(step.baseline for step in campaign.steps):
        yield "step: none is the baseline, so steps are not compared - add baseline = true to one of them"
    if campaign.steps and campaign.cost.price is None:
        yield 'cost.price: not stated, so energy is not turned into money - add price = "0.30 EUR/kWh" under [cost]'
    if bench is not None and bench.simulated != campaign.simulated:
        here, there = ("campaign", "bench") if campaign.simulated else ("bench", "campaign")
        yield f"simulated: the {here} is simulated, the {there} is not - state simulated = true in both, or in neither"


def _last_end(campaign: Campaign) -> Iterator[str]:
    if campaign.step_source == "times" and campaign.steps and not campaign.steps[-1].end:
        place = f'step[{len(campaign.steps)}] "{escape(campaign.steps[-1].name)}"'
        yield f'{place}: has no end, so the end of the record is taken - add duration = "10 min" or end'


def _channels(campaign: Campaign, bench: Bench | None) -> Iterator[str]:
    names = {source.channel.partition(".")[0] for log in campaign.logs for source in log.channels}
    if campaign.logs:
        if not names & set(_POWER_CHANNELS) and not {"input_voltage", "input_current"} <= names:
            yield "log: no channel is input_power, so loss and efficiency are not computed - map input_power"
        if not names & {"package_power", "package_energy"}:
            yield "log: no channel is package_power, so delivery efficiency is not computed - map package_power"
        if "rail_current" not in names:
            yield "log: no channel is rail_current, so current per phase is not computed - map rail_current"
        if "regulator_temperature" not in names:
            yield "log: no channel is regulator_temperature, so no step can be called sustained - map it"
        if not names & {"coolant_temperature", "ambient_temperature"}:
            yield "log: no channel is coolant_temperature, so rise and thermal resistance are not computed - map it"
    for index, log in enumerate(campaign.logs):
        if not log.channels:
            yield f'log[{index + 1}] "{escape(log.name)}": no channel is mapped - add [log.channels]'
        yield from _unstated(index, log, bench)


def _unstated(index: int, log: LogEntry, bench: Bench | None) -> Iterator[str]:
    """Caution about channels of a log for which its instrument, which states others, states no accuracy."""
    stated = {item.name: item.accuracy for item in bench.instruments}.get(log.instrument) if bench else None
    if not stated:
        return
    bare = [
        source.channel
        for source in log.channels
        if source.channel not in stated
        and source.channel.partition(".")[0] not in stated
        and base_channel(source.channel).unit != "1"
    ]
    place, table = f'log[{index + 1}] "{escape(log.name)}"', f'to instrument "{escape(log.instrument)}" in bench.toml'
    if "package_power" in bare:
        bare.remove("package_power")
        yield (
            f"{place}: the accuracy of package_power is not stated, so 3 % + 1 W is taken"
            f" - add [instrument.accuracy.package_power] {table}"
        )
    if bare:
        yield (
            f"{place}: the accuracy of {', '.join(bare)} is not stated, so error bars hold the scatter only"
            f" - add [instrument.accuracy.{bare[0]}] {table}"
        )


def _step(index: int, step: Step, bench: Bench | None) -> Iterator[str]:
    place = f'step[{index + 1}] "{escape(step.name)}"'
    if bench is None:
        return
    settings = {name: value for name, value in step.settings.items() if not isinstance(value, str)}
    phase, total = settings.get("protection_phase_current"), settings.get("protection_total_current")
    for what, mend in threshold_cautions(bench, phase, total):
        yield f"{place}: protection_{what} - {mend}"
    for key, value in (("phase_current", phase), ("total_current", total)):
        usual = getattr(bench.regulator.protection, key)
        if value is not None and usual is not None and value > usual:
            yield (
                f"{place}: protection_{key} = {value:g} A is raised above the bench's {usual:g} A"
                " - keep an independent cut-off at hand"
            )
    for key in ("temperature_warning", "temperature_trip"):
        value, usual = settings.get(f"protection_{key}"), getattr(bench.regulator.protection, key)
        if value is not None and usual is not None and value > usual:
            yield (
                f"{place}: protection_{key} = {value:g} degC is raised above the bench's {usual:g} degC"
                " - keep an independent cut-off at hand"
            )
