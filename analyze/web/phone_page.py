"""What a phone can do: be paired, send recordings into the session, and see the reading of the last shot."""

import io

import segno
from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import HTMLResponse, JSONResponse, Response
from pydantic import BaseModel, Field

from analyze.report.words import length, spread
from analyze.session.folder import Session
from analyze.web.desk import Desk, TheDesk, conditions_of
from analyze.web.pages import page
from analyze.web.shots_page import rows_of
from analyze.web.uploads import MOST_BYTES, Incoming, next_in_order
from calibrate.errors import SessionError

router = APIRouter()
_COVERAGE = 1.96


class Code(BaseModel):
    """What is read off the screen."""

    code: str = Field(min_length=1, max_length=40)


class Beginning(BaseModel):
    """A recording that is about to come."""

    name: str = Field(min_length=1, max_length=255)
    size_bytes: int = Field(ge=1, le=MOST_BYTES)
    condition: str = Field(default="", max_length=200)
    shooter: str = Field(default="", max_length=200)
    by_order: bool = False


class Ending(BaseModel):
    """Its hash, as the phone counted it."""

    sha256: str = Field(pattern=r"^[0-9a-fA-F]{64}$")


@router.get("/phone-help", include_in_schema=False)
def phone_help(desk: TheDesk) -> HTMLResponse:
    """Show, on the desk, how a phone gets in."""
    return page(
        "phone_help.html.j2",
        here="phone",
        title=_title(desk),
        address=desk.pairing.address,
        code=desk.pairing.code() if desk.pairing.address else "",
        folder=desk.folder,
        phones=len(desk.keys.phones),
    )


@router.get("/pair-picture", include_in_schema=False)
def pair_picture(desk: TheDesk, code: str = "") -> Response:
    """Return the address with the code as a QR code."""
    if not desk.pairing.address or code != desk.pairing.code():
        raise SessionError("this code is no longer the one of the moment; load the page again")
    drawn = io.BytesIO()
    # After the #, so that it is never sent in an address that somebody could log.
    segno.make(f"{desk.pairing.address}/pair#{code}", error="m").save(
        drawn, kind="svg", scale=6, border=3, light="#fff"
    )
    return Response(drawn.getvalue(), media_type="image/svg+xml")


@router.get("/pair", include_in_schema=False)
def pair_view() -> HTMLResponse:
    """Ask a phone for the code."""
    return page("pair.html.j2")


@router.post("/pair", include_in_schema=False)
def pair(desk: TheDesk, said: Code) -> Response:
    """Let a phone in that says the code."""
    token = desk.pairing.let_in(said.code) if desk.pairing.address else None
    if token is None:
        raise HTTPException(403, "This code does not open the session: it is used up, too old or mistyped.")
    answer = JSONResponse({"to": "/phone"})
    answer.set_cookie(desk.keys.phone_cookie, token, httponly=True, samesite="strict", path="/")
    return answer


@router.get("/phone", include_in_schema=False)
def phone_view(desk: TheDesk) -> HTMLResponse:
    """Show a phone what it can send."""
    listing = desk.listing()
    return page(
        "phone.html.j2",
        title=_title(desk),
        conditions=conditions_of(listing.session, listing.labels),
        shooters=sorted({one.shooter for one in listing.labels if one.shooter}),
        ordered=(listing.session.folder / "order.csv").exists(),
    )


@router.get("/api/phone/now")
def phone_now(desk: TheDesk) -> dict[str, object]:
    """Return the next line of the order, and the reading of the shot last measured."""
    listing = desk.listing()
    units = listing.session.config.session.units
    row = next_in_order(listing.session)
    work = desk.workshop.work
    found: dict[str, object] = {
        "next": None if row is None else {"order": row.order, "condition": row.condition, "shooter": row.shooter},
        "working": f"measuring, {work.done} of {work.total}" if work.running else "",
        "error": work.error,
        "last": None,
    }
    if desk.last_sent:
        shots = [one for one in rows_of(listing) if one.clip == desk.last_sent]
        found["last"] = {
            "clip": desk.last_sent,
            "shots": [
                {
                    "reading": length(one.reading_mm, units),
                    "interval": f"± {spread(_COVERAGE * one.reading_sd_mm, units)}" if one.reading_sd_mm else "",
                    "state": one.state_words,
                    "why": one.why,
                }
                for one in shots
            ],
        }
    return found


@router.post("/api/phone/uploads")
def begin_upload(desk: TheDesk, wish: Beginning) -> dict[str, object]:
    """Begin to send a recording, or find out how much of it is here already."""
    session = desk.session()
    with desk.uploads.choosing:
        upload_id, have = desk.uploads.begin(session, _incoming(session, wish))
    return {"id": upload_id, "have": have}


@router.put("/api/phone/uploads/{upload_id}")
async def append_piece(desk: TheDesk, request: Request, upload_id: str, at: int) -> Response:
    """Take the next piece; where another one is wanted, say which."""
    piece = await request.body()
    have = desk.uploads.append(desk.session(), upload_id, at, piece)
    return JSONResponse({"have": have}, 200 if have == at + len(piece) else 409)


@router.post("/api/phone/uploads/{upload_id}/end")
def end_upload(desk: TheDesk, upload_id: str, ending: Ending) -> dict[str, str]:
    """File the recording, and measure it where the camera is known."""
    session = desk.session()
    clip = desk.uploads.finish(session, upload_id, ending.sha256)
    desk.last_sent = clip
    if session.marks_path.exists():
        desk.workshop.start_soon()
    return {"clip": clip}


def _incoming(session: Session, wish: Beginning) -> Incoming:
    if not wish.by_order:
        return Incoming(
            name=wish.name,
            size_bytes=wish.size_bytes,
            condition=wish.condition.strip(),
            shooter=wish.shooter.strip(),
        )
    row = next_in_order(session, (wish.name, wish.size_bytes))
    if row is None:
        raise SessionError("the shooting order is at its end; choose condition and shooter")
    return Incoming(
        name=wish.name,
        size_bytes=wish.size_bytes,
        condition=row.condition,
        shooter=row.shooter,
        order=row.order,
    )


def _title(desk: Desk) -> str:
    config = desk.session().config
    return config.session.name or desk.folder.resolve().name
