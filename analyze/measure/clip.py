"""Measure one recording: every shot in it, or the reason why there is none."""

from dataclasses import dataclass, replace
from pathlib import Path

import cv2

from analyze.fit.measured_with import MeasuredWith
from analyze.fit.shot import CAMERA_MOVED, Shot, failed_shot, measure_shot
from analyze.measure.clip_camera import ClipCamera, clip_camera, shot_camera, with_camera_said
from calibrate.calibration import Calibration
from calibrate.errors import ClipError, RailreadError
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
