"""Begin a campaign: lay it down, check it, bring its logs in."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from phasewright.app.jobs.progress import Progress, quiet

if TYPE_CHECKING:
    from phasewright.app.bring import ReadResult
    from phasewright.bench import Checked


@dataclass(frozen=True, slots=True)
class NewResult:
    """A campaign folder laid down."""

    folder: Path
    files: tuple[Path, ...]


def new(folder: str | Path) -> NewResult:
    """Lay down a campaign folder with commented bench.toml and campaign.toml.

    Raises
    ------
    BenchFault
        When the folder already holds a campaign; nothing is overwritten.
    """
    from phasewright.bench import lay_down

    return NewResult(Path(folder), lay_down(Path(folder)))


def check(folder: str | Path) -> Checked:
    """Return both files of the campaign as records, with every fault and caution of both at once."""
    from phasewright.bench import check_folder

    return check_folder(Path(folder))


def read(
    folder: str | Path,
    log: str | Path,
    *,
    name: str = "",
    instrument: str = "",
    channel_map: Mapping[str, str] | None = None,
    choose: Callable[[ReadResult], Mapping[str, str]] | None = None,
    append: bool = False,
    strict: bool = False,
    progress: Progress | None = None,
) -> ReadResult:
    """Bring one log into the campaign: copy it unchanged, read it, map its columns to channels, keep the map.

    Parameters
    ----------
    folder
        Campaign folder.
    log
        The log file; a file outside the campaign is copied into its ``logs`` folder, byte for byte.
    name
        What the log is called in campaign.toml; '' = the file's stem.
    instrument
        Instrument on the bench that wrote it; '' = the log's name. An instrument that is not on the bench is added
        to bench.toml with nothing stated about its accuracy.
    channel_map
        Channel name -> column name (or ``#3``, or a product ``U1 * I1 + U2 * I2`` of column names).
        None = take the suggestions.
    choose
        Called with the result so far to let a person confirm or change the map.
    append
        Take the file as a further one of the log that is called `name`, with the map that the log has.
    strict
        Refuse instead of repairing.

    Raises
    ------
    LogFault
        When the file cannot be read as it stands.
    BenchFault
        When the campaign's own files are at fault.
    """
    from phasewright.app.bring import bring_log

    return bring_log(
        Path(folder), Path(log), name=name, instrument=instrument, channel_map=channel_map, choose=choose,
        strict=strict, progress=progress or quiet, append=append,
    )
