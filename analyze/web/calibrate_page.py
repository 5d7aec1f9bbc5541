"""Clicking the marks: a frame in colour, the mark that is asked for, and what the marks so far give."""

import math
from dataclasses import replace
from typing import Any, Literal

import numpy as np
from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response
from pydantic import BaseModel, Field
from skimage.measure import blur_effect

from analyze.fit.cue_expected import expected_cue_sentences
from analyze.measure.expected import expected_of_session
from analyze.report.expected import expected_lines
from analyze.session.auto_marks import auto_marks
from analyze.session.calibration import calibrate_session
from analyze.session.camera_place import place_name
from analyze.session.draft import Answer, Draft, answers_from, keep_draft, read_draft, save_draft
from analyze.session.folder import Session
from analyze.session.marks_file import take_marks
from analyze.session.store import Store
from analyze.web.desk import Desk, TheDesk, id_of, recordings
from analyze.web.marks_fit import drawing, fit_of, take_all_that_fit
from analyze.web.pages import page
from analyze.web.pictures import still_jpeg
from calibrate.arrays import Floats
from calibrate.asked import mark_words, marks_to_ask
from calibrate.errors import MarksError, RailreadError, SessionError
from calibrate.marks import same_mark
from calibrate.notices import notices, plus_side_sentence
from calibrate.precision import expected_precision
from tracker.clip import still_luma

router = APIRouter()
_LOOKED_AT = 5  # recordings compared for the sharpest


class Change(BaseModel):
    """One change to the marks, made by somebody who saw them at `version`."""

    version: int = Field(ge=0, le=2**53)
    do: Literal["put", "skip", "forget", "undo", "take_all", "printed", "frame", "anew"]
    name: str = Field(default="", max_length=60)
    u_px: float = Field(default=0.0, ge=-1, le=100000, allow_inf_nan=False)
    v_px: float = Field(default=0.0, ge=-1, le=100000, allow_inf_nan=False)
    taken: bool = False
    clip_id: str = Field(default="", max_length=40)


class Wanted(BaseModel):
    """Which version of the marks is meant."""

    version: int = Field(ge=0, le=2**53)


@router.get("/calibrate", include_in_schema=False)
def calibrate_view(desk: TheDesk) -> HTMLResponse:
    """Show the frame and the marks."""
    session = desk.session()
    return page(
        "calibrate.html.j2",
        here="calibrate",
        title=session.config.session.name or session.folder.resolve().name,
        clips=recordings(session),
        unit=session.config.scale.unit,
        place=place_name(session.place),
        others=[place_name(other) for other in session.places if other != session.place],
    )


@router.get("/api/marks")
def marks_now(desk: TheDesk) -> dict[str, Any]:
    """Return the marks as far as they are clicked, and the one that is asked for."""
    session = desk.session()
    return _state(desk, session, read_draft(session))


@router.post("/api/marks")
def change_marks(desk: TheDesk, change: Change) -> dict[str, Any]:
    """Change the marks; what was clicked is in the session's folder before the answer goes out."""
    session = desk.session()
    draft = read_draft(session)
    changed = _changed(desk, session, draft, change)
    saved = save_draft(session, changed, seen_version=change.version)
    return _state(desk, session, saved)


@router.get("/api/marks/fit")
def marks_fit(desk: TheDesk, version: int) -> dict[str, Any]:
    """Return what the marks of a version give: camera, residuals, predictions, precision."""
    # One after the other, and only the newest: of fast clicks nobody waits for those in between.
    with desk.fitting:
        return _fitted(desk, version)


def _fitted(desk: Desk, version: int) -> dict[str, Any]:
    session = desk.session()
    draft = read_draft(session)
    if draft.version != version or not draft.frame:
        return {"version": draft.version}
    luma = _luma(desk, session, draft)
    key = (draft, *(str(part) for part in (session.table, session.lane, session.ball, session.scale)))
    return {"version": version, **desk.pictures.fits.get(key, lambda: fit_of(session, draft, luma))}


@router.post("/api/marks/done")
def marks_done(desk: TheDesk, wanted: Wanted) -> dict[str, Any]:
    """Calibrate with the marks of now; where that is refused they stay as they are."""
    session = desk.session()
    draft = read_draft(session)
    if draft.version != wanted.version:
        raise SessionError("the marks were changed in another window meanwhile; look at them again")
    if not draft.frame:
        raise SessionError("choose a recording first")
    with take_marks(session, draft.clicks):
        calibration = calibrate_session(session, session.clip_path(draft.frame))
    expected = expected_of_session(session, calibration, [session.clip_path(draft.frame)])
    used = sum(mark.used for mark in calibration.residuals)
    return {
        "says": [
            f"{used} of {len(calibration.residuals)} marks used, {calibration.residual_px:.2f} px left over (rms).",
            plus_side_sentence(calibration) + " If not, the recording is mirrored and all signs are wrong.",
            *notices(calibration),
            expected_precision(calibration).sentence,
            *expected_lines(expected, session.config.session.units),
            *expected_cue_sentences(calibration),
        ]
    }


