"""Write the guide: all of it or nothing."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from phasewright.design import Design
from phasewright.findings import Analysis
from phasewright.model import Fitted
from phasewright.plan import Plan, Readiness
from phasewright.report.chapters import guide_document
from phasewright.report.document import Layout
from phasewright.report.html import NARROW, WIDE, html_text
from phasewright.report.markdown import markdown_of
from phasewright.report.pdf import PRINT, pdf_of, require_pdf
from phasewright.report.tables import csv_of

Progress = Callable[[float, str], None]


@dataclass(frozen=True, slots=True)
class GuideFiles:
    """Where the guide was written."""

    folder: Path
    html: Path
    markdown: Path
    figures: tuple[Path, ...]
    """SVG and PNG of every figure."""
    tables: tuple[Path, ...]
    """CSV of every table."""
    pdf: Path | None = None
    """The guide as PDF, when it was asked for."""


def _write(path: Path, content: str | bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)


def _make(
    analysis: Analysis,
    folder: Path,
    progress: Progress,
    version: str,
    fitted: Fitted | None,
    plan: Plan | Readiness | None,
    design: Design | None,
    pdf: bool,
) -> None:
    """Write every file of the guide into an empty `folder`."""
    from phasewright.report import canvas

    document = guide_document(analysis, version=version, fitted=fitted, plan=plan, design=design)
    simulated = bool(document.banner)
    figures, tables = document.figures(), document.tables()
    drawings, printed = {}, {}
    for index, figure in enumerate(figures):
        progress(0.05 + 0.85 * index / max(1, len(figures)), f"drawing {figure.name}")
        wide = canvas.draw_plate(figure, Layout(WIDE), f"{figure.name}-w-")
        narrow = canvas.draw_plate(figure, Layout(NARROW), f"{figure.name}-n-")
        drawings[figure.name] = (wide.inline(), narrow.inline())
        _write(folder / "figures" / f"{figure.name}.svg", wide.standalone(document.banner))
        _write(folder / "figures" / f"{figure.name}.png", wide.png(document.banner))
        if pdf:
            paper = canvas.draw_plate(figure, Layout(max(PRINT, figure.least)), f"{figure.name}-p-")
            printed[figure.name] = (paper.printed(), paper.width, paper.height)
    progress(0.92, "writing tables")
    for table in tables:
        _write(folder / "tables" / f"{table.name}.csv", csv_of(table, simulated))
    _write(folder / "guide.md", markdown_of(document))
    progress(0.94, "writing the page")
    _write(folder / "index.html", html_text(document, drawings, links=lambda name: f"tables/{name}.csv"))
    if pdf:
        progress(0.96, "setting the PDF")
        _write(folder / "guide.pdf", pdf_of(document, printed))


def _is_ours(path: Path) -> bool:
    """Tell whether a file in a guide folder is one that this module writes (path relative to the folder)."""
    if path.as_posix() in ("index.html", "guide.md", "guide.pdf"):
        return True
    return (
        len(path.parts) == 2
        and path.parts[0] in ("figures", "tables")
        and path.suffix in {"figures": (".svg", ".png"), "tables": (".csv",)}[path.parts[0]]
    )


def _carry_over(old: Path, new: Path) -> None:
    """Copy what a person has put beside an older guide into the new one."""
    for path in sorted(old.rglob("*")):
        place = path.relative_to(old)
        if path.is_file() and not _is_ours(place) and not (new / place).exists():
            (new / place).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(path, new / place)


def write_guide(
    analysis: Analysis,
    folder: Path | str,
    *,
    fitted: Fitted | None = None,
    plan: Plan | Readiness | None = None,
    design: Design | None = None,
    pdf: bool = False,
    progress: Progress | None = None,
    version: str = "",
) -> GuideFiles:
    """Write the guide of a campaign into `folder`: index.html, guide.md, figures/, tables/ and, when
    asked for, guide.pdf.

    The guide is made beside `folder` and put in its place when it is whole; an older guide stays until then. Files
    that a person has added to the folder are kept. The same analysis gives the same bytes.

    Parameters
    ----------
    analysis
        What was found.
    folder
        Where the guide goes; made if need be.
    fitted
        The model of the same bench: adds why, how near to runaway and what if. None: the guide says what was measured.
    plan
        The steps to come, as a plan or as their readiness: adds what next. None: no such chapter.
    design
        What a search for a design found: adds what would be enough. None: no such chapter.
    pdf
        True: set it as PDF too; that takes the package typst (extra `pdf`).
    progress
        Called as progress(fraction, text), or None.
    version
        Version of the software, printed in the guide.

    Raises
    ------
    NotReady
        When a PDF is asked for and typst is not installed; nothing is written then.
    OSError
        When the folder cannot be written; whatever stood there before is still there.
    """
    if pdf:
        require_pdf()
    target = Path(folder)
    tell = progress or (lambda fraction, text: None)
    target.parent.mkdir(parents=True, exist_ok=True)
    if target.exists() and not target.is_dir():
        raise NotADirectoryError(f"folder = {target} - is a file - give a folder for the guide")
    tell(0.0, "composing the guide")
    fresh = Path(tempfile.mkdtemp(prefix=f".{target.name}.", suffix=".part", dir=target.parent))
    try:
        _make(analysis, fresh, tell, version, fitted, plan, design, pdf)
        names = sorted(path.relative_to(fresh) for path in fresh.rglob("*") if path.is_file())
        fresh.chmod(0o755)
        if target.exists():
            _carry_over(target, fresh)
            old = Path(tempfile.mkdtemp(prefix=f".{target.name}.", suffix=".old", dir=target.parent)) / "guide"
            os.replace(target, old)
            try:
                os.replace(fresh, target)
            except OSError:
                os.replace(old, target)
                raise
            finally:
                shutil.rmtree(old.parent, ignore_errors=True)
        else:
            os.replace(fresh, target)
    except BaseException:
        shutil.rmtree(fresh, ignore_errors=True)
        raise
    tell(1.0, "guide written")
    pick = {part: tuple(target / n for n in names if n.parts[0] == part) for part in ("figures", "tables")}
    return GuideFiles(
        target, target / "index.html", target / "guide.md", pick["figures"], pick["tables"],
        target / "guide.pdf" if pdf else None,
    )  # fmt: skip
