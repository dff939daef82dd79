"""Both files of a campaign folder at once: faults, and cautions about what is allowed but doubtful."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from phasewright.bench._toml_text import Source
from phasewright.bench.cautions import bench_cautions, campaign_cautions
from phasewright.bench.faults import escape
from phasewright.bench.read import in_order, load_bench, load_campaign
from phasewright.bench.records import Campaign, Checked


def check_folder(folder: str | Path) -> Checked:
    """Return both files of a campaign folder as records, with every fault and every caution of both.

    A file with faults gives no record. Log files that the campaign names must be there, be regular files and lie
    inside the folder.
    """
    folder = Path(folder)
    bench, bench_source = load_bench(folder)
    campaign, source = load_campaign(folder, bench, bench_source)
    missing: tuple[str, ...] = ()
    if campaign is not None:
        _check_files(folder, campaign, source)
        missing = _unlisted(folder, campaign)
    cautions: tuple[str, ...] = ()
    if bench is not None:
        cautions += bench_cautions(bench)
    if campaign is not None:
        cautions += campaign_cautions(campaign, bench)
    return Checked(
        bench=None if bench_source.faults else bench,
        campaign=None if source.faults else campaign,
        faults=in_order(bench_source.faults) + in_order(source.faults),
        cautions=cautions + missing,
    )


def _check_files(folder: Path, campaign: Campaign, source: Source) -> None:
    """Report log files that are not there, are no regular files, or lead out of the folder by a link."""
    home = folder.resolve()
    for index, log in enumerate(campaign.logs):
        for name in log.files:
            problem = _file_problem(home, name)
            if problem is not None:
                source.add(_place(source, index, name), f'the file "{escape(name)}" {problem[0]}', problem[1])


def _place(source: Source, index: int, name: str) -> tuple[str | int, ...]:
    """Return where the file of a log is named: in the log's own block, or in the step whose file it is."""
    raw = (source.raw or {}).get("log", [])
    if index < len(raw) and isinstance(raw[index], dict) and "file" in raw[index]:
        return ("log", index, "file")
    listed = raw[index].get("files") if index < len(raw) and isinstance(raw[index], dict) else None
    if isinstance(listed, list) and name in listed:
        return ("log", index, "files", listed.index(name))
    for number, step in enumerate((source.raw or {}).get("step", [])):
        files = step.get("files") if isinstance(step, dict) else None
        if isinstance(files, dict) and name in files.values():
            return ("step", number, "files")
    return ("log", index)


def _file_problem(home: Path, name: str) -> tuple[str, str] | None:
    path = home / name
    try:
        real = path.resolve(strict=True)
        mode = os.stat(real).st_mode
    except FileNotFoundError:
        return "is not there", "put it there, or mend its name"
    except (OSError, RuntimeError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        return f"cannot be reached ({escape(reason)})", "name a file inside the campaign folder"
    if not real.is_relative_to(home):
        return "leads out of the campaign folder", "copy the file itself into logs/"
    if not stat.S_ISREG(mode):
        return "is not a regular file", "name a text file"
    if not os.access(real, os.R_OK):
        return "may not be read", "give yourself the right to read it"
    return None


def _unlisted(folder: Path, campaign: Campaign) -> tuple[str, ...]:
    """Return a caution that names the files in logs/ that no log mentions."""
    known = {name for log in campaign.logs for name in log.files}
    try:
        with os.scandir(folder / "logs") as entries:
            found = sorted(item.name for item in entries if item.is_file(follow_symlinks=False))
    except OSError:
        return ()
    rest = [name for name in found if f"logs/{name}" not in known and not name.startswith(".")]
    if not rest:
        return ()
    shown = ", ".join(escape(name) for name in rest[:5]) + (f" and {len(rest) - 5} more" if len(rest) > 5 else "")
    return (f"campaign.toml: no log names {shown} - bring each in with: phasewright read {escape(folder.name) or 'DIR'} LOG",)
