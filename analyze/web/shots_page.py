"""All shots of the session: those that want a look first, and what a person decides about them."""

import math
from collections.abc import Mapping
from typing import Any, Literal

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from pydantic import BaseModel, Field

from analyze.cue.which_squirt import SquirtChoice
from analyze.errors import REASONS
from analyze.fit.shot import Status
from analyze.report.tables import write_shots
from analyze.session import decisions
from analyze.session.shots_frame import shots_frame
from analyze.session.store import StoredShot
from analyze.web.desk import Listing, TheDesk, conditions_of, id_of, recordings
from analyze.web.pages import fragment, page
from calibrate.errors import SessionError

MOST_AT_ONCE = 2000
router = APIRouter()


class Row(BaseModel):
    """A shot as a line of the list.

    Attributes are those of out/shots.csv, in words; squirt is the one that is compared, from the lane or from the
    cue; `stamp` says which decisions the person has seen.
    """

    key: str
    clip_id: str
    clip: str
    shot: int
    stamp: int
    condition: str
    shooter: str
    reading_mm: float | None
    reading_sd_mm: float | None
    squirt_deg: float | None
    squirt_sd_deg: float | None
    swerve_offset_mm: float | None
    swerve_offset_sd_mm: float | None
    swerve_seen: bool
    state: str
    state_words: str
    why: str
    advice: str
    note: str
    kept: bool
    to_look_at: bool
    drawn: bool


class Seen(BaseModel):
    """A shot that somebody decides about, as it was shown."""

    clip_id: str = Field(max_length=40)
    shot: int = Field(ge=1, le=100000)
    stamp: int = Field(ge=0, le=2**53)


class Wish(BaseModel):
    """What is decided, about which shots."""

    shots: list[Seen] = Field(min_length=1, max_length=MOST_AT_ONCE)
    kind: Literal["accept", "set_aside", "take_back", "note", "label", "label_as_filed"]
    text: str = Field(default="", max_length=1000)
    condition: str | None = Field(default=None, max_length=200)
    shooter: str | None = Field(default=None, max_length=200)


@router.get("/", include_in_schema=False)
def shots_view(desk: TheDesk) -> Response:
    """Show the list."""
    if not (desk.folder / "session.toml").exists():
        return RedirectResponse("/setup", 303)
    listing = desk.listing()
    rows = rows_of(listing)
    rows.sort(key=lambda row: (not row.to_look_at, row.state == "failed", row.state == "aside"))
    clips = recordings(listing.session)
    measured = {row.clip for row in rows}
    return page(
        "shots.html.j2",
        here="shots",
        title=listing.session.config.session.name or listing.session.folder.resolve().name,
        units=listing.session.config.session.units,
        rows=rows,
        conditions=conditions_of(listing.session, listing.labels),
        shooters=sorted({one.shooter for one in listing.labels if one.shooter}),
        clips=len(clips),
        waiting=[clip for clip in clips if clip not in measured],
        has_marks=listing.session.marks_path.exists(),
        squirt=listing.squirt,
    )


@router.get("/api/rows")
def rows_now(desk: TheDesk) -> list[Row]:
    """Return all shots as they stand."""
    return rows_of(desk.listing())


@router.get("/rows", include_in_schema=False)
def rows_fragment(desk: TheDesk) -> HTMLResponse:
    """Return the lines of the list alone, for results as they come."""
    listing = desk.listing()
    return HTMLResponse(_lines(listing, rows_of(listing)))


@router.post("/api/decisions")
def decide(desk: TheDesk, wish: Wish) -> dict[str, str]:
    """Put down what a person decides; return the lines of the shots as they stand afterwards.

    All of it or nothing: where somebody else has decided about one of the shots since it was shown, nothing is
    changed and the answer is 409.
    """
    listing = desk.listing()
    done = _decided(listing, [_as_seen(listing, seen) for seen in wish.shots], wish)
    after = desk.listing()
    write_shots(after.session.out_folder / "shots.csv", shots_frame(after.session, after.stored))
    touched = {(one.clip, one.shot.shot) for one in done}
    rows = [row for row in rows_of(after) if (row.clip, row.shot) in touched]
    return {row.key: _lines(after, [row]) for row in rows}


def rows_of(listing: Listing) -> list[Row]:
    """Return a line for each shot, in reading order."""
    records = listing.frame.to_dict("records")
    return [_row(one, record, listing.squirt) for one, record in zip(listing.stored, records, strict=True)]


def _row(stored: StoredShot, record: Mapping[Any, Any], squirt: SquirtChoice) -> Row:
    shot, decision = stored.shot, stored.decision
    state = "aside" if decision.kept is False else str(shot.status)
    words = {"aside": "set aside", "measured": "measured", "doubtful": "doubtful", "failed": "not measured"}[state]
    if state == "doubtful" and decision.kept:
        words = "doubtful, accepted"
    reason = shot.reason
    why = decision.set_aside_reason if state == "aside" else reason.sentence if reason else ""
    if state != "aside" and reason and shot.detail:
        why = f"{why} ({shot.detail})"
    known = REASONS.get(reason.slug) if reason and state != "aside" else None
    return Row(
        key=f"{id_of(stored.clip)}-{shot.shot}",
        clip_id=id_of(stored.clip),
        clip=stored.clip,
        shot=shot.shot,
        stamp=decision.stamp,
        condition=str(record["condition"]),
        shooter=str(record["shooter"]),
        swerve_seen=shot.swerve_seen,
        state=state,
        state_words=words,
        why=why,
        advice=known.advice if known else "",
        note=str(record["note"]),
        kept=stored.kept,
        to_look_at=stored.needs_a_person,
        drawn=len(shot.path_times_s) > 1,
        squirt_deg=_number(record[squirt.column]),
        squirt_sd_deg=_number(record[squirt.sd_column]),
        **{
            name: _number(record[name])
            for name in (
                "reading_mm",
                "reading_sd_mm",
                "swerve_offset_mm",
                "swerve_offset_sd_mm",
            )
        },
    )


def _number(value: object) -> float | None:
    return value if isinstance(value, float) and math.isfinite(value) else None


def _lines(listing: Listing, rows: list[Row]) -> str:
    return fragment("rows.html.j2", rows=rows, units=listing.session.config.session.units)


def _as_seen(listing: Listing, seen: Seen) -> StoredShot:
    for one in listing.stored:
        if one.shot.shot == seen.shot and id_of(one.clip) == seen.clip_id:
            return decisions.as_seen(one, seen.stamp)
    raise SessionError("one of these shots is no longer in the session; load the page again")


def _decided(listing: Listing, shots: list[StoredShot], wish: Wish) -> tuple[StoredShot, ...]:
    session = listing.session
    if wish.kind == "set_aside":
        return decisions.set_aside(session, shots, wish.text)
    if wish.kind == "accept":
        failed = [one for one in shots if one.shot.status is Status.FAILED]
        if failed:
            raise SessionError(
                f"{failed[0].clip}, shot {failed[0].shot.shot}: nothing was measured, so there is nothing to "
                "accept; set it aside with a reason"
            )
        return decisions.accept(session, shots)
    if wish.kind == "take_back":
        return decisions.take_back(session, shots)
    if wish.kind == "note":
        return decisions.write_note(session, shots, wish.text)
    if wish.kind == "label_as_filed":
        return decisions.label_as_filed(session, shots)
    if wish.condition is None and wish.shooter is None:
        raise SessionError("say the right condition, the right shooter, or both")
    return decisions.mend_label(session, shots, condition=wish.condition, shooter=wish.shooter)
