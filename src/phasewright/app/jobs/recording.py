"""Run the plan at the bench, and prove what was recorded there."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from phasewright.app.jobs.foreseeing import known_model
from phasewright.app.jobs.progress import Progress, quiet

if TYPE_CHECKING:
    from phasewright.app.recording_files import Verified
    from phasewright.app.recording_run import Recorded
    from phasewright.app.recording_scene import Person
    from phasewright.app.recording_terminal import TerminalPerson
    from phasewright.app.recording_viewer import Attended
    from phasewright.bench import Bench, Campaign
    from phasewright.model import Fitted


def record(
    folder: str | Path, person: Person | None, *, may_start: Callable[[tuple[tuple[str, ...], ...]], bool] | None = None,
    measured: bool = True, progress: Progress | None = None,
) -> Recorded:
    """Take `person` through what is left of the campaign's plan at the bench, recording all of it.

    Parameters
    ----------
    person
        Is told what to set by hand, shown every moment, and asked before each step. The page shows the same and takes
        answers too; None = the page alone.
    may_start
        Asked once, with every program that the bench file starts (loads, loggers, what is done in need); None = that is
        asked on the page.
    measured
        False: foresee from part data alone, even when steps have been run.

    Raises
    ------
    BenchFault, NotReady
        Before anything is started; an instrument that is merely away is no fault.
    """
    from phasewright.app.recording_run import record as run

    said = [progress or quiet]

    def known(bench: Bench, campaign: Campaign) -> Fitted:
        # Once the table stands, a line of progress would run through it.
        return known_model(Path(folder), bench, campaign, measured, said.pop() if said else quiet)

    return run(Path(folder), person, known=known, may_start=may_start)


def attend_record(folder: str | Path, terminal: TerminalPerson) -> Attended | None:
    """Show the run that is under way in `folder` at a second terminal until it ends; None when none is under way.

    It can be answered and stopped there too; leaving it does nothing to the run.
    """
    from phasewright.app.recording_board import under_way

    place = Path(folder)
    if under_way(place) is None:
        return None
    from phasewright.app.recording_viewer import attend

    return attend(place, terminal)


def begin_record(folder: str | Path, *, patience: float = 20.0) -> None:
    """Begin `record` in a process of its own, to be taken through on the page; return once it can be seen there.

    It outlives whoever began it. Raises NotReady when another run is under way, or when it cannot begin within
    `patience` [s].
    """
    import subprocess
    import sys
    import threading
    import time

    from phasewright.app.recording_board import PLACE, look
    from phasewright.bench import Fault, NotReady

    place = Path(folder).resolve()
    before = look(place)
    log = place / PLACE / "guide.log"
    try:
        log.parent.mkdir(parents=True, exist_ok=True)
        with log.open("wb") as stream:
            process = subprocess.Popen([sys.executable, "-c", _BEGIN, str(place)], stdin=subprocess.DEVNULL, stdout=stream,
                                       stderr=stream, start_new_session=True,
                                       creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0))  # Windows
    except OSError as error:
        raise NotReady(Fault(str(place), f"the run cannot begin ({error.strerror or error})",
                             "use a folder that may be written")) from None
    threading.Thread(target=process.wait, daemon=True).start()
    until = time.monotonic() + patience
    while time.monotonic() < until:
        seen = look(place)
        if seen is not None and (before is None or seen.state["run"] != before.state["run"]):
            return
        if process.poll() is not None:
            break
        time.sleep(0.05)
    said = log.read_text(encoding="utf-8", errors="replace").strip().splitlines()
    raise NotReady(Fault(str(place), said[-1][:300] if said else "the run does not begin",
                         "let the run that is under way end, or try: phasewright record"))


_BEGIN = """
import sys
from phasewright.app import jobs
from phasewright.bench import PhasewrightError
try:
    jobs.record(sys.argv[1], None)
except PhasewrightError as error:
    sys.exit("; ".join(f"{fault.what} - {fault.mend}" for fault in error.faults))
"""


def verify_record(folder: str | Path) -> Verified:
    """Read every record of a campaign's journal again, and compare its logs with what was read from them.

    Raises NotReady where there is neither a journal nor a log.
    """
    from phasewright.app.recording_files import verify_folder

    return verify_folder(Path(folder))
