"""The camera as it stood for one clip and for one shot in it: as calibrated, or nudged since.

The calibrated picture is kept with the calibration. The ball is followed with the camera as the clip's first frames
show it, and the shot is measured with the camera as the frames before its strike show it: a long recording may hold
a nudge between two shots. A pose that is not that of the calibration is found again on the marks; where they are
not found, nobody knows where the camera stood, and the shot is doubtful. A picture that drifts during a shot, as
that of a phone which stabilises it, is followed by the tracker frame by frame and is no reason for doubt. Where it
could not be followed, the shot is doubtful if the frames after it show that the camera moved meanwhile; and where
the picture was lost, unless they show that it stands where it stood.
"""

from dataclasses import dataclass, replace
from pathlib import Path

from analyze.fit.reasons import CLOCK_UNSURE, HOP, KINK, MOVED_IN_SHOT, NO_REST, OUTLIERS, PATTERN, POOR_FIT
from analyze.fit.shot import CAMERA_MOVED, Shot, Status
from analyze.session.picture import picture_from_bytes
from calibrate.arrays import Floats
from calibrate.calibration import Calibration
from calibrate.errors import ClipError, NotMeasured, Reason
from calibrate.reregister import NUDGED_PX, Reregistered, reregister
from tracker.clip import STILL_FRAMES, still_luma, still_luma_between
from tracker.first_frames import FirstFrames
from tracker.path import BallPath

# What a path looks like from a camera that moves: where one was seen to, that is the reason to give.
_LOOKS_LIKE_MOVED = frozenset({HOP, KINK, NO_REST, OUTLIERS, PATTERN, POOR_FIT})
ZOOMED = 0.004  # less is a lens that breathes as it focuses
# A picture that lies so near to where it did in the clip's first frames need not be compared with the calibrated
# one again: half of what counts as a nudge.
STOOD_PX = NUDGED_PX / 2
# What compression may have hidden of a drift is said where it makes uncertainties about twice as large.
_HIDDEN_SAID_PX = 0.3


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ClipCamera:
    """Where the camera stood while a clip, or one shot of it, was recorded.

    Attributes
    ----------
    calibration : Calibration
        To measure with.
    note : str
        For the tester, where the camera had moved; else empty.
    doubt : NotMeasured or None
        Why the place of the camera is not known, so that no result is to be trusted.
    picture_note : str
        For the tester, where the picture moved during the shot and was followed, or nobody can tell; else empty.
    """

    calibration: Calibration
    note: str = ""
    doubt: NotMeasured | None = None
    picture_note: str = ""


def clip_camera(
    clip: Path, calibration: Calibration, picture: bytes | None, *, first: FirstFrames | None = None
) -> ClipCamera:
    """Look in a clip's first frames whether the camera still stands where it was calibrated.

    Parameters
    ----------
    clip : Path
        The recording.
    calibration : Calibration
        Of the session.
    picture : bytes or None
        The calibrated picture, from `bytes_from_picture`; None where it was not kept, so that nothing can be said.
    first : FirstFrames, optional
        Of the same recording, where they are decoded already.

    Returns
    -------
    ClipCamera
        For a picture of another size than the calibrated one the calibration unchanged: the tracker refuses it.

    Raises
    ------
    ClipError
        If the clip cannot be read.
    """
    if picture is None:
        return ClipCamera(calibration=calibration)
    reference = picture_from_bytes(picture)
    luma = still_luma(clip) if first is None else first.luma
    if luma.shape != reference.shape:
        return ClipCamera(calibration=calibration)
    return _registered(calibration, reference, luma)


def shot_camera(
    path: BallPath,
    first: ClipCamera,
    calibration: Calibration,
    picture: bytes | None,
    *,
    capture_fps: float | None = None,
) -> ClipCamera:
    """Look at the frames before and after a shot, where the camera stood and whether it stood still.

    Parameters
    ----------
    path : BallPath
        The shot.
    first : ClipCamera
        As the clip's first frames show it: holds where a player hides the marks before the strike.
    calibration : Calibration
        Of the session.
    picture : bytes or None
        As for `clip_camera`.
    capture_fps : float, optional
        Frames a second at which the camera recorded, where the file plays slower.

    Returns
    -------
    ClipCamera
        To measure the shot with.
    """
    if picture is None:
        return first
    if _stood_since_start(path, first):
        return replace(first, picture_note=_picture_note(path))
    span_s = STILL_FRAMES * path.frame_period_s
    before = _still(path.clip, path.last_rest_s - span_s, path.last_rest_s, capture_fps)
    if before is None:
        return first
    camera = _registered(calibration, picture_from_bytes(picture), before)
    if camera.doubt is not None and _stood_before(path):
        camera = first
    if path.picture_followed:
        return replace(camera, picture_note=_picture_note(path))
    ended_s = float(path.times_s[-1])
    after = _still(path.clip, ended_s, ended_s + span_s, capture_fps)
    if camera.doubt is not None:
        return camera
    moved = None if after is None else reregister(camera.calibration, reference=before, luma=after)
    if isinstance(moved, Reregistered):
        if not moved.nudged:
            return camera
        detail = f"by {moved.shift_px:.1f} px between the frames before the strike and those after it"
    elif path.picture_lost:
        detail = "the picture jumped too far to be followed, or something hid most of it, while the ball rolled"
    else:
        return camera
    return replace(camera, doubt=NotMeasured(MOVED_IN_SHOT, detail))


