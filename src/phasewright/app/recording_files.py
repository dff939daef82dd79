"""The files of a recorded campaign: logs made from the journal, steps with their times, and whether all of it is whole."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from phasewright.bench import (
    Bench,
    Campaign,
    ChannelSource,
    ColumnTerm,
    Fault,
    LogEntry,
    NotReady,
    Step,
    add_log,
    escape,
    read_campaign,
)
from phasewright.live import Chronicle, Told, changed_logs, channel_sources, read_journal, stamp_text, write_logs

JOURNAL = "journal"
UNITS = (
    ("power", "W"), ("power_limit", "W"), ("current", "A"), ("voltage", "V"), ("frequency", "Hz"), ("load_line", "Ohm"),
    ("temperature", "degC"), ("temperature_warning", "degC"), ("temperature_trip", "degC"), ("duty", "%"),
)  # fmt: skip
"""Unit in which a setting is written, by the end of its key."""
NOT_RUN = "# not run yet: phasewright record goes on with it"


@dataclass(frozen=True, slots=True)
class RunStep:
    """A step as the journal tells it."""

    name: str
    settings: Mapping[str, object]
    session: int
    start_ns: int
    """Wall clock at the session's own origin [ns]."""
    end_ns: int
    outcome: str
    why: str


def steps_of(chronicle: Chronicle) -> tuple[tuple[RunStep, ...], tuple[str, ...]]:
    """Return the steps that were done, in order of time, and the names of those that were begun and abandoned.

    A step counts as done with its done record alone; what a kill cut short is kept in the journal and never merged.
    """
    done: list[RunStep] = []
    begun: dict[str, Mapping[str, object]] = {}
    times: dict[tuple[str, str], Told] = {}
    abandoned: list[str] = []
    for item in chronicle.events:
        step = str(item.given.get("step", ""))
        if item.name == "step_intent":
            if item.given.get("answer") != "skip":
                begun[step] = item.given.get("settings", {})
        elif item.name in ("step_on", "step_off"):
            times[step, item.name] = item
        elif item.name == "step_done" and step in begun:
            settings = begun.pop(step)
            on, off = times.get((step, "step_on")), times.get((step, "step_off"))
            if item.given.get("outcome") == "stopped" or on is None or off is None or on.session != off.session:
                abandoned.append(step)
                continue
            origin = chronicle.origins[on.session]
            done.append(RunStep(step, settings, on.session, on.mono_ns + origin, off.mono_ns + origin,
                                str(item.given.get("outcome", "")), str(item.given.get("why", ""))))
    finished = {item.name for item in done}
    return tuple(done), tuple(name for name in dict.fromkeys([*abandoned, *begun]) if name not in finished)


def bring_in(folder: Path, bench: Bench) -> tuple[tuple[RunStep, ...], tuple[str, ...]]:
    """Write the logs of the journal into the campaign and its steps with their times; return (done, abandoned)."""
    chronicle = read_journal(folder / JOURNAL)
    done, abandoned = steps_of(chronicle)
    for written in write_logs(chronicle, folder):
        sources = tuple(
            ChannelSource(channel, tuple(ColumnTerm(pair) for pair in products))
            for channel, products in channel_sources(written).items()
        )
        add_log(folder, LogEntry(written.instrument, written.files, written.instrument, sources, ("time",), zone="UTC",
                                 shared_clock="recorder"))
    write_steps(folder, done)
    return done, abandoned


def write_steps(folder: Path, done: tuple[RunStep, ...]) -> None:
    """Put the times of the steps that were run into campaign.toml; steps that were not run stand there as comments."""
    path = folder / "campaign.toml"
    text = path.read_text(encoding="utf-8")
    head, blocks = _blocks(text)
    by_name = {_name(block): block for block in blocks}
    run = {item.name for item in done}
    made = [head.rstrip("\n")]
    for item in sorted(done, key=lambda step: step.start_ns):
        block = by_name.get(item.name) or _new_block(item)
        made.append(_timed(block, item))
    made += [_aside(block) for name, block in by_name.items() if name not in run]
    part = path.with_name(".campaign.toml.part")
    part.write_text("\n\n".join(made) + "\n", encoding="utf-8", newline="\n")
    part.replace(path)


def _blocks(text: str) -> tuple[str, list[str]]:
    """Return (all but the steps, text of each [[step]] block), those that stand as comments among them."""
    text = re.sub(rf"(?m)^{re.escape(NOT_RUN)}\n((?:#.*\n?)+)", lambda found: re.sub(r"(?m)^# ?", "", found[1]), text)
    parts = re.split(r"(?m)^(?=\[)", text)
    head = "".join(part for part in parts if not part.startswith("[[step]]"))
    return head, [part.rstrip("\n") for part in parts if part.startswith("[[step]]")]


def _name(block: str) -> str:
    import tomllib

    return str(tomllib.loads(block)["step"][0].get("name", ""))


def _aside(block: str) -> str:
    return NOT_RUN + "\n" + "\n".join(f"# {line}" if line.strip() else "#" for line in block.splitlines())


def _timed(block: str, item: RunStep) -> str:
    kept = [line for line in block.splitlines() if not re.match(r"\s*(start|end|duration|outcome|clock)\s*=", line)]
    while kept and not kept[-1].strip():
        kept.pop()
    outcome = {"crashed": "crashed", "tripped": "tripped", "clamped": "clamped"}.get(item.outcome, "ran")
    return "\n".join([*kept, f'start = "{stamp_text(item.start_ns)}"', f'end = "{stamp_text(item.end_ns)}"',
                      f'outcome = "{outcome}"'])


