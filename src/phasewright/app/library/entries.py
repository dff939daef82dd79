"""One campaign folder as an entry of the library: what it is, what its analysis says, and whether that still holds."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

BENCH_FILE, CAMPAIGN_FILE, ANALYSIS = "bench.toml", "campaign.toml", "derived/analysis.json"
DEEPEST = 4
"""Levels of folders that are looked through."""
KEPT = (
    "input_power", "package_power", "rail_power", "rail_current", "loss", "conversion_loss", "path_loss",
    "delivery_efficiency", "conversion_efficiency", "regulator_temperature", "regulator_rise",
    "regulator_rise_over_ambient", "coolant_temperature", "coolant_rise", "ambient_temperature", "phase_current",
    "stage_current", "contact_current", "thermal_resistance", "inductor_temperature", "board_temperature",
    "processor_temperature", "connector_temperature",
)  # fmt: skip
"""Figures that can be asked for."""
_DAY = re.compile(r"\d{4}-\d\d-\d\d(?=$|[T ])")


@dataclass(frozen=True, slots=True)
class Step:
    """One step of an analyzed campaign."""

    name: str
    verdict: str
    settings: str
    """What else was set, in words."""
    phase_count: float | None
    package_power: float | None
    """[W], as set, else as measured."""
    rail_current: float | None
    """[A], as set, else as measured."""
    figures: Mapping[str, Mapping[str, Any]]
    """By name: value, unit, u, low95, high95, kind, reason."""


@dataclass(frozen=True, slots=True)
class Entry:
    """What the library knows of one campaign."""

    folder: str
    """Below the library's folder, parts joined by /."""
    state: str
    """ready | changed | not analyzed | faulty"""
    why: str
    name: str = ""
    board: str = ""
    cooler: str = ""
    coolant: str = ""
    day: str = ""
    phases_fitted: int | None = None
    simulated: bool = False
    logs: int = 0
    planned: int = 0
    """Steps that the campaign file lists."""
    faults: int = 0
    steps: tuple[Step, ...] = field(default=())
    """What the analysis says of each step."""


def campaign_folders(root: Path) -> Iterator[Path]:
    """Yield every campaign folder below `root` (or `root` itself), by name; links and hidden folders are passed over."""
    level = [root]
    for _ in range(DEEPEST):
        deeper: list[Path] = []
        for folder in level:
            if (folder / CAMPAIGN_FILE).is_file() or (folder / BENCH_FILE).is_file():
                yield folder
                continue
            try:
                with os.scandir(folder) as inside:
                    names = sorted(item.name for item in inside if item.is_dir(follow_symlinks=False))
            except OSError:
                continue
            deeper += [folder / name for name in names if not name.startswith(".")]
        level = deeper


def marks_of(folder: Path) -> str:
    """Return what tells that nothing has changed: size and time of change of the files, and of everything in logs."""
    found = []
    for name in (BENCH_FILE, CAMPAIGN_FILE, ANALYSIS):
        try:
            facts = os.stat(folder / name)
            found.append(f"{facts.st_size}.{facts.st_mtime_ns}")
        except OSError:
            found.append("-")
    found += [f"{name}={size}.{changed}" for name, size, changed in _logs(folder / "logs", "")]
    return " ".join(found)


def _logs(folder: Path, before: str) -> list[tuple[str, int, int]]:
    try:
        with os.scandir(folder) as inside:
            items = sorted(inside, key=lambda item: item.name)
    except OSError:
        return []
    found = []
    for item in items:
        if item.is_dir(follow_symlinks=False):
            found += _logs(folder / item.name, f"{before}{item.name}/")
        else:
            facts = item.stat()
            found.append((before + item.name, facts.st_size, facts.st_mtime_ns))
    return found


def entry_of(folder: Path, name: str) -> Entry:
    """Return what there is to know of the campaign in `folder`, which the library calls `name`.

    Its figures are taken only where the fingerprints of the analysis are those of the files beside it.
    """
    from phasewright.bench import check_folder

    checked = check_folder(folder)
    bench, campaign = checked.bench, checked.campaign
    if bench is None or campaign is None:
        fault = checked.faults[0] if checked.faults else None
        why = f"{Path(fault.file).name}: {fault.what} - {fault.mend}" if fault else "cannot be read"
        return Entry(name, "faulty", why, faults=len(checked.faults), name=campaign.name if campaign else "")
    facts: dict[str, Any] = {
        "name": campaign.name, "board": bench.board.name, "cooler": cooler_of(bench), "coolant": bench.cooling.coolant,
        "phases_fitted": bench.regulator.phase_count, "simulated": bool(bench.simulated or campaign.simulated),
        "logs": len(campaign.logs), "planned": len(campaign.steps), "faults": len(checked.faults),
    }  # fmt: skip
    try:
        found = json.loads((folder / ANALYSIS).read_text(encoding="utf-8"))
        why = _changed(folder, found["campaign"], bench.fingerprint, campaign.fingerprint)
        facts["day"] = day_of(found["campaign"].get("origin") or "")
        steps = tuple(_step(item) for item in found["steps"])
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return Entry(name, "not analyzed", f"phasewright analyze {folder}", **facts)
    if why:
        return Entry(name, "changed", f"{why}; phasewright analyze {folder}", **facts)
    return Entry(name, "ready", "", steps=steps, **facts)


def cooler_of(bench: Any) -> str:
    """Return what cools the regulator, as stated: its description, else its parts, else the kind of coolant."""
    cooling = bench.cooling
    parts = ", ".join(part.name for part in cooling.chain)
    return cooling.description or (f"{cooling.coolant}: {parts}" if parts else cooling.coolant)


def day_of(origin: str) -> str:
    """Return the day of a stamp that begins with a date; '' for others."""
    found = _DAY.match(origin)
    return found[0] if found else ""


def _changed(folder: Path, told: Mapping[str, Any], bench: str, campaign: str) -> str:
    """Return which file the analysis was not made from; '' when it still holds."""
    from phasewright.logs import file_hash

    if told["bench"]["fingerprint"] != bench:
        return f"{BENCH_FILE} has changed since the analysis"
    if told["fingerprint"] != campaign:
        return f"{CAMPAIGN_FILE} has changed since the analysis"
    made = os.stat(folder / ANALYSIS).st_mtime_ns
    for item in told["files"]:
        try:
            facts = os.stat(folder / item["file"])
            # A log that was not touched since the analysis is the one that was analyzed: gigabytes need not be read.
            same = facts.st_size == item["size"] and (
                facts.st_mtime_ns < made or file_hash(folder / item["file"]) == item["sha256"]
            )
        except OSError:
            same = False
        if not same:
            return f"{item['file']} has changed since the analysis"
    return ""


def _step(told: Mapping[str, Any]) -> Step:
    figures = {name: told["quantities"][name] for name in KEPT if name in told["quantities"]}
    settings = {key: value for key, value in told["settings"].items() if value is not None}

    def known(name: str) -> float | None:
        stated = settings.get(name)
        if isinstance(stated, int | float):
            return float(stated)
        measured = told["quantities"].get(name)
        return None if measured is None else measured["value"]

    words = "; ".join(
        value if key == "load" else f"{key.replace('_', ' ')} {value:g}" if isinstance(value, int | float) else str(value)
        for key, value in settings.items()
        if key not in ("phase_count", "package_power", "rail_current")
    )
    return Step(
        told["name"], told["verdict"], words, known("phase_count"), known("package_power"), known("rail_current"),
        figures,
    )  # fmt: skip
