"""Measure one recording: every shot in it, or the reason why there is none."""

from dataclasses import dataclass, replace
from pathlib import Path

import cv2

from analyze.fit.measured_with import MeasuredWith
from analyze.fit.shot import CAMERA_MARKS, CAMERA_MOVED, CAMERA_SESSION, Shot, failed_shot, measure_shot
from analyze.measure.clip_camera import ClipCamera, clip_camera, shot_camera, with_camera_said
from analyze.session.calibration import measured_with
from analyze.session.folder import Session
from analyze.session.inputs import calibration_sha256
from analyze.session.store import Store, StoredShot
from calibrate.calibration import Calibration
from calibrate.errors import ClipError, RailreadError, SessionError
from tracker.follow import track_clip
from tracker.path import BallPath
from tracker.readout import Readout
from tracker.reasons import CLIP_DAMAGED, NotTracked


@dataclass(frozen=True, eq=False, kw_only=True)
class ClipJob:
    """One recording to measure, with all that a process of its own needs.

    Attributes
    ----------
    clip : str
        Path below clips/.
    path : Path
        The file.
    calibration : Calibration
        Of the session.
    capture_fps : float or None
        Capture rate where the file plays slower.
    readout : Readout
        Of the rolling shutter.
    picture : bytes or None
        The calibrated picture, to see whether the camera still stands where it stood.
    """

    clip: str
    path: Path
    calibration: Calibration
    capture_fps: float | None
    readout: Readout
    picture: bytes | None = None


def measure_clip(job: ClipJob) -> tuple[Shot, ...]:
    """Measure one recording: every shot in it, or the reason why there is none.

    Parameters
    ----------
    job : ClipJob
        The recording.

    Returns
    -------
    tuple of Shot
        At least one.
    """
    cv2.setNumThreads(1)
    try:
        camera = clip_camera(job.path, job.calibration, job.picture)
        found = track_clip(job.path, camera.calibration, capture_fps=job.capture_fps, readout=job.readout)
    except ClipError as error:
        return (damaged_shot(job, error),)
    return tuple(_shot_of(job, path, camera) for path in found)


def shot_measured_with(session: Session, stored: StoredShot) -> Calibration:
    """Return the calibration that a shot was measured with: the session's, or its own, as the database keeps it.

    Parameters
    ----------
    session : Session
        The session.
    stored : StoredShot
        One of its shots.

    Raises
    ------
    RailreadError
        If marks or settings have changed since, or nothing was measured.
    """
    if stored.shot.measured_with is not None:
        return stored.shot.measured_with.calibration
    calibration = measured_with(session)
    if stored.shot.camera == CAMERA_MARKS:
        return calibration
    if stored.shot.camera == CAMERA_SESSION:
        raise SessionError(
            f"{stored.clip}: measured by a version of railread that did not keep the camera of the session; "
            f"`railread measure {session.folder}` measures it again"
        )
    # An earlier version measured it after a nudge and did not keep the camera: it is found again, as it was then.
    with Store(session.store_path) as store:
        picture = store.picture(calibration_sha256(session))
    camera = clip_camera(session.clip_path(stored.clip), calibration, picture)
    path = stored.shot.sightings
    if path is not None:
        capture_fps = session.config.camera.capture_fps
        camera = shot_camera(path, camera, calibration, picture, capture_fps=capture_fps)
    return camera.calibration


def _shot_of(job: ClipJob, path: BallPath | NotTracked, first: ClipCamera) -> Shot:
    """Measure one shot of a clip whose first frames show the camera at `first`."""
    if isinstance(path, NotTracked):
        return with_camera_said(failed_shot(path.clip, path.shot, path.reason, path.detail), first)
    camera = shot_camera(path, first, job.calibration, job.picture, capture_fps=job.capture_fps)
    shot = with_camera_said(measure_shot(path, camera.calibration, readout=job.readout), camera)
    if shot.camera != CAMERA_MOVED:
        return shot
    return replace(shot, measured_with=MeasuredWith(calibration=camera.calibration, readout=job.readout))


def damaged_shot(job: ClipJob, error: RailreadError) -> Shot:
    """Give the failed shot that stands for a recording that cannot be read."""
    return failed_shot(job.path, 1, CLIP_DAMAGED, str(error).removeprefix(f"{job.path}: "))
