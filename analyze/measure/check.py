"""Judge a camera place before any shooting: from a few marks, and from a trial shot where there is one."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from analyze.fit.cue_expected import expected_cue_sentences
from analyze.fit.shot import Shot
from analyze.measure.clip import ClipJob, measure_clip
from analyze.session.auto_marks import printed_marks
from analyze.session.camera_place import CameraPlace
from analyze.session.draft import read_draft
from analyze.session.folder import Session
from calibrate.asked import marks_to_ask
from calibrate.errors import MarksError
from calibrate.marks import Click
from calibrate.place import JudgedPlace, camera_place
from calibrate.solve import MIN_MARKS, solve_marks
from tracker.clip import IMAGE_SUFFIXES, still_luma


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedPlace:
    """What was found out about a camera place.

    Attributes
    ----------
    place : JudgedPlace
        From the marks.
    shots : tuple of Shot
        Shots in the recording, measured with that camera; empty for a picture, or where the marks are too few yet.
    cue : tuple of str
        How well the cue will be told from there.
    """

    place: JudgedPlace
    shots: tuple[Shot, ...]
    cue: tuple[str, ...]


def check_place(session: Session, frame: Path, clicks: Sequence[Click] | None) -> CheckedPlace:
    """Judge the place from which a recording was made.

    Parameters
    ----------
    session : Session
        Gives the set-up; nothing is written to it.
    frame : Path
        A recording or a picture.
    clicks : sequence of Click or None
        Marks clicked in it, four or more; None for those of the session, and where there are too few, for the
        printed markers in the picture.

    Raises
    ------
    RailreadError
        If the recording cannot be read, or the marks give no camera.
    """
    if clicks is None:
        clicks = read_draft(session).clicks
        if len(clicks) < MIN_MARKS:
            found = printed_marks(session, [frame])
            clicks = clicks if found is None else found.clicks
    if len(clicks) < MIN_MARKS:
        raise MarksError(
            f"{len(clicks)} marks are clicked, {MIN_MARKS} are needed to judge the place, and too few printed "
            "markers can be read in the picture: click the scale and two sights on the page "
            f"(`railread open {session.folder}`), or give them with --marks"
        )
    luma = still_luma(frame)
    height, width = luma.shape
    calibration, refusal = solve_marks(
        clicks,
        luma=luma,
        size_px=(width, height),
        table=session.table,
        lane=session.lane,
        ball=session.ball,
        scale=session.scale,
    )
    asked = marks_to_ask(session.table, session.lane, session.scale)
    place = camera_place(calibration, tuple(dict.fromkeys([*asked, *(click.name for click in clicks)])))
    shots: tuple[Shot, ...] = ()
    if not refusal and frame.suffix.lower() not in IMAGE_SUFFIXES:
        shots = measure_clip(
            ClipJob(
                clip=frame.name,
                path=frame,
                places=(CameraPlace(calibration=calibration),),
                capture_fps=session.config.camera.capture_fps,
                readout=session.config.readout,
            )
        )
    return CheckedPlace(place=place, shots=shots, cue=() if refusal else expected_cue_sentences(calibration))
