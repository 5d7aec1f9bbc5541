"""Marks of a session without a click: printed markers and sights found in one still picture or several."""

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from analyze.session.folder import Session
from calibrate.auto import FoundMarks, find_marks
from calibrate.errors import ClipError, MarksError, SessionError
from calibrate.marks import Click
from calibrate.register import FLOOR_PX
from tracker.clip import still_luma

MOST_FRAMES = 3  # recordings looked at where the tester names none; more hardly adds
_MOVED_PX = 0.5  # a mark that lies this far apart in two pictures was not seen from the same place


def auto_frames(session: Session) -> tuple[Path, ...]:
    """Return the first recordings of a session, to look for printed markers in; none where there are none yet."""
    try:
        return tuple(session.clip_path(clip) for clip in session.clips()[:MOST_FRAMES])
    except SessionError:
        return ()


def auto_marks(session: Session, frames: Sequence[Path]) -> FoundMarks:
    """Find printed markers and sights in pictures from one camera place.

    Parameters
    ----------
    session : Session
        Says what was printed and where it lies.
    frames : sequence of Path
        Recordings or pictures, at least one; places found in several are averaged.

    Returns
    -------
    FoundMarks
        Marks with their own standard uncertainties.

    Raises
    ------
    RailreadError
        If no picture can be read, or none shows enough printed markers; what the first says is said.
    """
    found: list[FoundMarks] = []
    notes: list[str] = []
    refused: MarksError | ClipError | None = None
    for frame in frames:
        try:
            luma = still_luma(frame)
            here = find_marks(
                luma,
                table=session.table,
                lane=session.lane,
                ball=session.ball,
                scale=session.scale,
                near=found[0].clicks if found else (),
            )
        except (MarksError, ClipError) as error:
            refused = refused or error
            continue
        if found and _far_px(found[0].clicks, here.clicks) > _MOVED_PX:
            notes.append(f"{frame.name} was recorded from another place and is not used to calibrate.")
            continue
        found.append(here)
    if not found:
        raise refused or MarksError(f"{session.folder}: there is no recording yet to look for printed markers in")
    clicks = averaged([one.clicks for one in found])
    if len(found) > 1:
        notes.insert(0, f"Printed markers were found in {len(found)} recordings; their places are averaged.")
    return FoundMarks(clicks=clicks, notes=(*found[0].notes, *notes))


def printed_marks(session: Session, frames: Sequence[Path], *, wanted: bool = True) -> FoundMarks | None:
    """Find printed markers where nobody said whether there are any.

    Parameters
    ----------
    session : Session
        As for `auto_marks`.
    frames : sequence of Path
        Likewise; may be empty.
    wanted : bool
        Whether they are to be looked for at all.

    Returns
    -------
    FoundMarks or None
        None where too few are seen: the marks are clicked then.
    """
    if not wanted or not frames:
        return None
    try:
        return auto_marks(session, frames)
    except (MarksError, ClipError):
        return None


def averaged(several: Sequence[Sequence[Click]]) -> tuple[Click, ...]:
    """Average the places of marks over pictures, weighted by their variances; each mark that some picture shows."""
    names = dict.fromkeys(click.name for clicks in several for click in clicks)
    return tuple(_averaged([c for clicks in several for c in clicks if c.name == name]) for name in names)


def _averaged(clicks: Sequence[Click]) -> Click:
    variances = np.array([(click.sigma_px or 1.0) ** 2 for click in clicks])
    weights = 1 / variances
    places = np.array([[click.u_px, click.v_px] for click in clicks])
    u, v = (weights @ places) / weights.sum()
    # The part that no residual shows is the same in every picture.
    own = np.maximum(variances - FLOOR_PX**2, 0)
    sigma = math.sqrt(float((weights**2 @ own) / weights.sum() ** 2) + FLOOR_PX**2)
    return Click(clicks[0].name, float(u), float(v), sigma)


def _far_px(one: Sequence[Click], other: Sequence[Click]) -> float:
    places = {click.name: np.array([click.u_px, click.v_px]) for click in one}
    apart = [np.hypot(*(places[c.name] - [c.u_px, c.v_px])) for c in other if c.name in places]
    return float(np.median(apart)) if apart else math.inf
