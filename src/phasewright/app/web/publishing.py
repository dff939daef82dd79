"""The guide: written by a job, looked at, taken away as HTML, Markdown, pictures, tables, or as one data package."""

from __future__ import annotations

import base64
import hashlib
import io
import re
import zipfile
from pathlib import Path

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, Response

from phasewright.app import jobs
from phasewright.app.web.desk import Desk
from phasewright.app.web.shelf import Place
from phasewright.app.web.shelving import progress_html
from phasewright.app.web.view import render

KINDS = {
    ".html": "text/html; charset=utf-8", ".md": "text/markdown; charset=utf-8", ".svg": "image/svg+xml",
    ".png": "image/png", ".csv": "text/csv; charset=utf-8", ".zip": "application/zip",
    ".pdf": "application/pdf",
}  # fmt: skip


def guide_page(desk: Desk, place: Place, request: Request) -> Response:
    """Show what there is to take away, and what is being written."""
    checked = jobs.check(place.folder)
    found = guide_files(place.folder)
    running = [job for job in desk.work.of(place.id) if job.kind in ("guide", "package")]
    page = render(
        "guide.html.jinja", place=place, name=checked.campaign.name if checked.campaign else place.name,
        files=found, package=_package(place.folder), jobs=[job for job in running if job.active] or running[:1],
        figures=sorted(name for name in found if name.startswith("figures/") and name.endswith(".svg")),
        tables=sorted(name for name in found if name.startswith("tables/")), faults=checked.faults,
        analyzed=bool(checked.campaign and checked.campaign.logs),
    )  # fmt: skip
    return HTMLResponse(page)


def guide_files(folder: Path) -> dict[str, Path]:
    """Return the files of the guide by their names below it; only these are ever given."""
    guide = folder / "guide"
    if guide.is_symlink() or not guide.is_dir():
        return {}
    return {
        path.relative_to(guide).as_posix(): path
        for path in sorted(guide.rglob("*"))
        if path.is_file() and not path.is_symlink() and path.suffix in KINDS and ".." not in path.parts
    }


def _package(folder: Path) -> Path | None:
    path = folder / f"{folder.resolve().name or 'campaign'}-package.zip"
    return path if path.is_file() and not path.is_symlink() else None


def begin_guide(desk: Desk, place: Place, request: Request) -> Response:
    """Begin to write the guide."""
    return HTMLResponse(progress_html(desk.begin_guide(place), "guide"))


def begin_package(desk: Desk, place: Place, request: Request) -> Response:
    """Begin to write the data package."""
    job = desk.work.begin(place.id, "package", "Writing the data package",
                          lambda job: jobs.package(place.folder, progress=job.progress))  # fmt: skip
    return HTMLResponse(progress_html(job, "guide"))


def guide_file(desk: Desk, place: Place, request: Request) -> Response:
    """Give one file of the guide; the page itself is shown, under a policy that lets no script run in it."""
    name = request.path_params["name"]
    path = guide_files(place.folder).get(name)
    if path is None:
        raise HTTPException(404)
    if path.suffix != ".html" or request.query_params.get("save"):
        saved = re.sub(r"[^A-Za-z0-9._-]", "-", path.name)
        return FileResponse(path, media_type=KINDS[path.suffix],
                            headers={"content-disposition": f'attachment; filename="{saved}"'})  # fmt: skip
    text = path.read_text("utf-8", "replace")
    hashes = " ".join(f"'sha256-{_digest(style)}'" for style in re.findall(r"<style>(.*?)</style>", text, re.DOTALL)[:4])
    policy = (
        f"default-src 'none'; style-src {hashes or chr(39) + 'none' + chr(39)}; base-uri 'none'; form-action 'none'; "
        "frame-ancestors 'none'; sandbox allow-same-origin"
    )
    return HTMLResponse(text, headers={"content-security-policy": policy})


def _digest(style: str) -> str:
    return base64.b64encode(hashlib.sha256(style.encode("utf-8")).digest()).decode("ascii")


def blog_file(desk: Desk, place: Place, request: Request) -> Response:
    """Give the Markdown with its pictures and tables as one zip: its links are relative, so it works wherever it is put."""
    found = guide_files(place.folder)
    if "guide.md" not in found:
        raise HTTPException(404)
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, path in found.items():
            if name == "guide.md" or name.partition("/")[0] in ("figures", "tables"):
                packed.writestr(zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0)), path.read_bytes(), zipfile.ZIP_DEFLATED)
    return Response(stream.getvalue(), media_type="application/zip",
                    headers={"content-disposition": 'attachment; filename="guide-markdown.zip"'})  # fmt: skip


def package_file(desk: Desk, place: Place, request: Request) -> Response:
    """Give the data package."""
    path = _package(place.folder)
    if path is None:
        raise HTTPException(404)
    return FileResponse(path, media_type="application/zip",
                        headers={"content-disposition": 'attachment; filename="data-package.zip"'})  # fmt: skip