def _stood_since_start(path: BallPath, first: ClipCamera) -> bool:
    """Whether the camera stood as calibrated in the clip's first frames, and the picture has shown it since."""
    as_calibrated = not first.note and first.doubt is None
    return as_calibrated and path.picture_followed and _stood_before(path)


def _stood_before(path: BallPath) -> bool:
    """Whether the picture is seen to have stood still between the clip's first frames and the strike."""
    moved_px = path.picture_moved_before_px
    return moved_px is not None and moved_px < STOOD_PX


def _picture_note(path: BallPath) -> str:
    notes = []
    if path.picture_moved_px:
        notes.append(
            f"the picture itself moved by up to {path.picture_moved_px:.1f} px during the shot (stabilisation, "
            "focus, or a stand that gives) and was followed frame by frame"
        )
    if path.picture_hidden_px > _HIDDEN_SAID_PX:
        notes.append(
            "compressed so hard that its still parts stay the same from frame to frame: a picture that drifts "
            "(stabilisation) would not show as it is, and the uncertainties allow "
            f"{path.picture_hidden_px:.1f} px for that; measure the file as the phone wrote it"
        )
    return "; ".join(notes)


def _still(clip: Path, from_s: float, until_s: float, capture_fps: float | None) -> Floats | None:
    """Still picture of a span of a clip; None where the file has no frames there or breaks off before."""
    try:
        return still_luma_between(clip, from_s, until_s, capture_fps=capture_fps)
    except ClipError:
        return None


def _registered(calibration: Calibration, reference: Floats, luma: Floats) -> ClipCamera:
    found = reregister(calibration, reference=reference, luma=luma)
    if isinstance(found, NotMeasured):
        return ClipCamera(calibration=calibration, doubt=found)
    return camera_said(found)


def camera_said(found: Reregistered) -> ClipCamera:
    """Return a camera found again, with what the tester should know of it."""
    if not found.nudged:
        return ClipCamera(calibration=found.calibration)
    zoomed = f", its zoom changed by {100 * (found.zoom - 1):+.1f} %" if abs(found.zoom - 1) > ZOOMED else ""
    note = (
        f"the camera had moved by {found.shift_px:.1f} px since it was calibrated{zoomed}; its place was found "
        f"again on {found.patches} marks"
    )
    return ClipCamera(calibration=found.calibration, note=note)


def with_camera_said(shot: Shot, camera: ClipCamera) -> Shot:
    """Return a shot that says what became of the camera.

    Parameters
    ----------
    shot : Shot
        Measured with `camera.calibration`.
    camera : ClipCamera
        As it stood for this shot.
    """
    said = _with_place_said(shot, camera)
    notes = [note for note in (said.note, camera.picture_note) if note]
    return replace(said, note="; ".join(notes)) if camera.picture_note else said


def _with_place_said(shot: Shot, camera: ClipCamera) -> Shot:
    if camera.doubt is None:
        return replace(shot, note=camera.note, camera=CAMERA_MOVED) if camera.note else shot
    # What other shots of the session may settle must not hide what they cannot.
    lesser = shot.reason is CLOCK_UNSURE or (
        camera.doubt.reason is MOVED_IN_SHOT and shot.reason in _LOOKS_LIKE_MOVED
    )
    if shot.status is Status.MEASURED or (shot.status is Status.DOUBTFUL and lesser):
        own = "" if shot.reason is None else _said(shot.reason, shot.detail)
        note = "; ".join(part for part in (camera.note, own) if part)
        doubtful = replace(shot, status=Status.DOUBTFUL, reason=camera.doubt.reason, detail=camera.doubt.detail)
        return replace(doubtful, note=note, camera=CAMERA_MOVED)
    # It has a reason of its own already, but the camera may be behind it.
    return replace(shot, camera=CAMERA_MOVED, note=_said(camera.doubt.reason, camera.doubt.detail))


def _said(reason: Reason, detail: str) -> str:
    return f"{reason.sentence.rstrip('.')}: {detail}"
