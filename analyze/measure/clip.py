"""Measure one recording: every shot in it, or the reason why there is none."""

from dataclasses import dataclass, replace
from pathlib import Path

import cv2

from analyze.fit.measured_with import MeasuredWith
from analyze.fit.reasons import PLACE_UNSURE, WRONG_CLOCK
from analyze.fit.shot import CAMERA_MOVED, Shot, failed_shot, measure_shot
from analyze.measure.clip_camera import ClipCamera, clip_camera, shot_camera, with_camera_said
from analyze.measure.clip_place import clip_place
from analyze.session.camera_place import CameraPlace
from calibrate.calibration import Calibration
from calibrate.errors import ClipError, NotMeasured, RailreadError
from tracker.clip import ClipInfo, clip_info
from tracker.first_frames import FirstFrames
from tracker.follow import track_clip
from tracker.path import BallPath
from tracker.readout import Readout
from tracker.reasons import CLIP_DAMAGED, NotTracked

# Rates of one recording that are nearer to each other than this are the same: phones vary theirs with the light.
_SAME_RATE = 1.3


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
    places : tuple of CameraPlace
        All camera places of the session, where it has several: the clip is measured with the one that it shows,
        and `calibration` and `picture` are those of the first. Empty where it has one.
    place : str
        The camera place that `calibration` belongs to.
    """

    clip: str
    path: Path
    calibration: Calibration
    capture_fps: float | None
    readout: Readout
    picture: bytes | None = None
    places: tuple[CameraPlace, ...] = ()
    place: str = ""


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
        info = clip_info(job.path)
        other_rate = _find_other_rate(info, job.capture_fps)
        if other_rate:
            return (failed_shot(job.path, 1, WRONG_CLOCK, other_rate),)
        known_picture = job.picture is not None or job.places
        first = FirstFrames(info, capture_fps=job.capture_fps) if known_picture else None
        if job.places:
            there = clip_place(job.path, job.places, first=first)
            if isinstance(there, NotMeasured):
                return (failed_shot(job.path, 1, there.reason, there.detail),)
            job, camera = _at_place(job, there.place), there.camera
        else:
            camera = clip_camera(job.path, job.calibration, job.picture, first=first)
        found = track_clip(
            job.path, camera.calibration, capture_fps=job.capture_fps, readout=job.readout, first=first
        )
    except ClipError as error:
        return (damaged_shot(job, error),)
    return tuple(replace(_shot_of(job, path, camera), place=job.place) for path in found)


def _at_place(job: ClipJob, place: CameraPlace) -> ClipJob:
    return replace(job, calibration=place.calibration, picture=place.picture, place=place.name)


def _find_other_rate(info: ClipInfo, stated_fps: float | None) -> str:
    """Say what is wrong with the rate of a recording, by what the file says of itself; empty where nothing is."""
    plays_fps, tag_fps = info.frame_rate, info.capture_fps
    used_fps = stated_fps or plays_fps
    if tag_fps is not None and not 1 / _SAME_RATE < used_fps / tag_fps < _SAME_RATE:
        stated = "capture_fps is" if stated_fps else "capture_fps is not set and the file plays at"
        return (
            f"the file says that the camera recorded at {tag_fps:.0f} frames a second, {stated} {used_fps:.0f}: "
            f"set capture_fps = {tag_fps:.0f}"
        )
    if stated_fps is not None and plays_fps > _SAME_RATE * stated_fps:
        return (
            f"the file plays at {plays_fps:.0f} frames a second, so it was not recorded at capture_fps = "
            f"{stated_fps:.0f}: take capture_fps out, or set the camera's rate"
        )
    return ""


def _shot_of(job: ClipJob, path: BallPath | NotTracked, first: ClipCamera) -> Shot:
    """Measure one shot of a clip whose first frames show the camera at `first`."""
    if isinstance(path, NotTracked):
        return with_camera_said(failed_shot(path.clip, path.shot, path.reason, path.detail), first)
    camera = shot_camera(path, first, job.calibration, job.picture, capture_fps=job.capture_fps)
    if first.doubt is not None and first.doubt.reason is PLACE_UNSURE:
        camera = replace(camera, doubt=first.doubt)
    shot = with_camera_said(measure_shot(path, camera.calibration, readout=job.readout), camera)
    if shot.camera != CAMERA_MOVED:
        return shot
    return replace(shot, measured_with=MeasuredWith(calibration=camera.calibration, readout=job.readout))


def damaged_shot(job: ClipJob, error: RailreadError) -> Shot:
    """Give the failed shot that stands for a recording that cannot be read."""
    return failed_shot(job.path, 1, CLIP_DAMAGED, str(error).removeprefix(f"{job.path}: "))