@router.get("/still/{clip_id}", include_in_schema=False)
def still(desk: TheDesk, clip_id: str) -> Response:
    """Return the still picture of a recording, in colour and at full size."""
    session, clip = desk.session(), desk.clip_named(clip_id)
    packed = desk.pictures.stills.get(_file_key(session, clip), lambda: still_jpeg(session, clip))
    return Response(packed, media_type="image/jpeg", headers={"Cache-Control": "private, max-age=600"})


@router.get("/api/sharpest")
def sharpest(desk: TheDesk) -> dict[str, str]:
    """Return the recording whose first frame is the sharpest, of a few spread over the session."""
    session = desk.session()
    clips = recordings(session)
    step = max(1, len(clips) // _LOOKED_AT)
    best, least = "", math.inf
    for clip in clips[::step][:_LOOKED_AT]:
        try:
            luma = still_luma(session.clip_path(clip), count=1)
        except RailreadError:
            continue
        # Unlike the scatter of edges, this measure does not take a busier picture, or a noisier one, for a sharper.
        if (blur := float(np.nan_to_num(blur_effect(luma[::2, ::2]), nan=1.0))) < least:
            best, least = clip, blur
    if not best:
        raise SessionError("none of the recordings can be read; put one into clips/ first")
    return {"clip_id": id_of(best), "clip": best}


def _changed(desk: Desk, session: Session, draft: Draft, change: Change) -> Draft:
    if change.do == "frame":
        return replace(draft, frame=desk.clip_named(change.clip_id))
    if change.do == "anew":
        keep_draft(session)
        return replace(draft, answers=())
    if change.do == "undo":
        return draft.undone()
    if change.do == "take_all":
        return take_all_that_fit(session, draft, _luma(desk, session, draft))
    if change.do == "printed":
        return _with_printed(session, draft)
    return _one_mark_changed(desk, session, draft, change)


def _with_printed(session: Session, draft: Draft) -> Draft:
    if not draft.frame:
        raise SessionError("choose a recording first")
    found = auto_marks(session, [session.clip_path(draft.frame)])
    for answer in answers_from(found.clicks, taken=True):
        draft = draft.with_answer(answer)
    return draft


def _one_mark_changed(desk: Desk, session: Session, draft: Draft, change: Change) -> Draft:
    mark_words(change.name, session.table, session.lane, session.scale)  # says what is wrong with the name
    if change.do == "forget":
        return draft.without(change.name)
    if change.do == "skip":
        return draft.with_answer(Answer(name=change.name))
    height, width = _luma(desk, session, draft).shape
    if not (-0.5 <= change.u_px <= width - 0.5 and -0.5 <= change.v_px <= height - 0.5):
        raise MarksError(f"{change.name}: this place lies outside the picture of {width} x {height} px")
    return draft.with_answer(Answer(name=change.name, u_px=change.u_px, v_px=change.v_px, taken=change.taken))


def _state(desk: Desk, session: Session, draft: Draft) -> dict[str, Any]:
    table, lane, scale = session.table, session.lane, session.scale
    asked = marks_to_ask(table, lane, scale)
    answered = draft.answered
    clips = recordings(session)
    frame = draft.frame if draft.frame in clips else _calibrated_frame(session, clips)
    return {
        "version": draft.version,
        "frame": id_of(frame) if frame else "",
        "frame_name": frame,
        "chosen": bool(draft.frame),
        "next": next((name for name in asked if same_mark(name) not in answered), None),
        "asked": [{"name": name, "words": mark_words(name, table, lane, scale)} for name in asked],
        "answers": [
            {
                "name": one.name,
                "words": mark_words(one.name, table, lane, scale),
                "click_px": None if one.u_px is None else [one.u_px, one.v_px],
                "taken": one.taken,
            }
            for one in draft.answers
        ],
        "drawing": drawing(session),
    }


def _calibrated_frame(session: Session, clips: tuple[str, ...]) -> str:
    """Return the recording that marks.csv was clicked in, where the database tells."""
    if not session.store_path.exists():
        return ""
    with Store(session.store_path) as store:
        frame = store.calibrated_frame()
    return next((clip for clip in clips if clip == frame or clip.endswith(f"/{frame}")), "") if frame else ""


def _luma(desk: Desk, session: Session, draft: Draft) -> Floats:
    if not draft.frame:
        raise SessionError("choose a recording first")
    path = session.clip_path(draft.frame)
    return desk.pictures.lumas.get(_file_key(session, draft.frame), lambda: still_luma(path))


def _file_key(session: Session, clip: str) -> tuple[str, int, int]:
    try:
        status = session.clip_path(clip).stat()
    except OSError:
        return (clip, 0, 0)
    return (clip, status.st_mtime_ns, status.st_size)