def _new_block(item: RunStep) -> str:
    """Return the block of a step that the plan added, such as the repeated first one."""
    lines = ["[[step]]", f"name = {json.dumps(item.name)}"]
    lines += [f"{key} = {_setting_text(key, value)}" for key, value in item.settings.items()]
    return "\n".join(lines)


def _setting_text(key: str, value: object) -> str:
    if isinstance(value, str) or not isinstance(value, int | float):
        return json.dumps(str(value))
    if key == "phase_count":
        return str(int(value))
    unit = next((unit for ending, unit in UNITS if key.endswith(ending)), "")
    return json.dumps(f"{100.0 * value if unit == '%' else value:.12g} {unit}".strip())


def set_aside(folder: Path) -> tuple[Step, ...]:
    """Return the steps of a campaign that were not run yet and stand in campaign.toml as comments."""
    from tempfile import TemporaryDirectory

    text = (folder / "campaign.toml").read_text(encoding="utf-8")
    aside = "".join(re.findall(rf"(?m)^{re.escape(NOT_RUN)}\n((?:#.*\n?)+)", text))
    if not aside:
        return ()
    with TemporaryDirectory() as place:
        alone = 'format = "phasewright-campaign-1"\nname = "steps not run yet"\n\n' + re.sub(r"(?m)^# ?", "", aside)
        (Path(place) / "campaign.toml").write_text(alone, encoding="utf-8")
        return read_campaign(place).steps


def steps_to_run(folder: Path, campaign: Campaign) -> tuple[Step, ...]:
    """Return the steps that were not run yet; nothing is written."""
    return tuple(step for step in campaign.steps if not step.start) if not campaign.logs else set_aside(folder)


@dataclass(frozen=True, slots=True)
class Verified:
    """What `verify` found."""

    records: int
    sessions: int
    segments: int
    losses: tuple[str, ...]
    """One line for each loss or damage; empty = complete."""
    notes: tuple[str, ...]
    usable: bool

    @property
    def exit_code(self) -> int:
        """0 complete, 3 usable with the losses stated, 4 not usable."""
        return 4 if not self.usable else 3 if self.losses else 0

    def as_dict(self) -> dict[str, object]:
        """Return it as JSON-safe values."""
        return {"records": self.records, "sessions": self.sessions, "segments": self.segments,
                "losses": list(self.losses), "notes": list(self.notes), "usable": self.usable}


def verify_folder(folder: Path) -> Verified:
    """Read every record of the journal and compare the logs with what was read from them. Raises NotReady for neither."""
    losses: list[str] = []
    notes: list[str] = []
    records = sessions = segments = 0
    usable = True
    journal = folder / JOURNAL
    analysis = folder / "derived" / "analysis.json"
    if not journal.is_dir() and not (folder / "logs").is_dir():
        raise NotReady(Fault(str(folder), "there is neither a journal nor a log", "name the folder of a campaign"))
    if journal.is_dir():
        chronicle = read_journal(journal)
        found = chronicle.survey
        records, sessions, segments = found.records, found.sessions, found.segments
        usable = found.usable
        losses += [f"{JOURNAL}/{item.file}:{item.line} {item.what} (byte {item.offset})" for item in found.damages]
        losses += [f"{JOURNAL}: records {first} to {last} are nowhere ({last - first + 1})" for first, last in found.missing]
        losses += [f"{JOURNAL}: session {number} was not ended; what came after its last record is not known"
                   for number in found.unclosed]
        losses += [f"{JOURNAL}/{name}: its head cannot be read" for name in found.headless]
        losses += [f"{JOURNAL}: {text}" for text in found.alarms]
        if not found.segments:
            losses.append(f"{JOURNAL}: it holds no segment")
        _, abandoned = steps_of(chronicle)
        notes += [f"step {escape(name)} was begun and not finished; its data are kept, not used" for name in abandoned]
        losses += [f"{name} is not what the journal says" for name in changed_logs(chronicle, folder)]
    losses += _changed_since(folder, analysis)
    return Verified(records, sessions, segments, tuple(losses), tuple(notes), usable)


def _changed_since(folder: Path, analysis: Path) -> list[str]:
    """Return the raw logs that are not what the kept analysis was made from."""
    from phasewright.logs import Fingerprint, verify_file

    if not analysis.is_file():
        return []
    try:
        raw = json.loads(analysis.read_text(encoding="utf-8"))
    except ValueError:
        return [f"derived/{analysis.name} cannot be read - delete it, and analyze again"]
    marks = {(item["file"], item["size"], item["sha256"]) for item in _fingerprints(raw)}
    return [f"{escape(file)} is not the file that was analyzed" for file, size, sha in sorted(marks)
            if not verify_file(folder, Fingerprint(file, size, sha))]


def _fingerprints(value: object) -> list[dict]:
    if isinstance(value, dict):
        own = [value] if {"file", "size", "sha256"} <= value.keys() else []
        return own + [found for item in value.values() for found in _fingerprints(item)]
    if isinstance(value, list):
        return [found for item in value for found in _fingerprints(item)]
    return []
