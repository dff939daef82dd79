"""Jobs in the background: each with progress, a way to cancel it, and questions that it may ask a person.

A job belongs to the server, not to the page that began it: closing the page changes nothing.
"""

from __future__ import annotations

import itertools
import logging
import threading
from collections.abc import Callable
from typing import Any

from phasewright.bench import Fault, PhasewrightError, escape

LOG = logging.getLogger("phasewright.page")
KEPT = 64
"""Jobs that have ended and are still told of."""


class Cancelled(Exception):
    """Raised inside a job when a person has cancelled it."""


class Job:
    """One piece of work with its progress. Read from any thread."""

    def __init__(self, number: int, campaign: str, kind: str, title: str):
        self.id = f"{number}"
        self.campaign, self.kind, self.title = campaign, kind, title
        self.fraction, self.text = 0.0, "waiting for its turn"
        self.state = "waiting"
        """waiting | running | asking | done | failed | cancelled"""
        self.faults: tuple[Fault, ...] = ()
        self.failure = ""
        """Id of an unexpected failure; the log of the server tells more under it."""
        self.result: Any = None
        self.tried = ""
        """Fingerprint of the files that it was begun for."""
        self.question: Any = None
        self._answer: Any = None
        self._cancel = threading.Event()
        self._answered = threading.Event()

    @property
    def active(self) -> bool:
        """Whether it is still on its way."""
        return self.state in ("waiting", "running", "asking")

    def progress(self, fraction: float, text: str) -> None:
        """Say how far it is; raises Cancelled when a person wants it to end."""
        if self._cancel.is_set():
            raise Cancelled
        self.fraction, self.text = min(max(float(fraction), 0.0), 1.0), escape(str(text), 200)

    def cancel(self) -> None:
        """Ask the job to end; it does at its next sign of progress."""
        self._cancel.set()
        self._answered.set()

    def ask(self, question: Any) -> Any:
        """Wait for a person's answer to `question` and return it."""
        self.question, self.state = question, "asking"
        self._answered.wait()
        # The question stays: a page that read "asking" a moment ago still shows what was asked.
        self.state = "running"
        if self._cancel.is_set():
            raise Cancelled
        return self._answer

    def answer(self, answer: Any) -> None:
        """Give the answer that the job waits for."""
        self._answer, self.state = answer, "running"
        self._answered.set()


class Work:
    """All jobs of the server; one computes at a time, others wait."""

    def __init__(self) -> None:
        self._numbers = itertools.count(1)
        self._jobs: dict[str, Job] = {}
        self._lock = threading.Lock()
        self._turn = threading.Lock()

    def begin(self, campaign: str, kind: str, title: str, run: Callable[[Job], Any], *, waits: bool = False) -> Job:
        """Begin `run(job)` in the background; a job of the same kind on the same campaign is not begun twice.

        `waits` = the job may wait for a person, so that others may compute meanwhile.
        """
        with self._lock:
            for job in self._jobs.values():
                if job.active and not waits and (job.campaign, job.kind) == (campaign, kind):
                    return job
            job = Job(next(self._numbers), campaign, kind, title)
            self._jobs[job.id] = job
            for old in [item.id for item in self._jobs.values() if not item.active][:-KEPT]:
                del self._jobs[old]
        threading.Thread(target=self._run, args=(job, run, waits), name=f"job-{job.id}", daemon=True).start()
        return job

    def job(self, number: str) -> Job | None:
        """Return the job with this id."""
        return self._jobs.get(number)

    def of(self, campaign: str) -> list[Job]:
        """Return the jobs of a campaign, the newest first."""
        with self._lock:
            return [job for job in reversed(self._jobs.values()) if job.campaign == campaign]

    def stop(self) -> None:
        """Ask every job to end."""
        with self._lock:
            for job in self._jobs.values():
                job.cancel()

    def _run(self, job: Job, run: Callable[[Job], Any], waits: bool) -> None:
        try:
            if waits:
                job.state = "running"
                job.result = run(job)
            else:
                with self._turn:
                    job.progress(0.0, job.text)
                    job.state = "running"
                    job.result = run(job)
            job.fraction, job.state = 1.0, "done"
        except Cancelled:
            job.state = "cancelled"
        except PhasewrightError as error:
            job.faults, job.state = error.faults, "failed"
        except Exception:
            job.failure, job.state = new_failure("job", job.title), "failed"


_FAILURES = itertools.count(1)


def new_failure(place: str, what: str) -> str:
    """Log the exception at hand under an id on one line, and return the id."""
    import traceback

    name = f"F{next(_FAILURES):04d}"
    story = escape(" | ".join(traceback.format_exc().strip().splitlines()[-12:]), 4000)
    LOG.error("%s %s %s: %s", name, place, escape(what, 200), story)
    return name
