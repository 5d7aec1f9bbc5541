"""Measure one recording: every shot in it, or the reason why there is none."""

from dataclasses import dataclass, replace
from pathlib import Path

import cv2

from analyze.fit.measured_with import MeasuredWith
from analyze.fit.reasons import PLACE_UNSURE, WRONG_CLOCK
from analyze.fit.shot import CAMERA_MOVED, Shot, failed_shot, measure_shot
from analyze.measure.clip_camera import clip_camera, shot_camera, with_camera_said
from analyze.measure.clip_place import ClipPlace, clip_place
from analyze.session.camera_place import CameraPlace
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
    places : tuple of CameraPlace
        All camera places of the session, one at least: the clip is measured with the one that it shows.
    capture_fps : float or None
        Capture rate where the file plays slower.
    readout : Readout
        Of the rolling shutter.
    """

    clip: str
    path: Path
    places: tuple[CameraPlace, ...]
    capture_fps: float | None
    readout: Readout


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
        known_picture = any(place.picture is not None for place in job.places)
        first = FirstFrames(info, capture_fps=job.capture_fps) if known_picture else None
        there = _recorded_at(job, first)
        if isinstance(there, NotMeasured):
            return (failed_shot(job.path, 1, there.reason, there.detail),)
        found = track_clip(
            job.path, there.camera.calibration, capture_fps=job.capture_fps, readout=job.readout, first=first
        )
    except ClipError as error:
        return (damaged_shot(job, error),)
    return tuple(replace(_shot_of(job, path, there), place=there.place.name) for path in found)


def _recorded_at(job: ClipJob, first: FirstFrames | None) -> ClipPlace | NotMeasured:
    """Find the place; of one alone a clip is not refused for showing another: its shots are doubtful then."""
    if len(job.places) > 1:
        return clip_place(job.path, job.places, first=first)
    (place,) = job.places
    return ClipPlace(place, clip_camera(job.path, place.calibration, place.picture, first=first))


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


def _shot_of(job: ClipJob, path: BallPath | NotTracked, there: ClipPlace) -> Shot:
    """Measure one shot of a clip whose first frames show where it was recorded."""
    first, place = there.camera, there.place
    if isinstance(path, NotTracked):
        return with_camera_said(failed_shot(path.clip, path.shot, path.reason, path.detail), first)
    camera = shot_camera(path, first, place.calibration, place.picture, capture_fps=job.capture_fps)
    if first.doubt is not None and first.doubt.reason is PLACE_UNSURE:
        camera = replace(camera, doubt=first.doubt)
    shot = with_camera_said(measure_shot(path, camera.calibration, readout=job.readout), camera)
    if shot.camera != CAMERA_MOVED:
        return shot
    return replace(shot, measured_with=MeasuredWith(calibration=camera.calibration, readout=job.readout))


def damaged_shot(job: ClipJob, error: RailreadError) -> Shot:
    """Give the failed shot that stands for a recording that cannot be read."""
    return failed_shot(job.path, 1, CLIP_DAMAGED, str(error).removeprefix(f"{job.path}: "))
