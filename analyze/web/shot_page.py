"""One shot: its frames from before the strike to the rail, what was measured drawn over them, and its history."""

from typing import Any

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response

from analyze.measure.camera_of_shot import shot_measured_with
from analyze.session import decisions
from analyze.session.calibration import measured_with
from analyze.session.inputs import calibration_sha256
from analyze.web.desk import Desk, Listing, TheDesk, conditions_of
from analyze.web.overlay import shot_lines, sightings, table_lines
from analyze.web.pages import page
from analyze.web.pictures import ShotFrames, thumbnail
from analyze.web.shots_page import rows_of
from calibrate.calibration import Calibration
from calibrate.errors import ClipError, RailreadError

router = APIRouter()
_NO_PICTURE = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 256 144"><path d="M98 42l60 60m0-60l-60 60" '
    'stroke="#808890" stroke-width="6"/></svg>'
)
_KEPT = {"Cache-Control": "private, max-age=3600"}


@router.get("/shot/{clip_id}/{number}", include_in_schema=False)
def shot_view(desk: TheDesk, clip_id: str, number: int) -> HTMLResponse:
    """Show one shot."""
    listing, place = desk.shot(clip_id, number)
    rows = rows_of(listing)
    row, one = rows[place], listing.stored[place]
    looking = sorted(rows, key=lambda each: (not each.to_look_at, each.state == "failed", each.state == "aside"))
    order = [each.key for each in looking]
    here = order.index(row.key)
    config = listing.session.config
    return page(
        "shot.html.j2",
        here="shots",
        title=config.session.name or listing.session.folder.resolve().name,
        units=config.session.units,
        row=row,
        shot=one.shot,
        squirt=listing.squirt,
        previous=looking[here - 1] if here else None,
        following=looking[here + 1] if here + 1 < len(looking) else None,
        place=here + 1,
        total=len(rows),
        history=decisions.history(listing.session, one),
        conditions=conditions_of(listing.session, listing.labels),
        shooters=sorted({label.shooter for label in listing.labels if label.shooter}),
    )


@router.get("/api/shots/{clip_id}/{number}")
def shot_data(desk: TheDesk, clip_id: str, number: int) -> dict[str, Any]:
    """Return the frames' times and all that is drawn over them, in px of the frame."""
    listing, place = desk.shot(clip_id, number)
    one = listing.stored[place]
    frames = _frames(desk, listing, place)
    found: dict[str, Any] = {"times_s": frames.times_s.round(5).tolist(), "sightings": [], "says": ""}
    if len(one.shot.path_times_s) > 1:
        try:
            calibration = _camera(desk, listing, place)
        except RailreadError as error:
            found["says"] = str(error)
            return found
        found |= table_lines(calibration) | shot_lines(one.shot, calibration)
        found["sightings"] = sightings(one.shot, calibration, readout=listing.session.config.readout)
        if one.shot.sightings is not None:
            found["rest"] = one.shot.sightings.rest_px.round(2).tolist()
    return found


@router.get("/frame/{clip_id}/{number}/{frame}", include_in_schema=False)
def shot_frame(desk: TheDesk, clip_id: str, number: int, frame: int) -> Response:
    """Return one frame of a shot."""
    listing, place = desk.shot(clip_id, number)
    packed = _frames(desk, listing, place).frame(frame)
    if packed is None:
        raise ClipError(f"{listing.stored[place].clip}: frame {frame} of this shot cannot be decoded")
    return Response(packed, media_type="image/jpeg", headers=_KEPT)


@router.get("/picture/{clip_id}/{number}", include_in_schema=False)
def shot_thumbnail(desk: TheDesk, clip_id: str, number: int) -> Response:
    """Return a small picture of a shot."""
    listing, place = desk.shot(clip_id, number)
    one = listing.stored[place]

    def made() -> bytes:
        try:
            calibration = measured_with(listing.session.at(one.shot.place))
        except RailreadError:
            calibration = None
        return thumbnail(listing.session, one.clip, one.shot, calibration)

    key = (clip_id, number, one.clip_sha256, one.shot.reading_m)
    try:
        return Response(desk.pictures.thumbnails.get(key, made), media_type="image/jpeg", headers=_KEPT)
    except ClipError:  # why it cannot be read stands beside it in words
        return Response(_NO_PICTURE, media_type="image/svg+xml")


def _frames(desk: Desk, listing: Listing, place: int) -> ShotFrames:
    one = listing.stored[place]
    key = (one.clip, one.shot.shot, one.clip_sha256, one.shot.strike_s)
    return desk.pictures.frames.get(key, lambda: ShotFrames(listing.session, one.clip, one.shot))


def _camera(desk: Desk, listing: Listing, place: int) -> Calibration:
    one = listing.stored[place]
    calibrated = calibration_sha256(listing.session.at(one.shot.place))
    key = (one.clip, one.shot.shot, one.clip_sha256, one.shot.reading_m, calibrated)
    return desk.pictures.cameras.get(key, lambda: shot_measured_with(listing.session, one))
