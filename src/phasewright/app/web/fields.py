"""The fields of the forms: which line of which file each one is, in the trade's words."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass

from phasewright.bench import Fault


@dataclass(frozen=True, slots=True)
class Field:
    """One line of a form and of a file."""

    path: str
    """Place in the file: ``regulator.stage.current_rating``."""
    label: str
    hint: str = ""
    example: str = ""
    choices: tuple[str, ...] = ()
    required: bool = False
    step: str = ""
    """By how much arrow keys and buttons move it, in the unit that stands there; '' = not at all."""
    ways: tuple[str, str] = ("earlier", "later")
    """What moving it down and up is called."""

    @property
    def id(self) -> str:
        """Name in a form; a dot would mean something there."""
        return self.path.replace(".", "-")


CAMPAIGN_NAME = Field("name", "Name of the campaign", "The question that it shall answer makes a good name.",
                      "How few phases hold 250 W?", required=True)  # fmt: skip
BENCH_GROUPS: tuple[tuple[str, tuple[Field, ...]], ...] = (
    ("Board and regulator", (
        Field("name", "Bench", "What you call this set-up.", "open bench, first loop", required=True),
        Field("board.name", "Board", example="board A, rev. 2", required=True),
        Field("regulator.name", "Regulator", example="main regulator", required=True),
        Field("regulator.phase_count", "Phases fitted", example="8", required=True),
        Field("regulator.stages_per_phase", "Power stages in each phase", example="1"),
        Field("regulator.switching_frequency", "Switching frequency", example="500 kHz"),
        Field("regulator.rail_voltage", "Rail voltage", example="1.1 V"),
    )),
    ("What it must never exceed", (
        Field("regulator.stage.current_rating", "Stage rating, continuous", "From the data sheet.", "60 A"),
        Field("regulator.stage.temperature_limit", "Stage junction, absolute maximum", "From the data sheet.", "150 degC"),
        Field("regulator.inductor.saturation_current", "Inductor saturation", "From the data sheet.", "80 A"),
        Field("regulator.protection.phase_current", "OCP of one phase", "As set now.", "52 A"),
        Field("regulator.protection.total_current", "OCP of the whole regulator", "As set now.", "450 A"),
        Field("regulator.protection.temperature_warning", "Temperature warning", "As set now.", "110 degC"),
        Field("regulator.protection.temperature_trip", "OTP", "As set now.", "125 degC"),
    )),
    ("Processor and cooling", (
        Field("processor.name", "Processor", example="16-core part"),
        Field("processor.temperature_limit", "Processor temperature limit", example="95 degC"),
        Field("processor.power_limit", "Package power limit, sustained", example="350 W"),
        Field("cooling.coolant", "Coolant", choices=("air", "liquid")),
        Field("cooling.coolant_limit", "Coolant limit", example="50 degC"),
    )),
)  # fmt: skip
"""What most benches need; everything else is a line of bench.toml."""
BENCH_FIELDS = tuple(field for _, fields in BENCH_GROUPS for field in fields)

STEP_FIELDS = (
    Field("name", "Name", example="8 phases, 250 W", required=True),
    Field("phase_count", "Phases", example="8"),
    Field("package_power", "Package power, intended", example="250 W"),
    Field("rail_current", "Rail current, intended", example="210 A"),
    Field("load", "Load", "What the processor does.", "all cores, fixed work"),
    Field("start", "Begins", "Time since the first stamp, or a clock time.", "120 s", step="1"),
    Field("end", "Ends", "Left out: where the next one begins.", "720 s", step="1"),
    Field("clock", "On the clock of", "A log; left out: the reference log.", "host"),
    Field("window_start", "Window begins", "After the step has begun; left out: found.", "120 s", step="1"),
    Field("window_end", "Window ends", "After the step has begun; left out: found.", "280 s", step="1"),
    Field("outcome", "What you saw", choices=("", "ran", "clamped", "tripped", "crashed")),
    Field("baseline", "Baseline", "The one step that others are compared with.", choices=("", "true")),
    Field("note", "Note", example="fan at its end after four minutes"),
)
RECORD_FIELDS = (
    Field("step_source", "Steps are found from", "times given here, the load's edges, or one file a step.",
          choices=("", "times", "edges", "files")),
    Field("reference_log", "Reference log", "Its clock is the clock of the campaign.", "meter"),
    Field("window_lead", "Windows begin after", "No window uses the time before that.", "60 s"),
    Field("window_length", "Wished length of a window", example="120 s"),
    Field("settle_bound", "Settled means", "Less than this remains to be gained or lost.", "1 K"),
)  # fmt: skip


def said_in(text: str, fields: tuple[Field, ...], block: tuple[str, int] | None = None) -> dict[str, str]:
    """Return what a file says for each field, as it is written; nothing where the file cannot be read.

    `block` = (table, number) of a list of blocks that the fields belong to.
    """
    try:
        data: object = tomllib.loads(text)
        if block is not None:
            data = data[block[0]][block[1] - 1]  # type: ignore[index]
    except (tomllib.TOMLDecodeError, KeyError, IndexError, TypeError):
        return {}
    found = {}
    for field in fields:
        value: object = data
        for word in field.path.split("."):
            value = value.get(word) if isinstance(value, dict) else None
        if isinstance(value, bool):
            found[field.id] = "true" if value else ""
        elif isinstance(value, (str, int, float)):
            found[field.id] = str(value)
    return found


def changed(
    given: Mapping[str, object], fields: tuple[Field, ...], before: Mapping[str, str], prefix: str = ""
) -> dict[str, str | None]:
    """Return path -> new text of every field that a form changes; None = the line is taken out."""
    found: dict[str, str | None] = {}
    for field in fields:
        if field.id not in given:
            continue
        text = " ".join(str(given[field.id]).split())
        if text != before.get(field.id, ""):
            found[prefix + field.path] = text or None
    return found


def by_field(faults: tuple[Fault, ...], fields: tuple[Field, ...], prefix: str = "") -> dict[str, Fault]:
    """Return the first fault of each field, by the field's id."""
    found: dict[str, Fault] = {}
    for fault in faults:
        for field in fields:
            if fault.path == prefix + field.path:
                found.setdefault(field.id, fault)
    return found


def missing(given: Mapping[str, object], fields: tuple[Field, ...], file: str) -> tuple[Fault, ...]:
    """Return a fault for every field that must be filled in and is not."""
    return tuple(
        Fault(file, f"{field.label} is missing", f"for example: {field.example}", path=field.path)
        for field in fields
        if field.required and not str(given.get(field.id, "")).strip()
    )
