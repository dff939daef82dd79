"""What is open on the desk: each campaign's study, made once and kept in memory until its files change."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

from phasewright.app import foresee, jobs
from phasewright.app.web.shelf import Place, Shelf
from phasewright.app.web.work import Job, Work
from phasewright.bench import NotReady

if TYPE_CHECKING:
    from phasewright.findings import Analysis, StepFinding
    from phasewright.model import Fitted
    from phasewright.report import Document, Figure, Table

OPEN_MOST = 4
"""Studies that are kept in memory."""


@dataclass(slots=True)
class Study:
    """An analyzed campaign, composed and drawn."""

    key: str
    """Fingerprint of the files that it was made from."""
    analysis: Analysis
    document: Document
    fitted: Fitted | None = None
    unfitted: str = ""
    """Why there is no model; '' while it is being fitted, or when there is one."""
    drawings: dict[str, tuple[str, str]] = field(default_factory=dict)
    figures: dict[str, Figure] = field(default_factory=dict)
    tables: dict[str, Table] = field(default_factory=dict)
    asked: dict[tuple[str, ...], str] = field(default_factory=dict)
    """HTML of the last answers to what if, by what was asked."""
    sections: dict[str, str] = field(default_factory=dict)
    """HTML of every section that does not depend on what is selected, by its anchor."""

    def step(self, number: int) -> StepFinding | None:
        """Return the step with this number, 1 = the first."""
        return self.analysis.steps[number - 1] if 1 <= number <= len(self.analysis.steps) else None


class Desk:
    """Everything that the server knows: the shelf, the work in hand and the studies that are open."""

    def __init__(self, shelf: Shelf, work: Work):
        self.shelf, self.work = shelf, work
        self.undo: dict[str, list[Any]] = {}
        """By campaign: its changes (`undoing.Change`), the newest last."""
        self.designs: dict[str, tuple[object, str]] = {}
        """By campaign: the marks of the files that its last design was told from, and what was told."""
        self.traces: OrderedDict[str, Any] = OrderedDict()
        """By campaign: its raw record, opened for the timeline."""
        self._studies: OrderedDict[str, Study] = OrderedDict()
        self._lock = threading.Lock()

    def study(self, place: Place) -> Study | None:
        """Return what was last made of the campaign, fresh or not."""
        with self._lock:
            found = self._studies.get(place.id)
            if found is not None:
                self._studies.move_to_end(place.id)
            return found

    def keep(self, place: Place, study: Study) -> None:
        """Put a study on the desk; the one that was not looked at for longest makes room."""
        with self._lock:
            self._studies[place.id] = study
            self._studies.move_to_end(place.id)
            while len(self._studies) > OPEN_MOST:
                self._studies.popitem(last=False)

    def begin_study(self, place: Place) -> Job:
        """Begin to work the campaign out in the background; one that is under way already is returned."""
        return self.work.begin(place.id, "study", "Working it out", lambda job: self._work_out(place, job.progress))

    def begin_guide(self, place: Place) -> Job:
        """Begin to write the guide in the background."""

        def run(job: Job) -> Any:
            from phasewright.report import can_set_pdf, write_guide

            study = self.study(place)
            if study is None or study.key != foresee.identity(place.folder) or (study.fitted is None and not study.unfitted):
                study = self._work_out(place, jobs.part_of(job.progress, 0.0, 0.6))
            plan = foresee.look_over(study.analysis.bench, study.analysis.campaign.steps, study.fitted)
            return write_guide(
                study.analysis, place.folder / "guide", fitted=study.fitted, plan=plan,
                design=jobs.kept_design(place.folder), pdf=can_set_pdf(), version=version("phasewright"),
                progress=jobs.part_of(job.progress, 0.6, 1.0),
            )  # fmt: skip

        return self.work.begin(place.id, "guide", "Writing the guide", run)

    def _work_out(self, place: Place, progress: Callable[[float, str], None]) -> Study:
        """Analyze, compose and draw; what was measured can be read before the model is fitted."""
        key = foresee.identity(place.folder)
        analysis = jobs.analyze(place.folder, progress=jobs.part_of(progress, 0.0, 0.4))
        study = compose(key, analysis, jobs.part_of(progress, 0.4, 0.55))
        self.keep(place, study)
        if not analysis.steps:
            study.unfitted = "The campaign has no steps yet."
            return study
        progress(0.55, "fitting the electro-thermal model")
        try:
            fitted = jobs.model(place.folder, analysis=analysis, progress=jobs.part_of(progress, 0.55, 0.75))
            progress(0.75, "looking over the plan")
            plan = foresee.look_over(analysis.bench, analysis.campaign.steps, fitted)
            progress(0.85, "asking the model")
            part = jobs.part_of(progress, 0.87, 1.0)
            study = compose(key, analysis, part, fitted=fitted, plan=plan, before=study)
        except NotReady as error:
            study.unfitted = " ".join(f"{fault.what} - {fault.mend}." for fault in error.faults)
            return study
        self.keep(place, study)
        return study


def compose(
    key: str, analysis: Analysis, progress: Callable[[float, str], None], *, fitted: Any = None, plan: Any = None,
    before: Study | None = None,
) -> Study:  # fmt: skip
    """Return the study of an analysis: its chapters with every figure drawn.

    What is drawn in `before`, a study of the same analysis, and says the same is not drawn again.
    """
    from phasewright.report import guide_document, inline_figure

    progress(0.0, "composing the page")
    document = guide_document(analysis, version=version("phasewright"), fitted=fitted, plan=plan)
    study = Study(key, analysis, document, fitted)
    study.figures = {figure.name: figure for figure in document.figures()}
    study.tables = {table.name: table for table in document.tables()}
    for index, figure in enumerate(document.figures()):
        progress(0.2 + 0.8 * index / len(study.figures), f"drawing {figure.name}")
        known = before is not None and figure.name in before.figures and _told(before.figures[figure.name]) == _told(figure)
        study.drawings[figure.name] = before.drawings[figure.name] if known else inline_figure(figure)
    return study


def _told(figure: Figure) -> tuple[object, ...]:
    """Return everything that a figure says: two that say the same, of one analysis, look the same."""
    return (figure.title, figure.subtitle, figure.description, figure.note, figure.numbers)
