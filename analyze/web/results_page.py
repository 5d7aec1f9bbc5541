"""The answer of the session as the report gives it, following the decisions made, and everything to take away."""

import base64
import hashlib
import io
import re
import zipfile
from pathlib import Path

from fastapi import APIRouter
from fastapi.responses import FileResponse, HTMLResponse, Response

from analyze.report.build import PAGE_NAME, build_report
from analyze.web.desk import Desk, TheDesk
from analyze.web.guard import CONTENT_POLICY
from analyze.web.pages import fragment, page
from calibrate.errors import SessionError

router = APIRouter()
_KINDS = {
    ".csv": "text/csv; charset=utf-8",
    ".html": "text/html; charset=utf-8",
    ".png": "image/png",
    ".svg": "image/svg+xml",
    ".pdf": "application/pdf",
    ".mp4": "video/mp4",
}


@router.get("/results", include_in_schema=False)
def results_view(desk: TheDesk) -> HTMLResponse:
    """Show the answer; the page asks for it by itself, as working it out takes a moment."""
    listing = desk.listing()
    config = listing.session.config
    return page(
        "results.html.j2",
        here="results",
        title=config.session.name or listing.session.folder.resolve().name,
        shots=len(listing.stored),
        counted=sum(one.kept for one in listing.stored),
        to_look_at=sum(one.needs_a_person for one in listing.stored),
    )


@router.post("/api/report")
def make_report(desk: TheDesk) -> dict[str, str]:
    """Make report, tables and plots anew from the decisions of now, and return what the page shows of them."""
    with desk.reporting:
        _, made = build_report(desk.folder)
    pictures = [path for path in made.files if path.suffix == ".png"]
    files = _files(desk)
    html = fragment(
        "answer.html.j2",
        sentences=made.sentences,
        notes=made.notes,
        pictures=[(path.name, int(path.stat().st_mtime)) for path in pictures],
        files=sorted(files, key=lambda name: (Path(name).parent.as_posix() != ".", name)),
    )
    return {"html": html}


@router.get("/out/{name:path}", include_in_schema=False)
def take_away(desk: TheDesk, name: str) -> Response:
    """Return one of the files that the report is made of, to keep."""
    path = _files(desk).get(name)
    if path is None:
        raise SessionError("there is no such file among the results; make the report again")
    headers = {"Content-Disposition": f'attachment; filename="{_plain(path.name)}"'}
    if path.suffix == ".png":
        headers["Content-Disposition"] = headers["Content-Disposition"].replace("attachment", "inline")
    return FileResponse(path, media_type=_KINDS[path.suffix], headers=headers)


@router.get("/report", include_in_schema=False)
def report_page(desk: TheDesk) -> HTMLResponse:
    """Return the report to read: a page of its own, whose only styles are those that it was made with."""
    path = _files(desk).get(PAGE_NAME)
    if path is None:
        raise SessionError("there is no report yet; look at the results first")
    text = path.read_text(encoding="utf-8")
    hashes = {
        base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
        for style in re.findall(r"<style>(.*?)</style>", text, flags=re.S)
    }
    styles = " ".join(f"'sha256-{digest}'" for digest in sorted(hashes)) or "'none'"
    policy = CONTENT_POLICY.replace("script-src 'self'", "script-src 'none'")
    policy = policy.replace("style-src 'self'", f"style-src {styles}").replace("blob:", "data:")
    return HTMLResponse(text, headers={"Content-Security-Policy": policy})


@router.get("/everything.zip", include_in_schema=False)
def everything(desk: TheDesk) -> Response:
    """Return report, tables, plots and drawn pictures as one archive; drawn clips stay in the folder."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, path in _files(desk).items():
            if path.suffix != ".mp4":
                archive.write(path, name)
    stem = _plain(desk.folder.resolve().name)
    headers = {"Content-Disposition": f'attachment; filename="{stem}-results.zip"'}
    return Response(packed.getvalue(), media_type="application/zip", headers=headers)


def _files(desk: Desk) -> dict[str, Path]:
    """Return what there is to take away, by name; nothing else has a name here."""
    out = desk.session().out_folder
    if not out.is_dir():
        return {}
    root = out.resolve()
    return {
        path.relative_to(out).as_posix(): path
        for path in sorted(out.rglob("*"))
        if path.suffix in _KINDS and path.is_file() and path.resolve().is_relative_to(root)
    }


def _plain(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9._-]+", "-", name) or "railread"
