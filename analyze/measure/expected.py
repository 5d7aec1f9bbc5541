"""What precision a session's next shots will have, with its camera and the frame rate of its recordings."""

from collections.abc import Iterable
from pathlib import Path

from analyze.fit.expectation import Expected, expected_shot
from analyze.session.auto_marks import auto_frames
from analyze.session.folder import Session
from calibrate.calibration import Calibration
from calibrate.errors import ClipError
from tracker.clip import IMAGE_SUFFIXES, clip_info

USUAL_FPS = 60.0  # where no recording tells


def expected_of_session(
    session: Session, calibration: Calibration, frames: Iterable[Path] | None = None
) -> Expected | None:
    """Return what a typical shot will be known to.

    Parameters
    ----------
    session : Session
        Its settings, and its recordings unless `frames` are given.
    calibration : Calibration
        Its camera.
    frames : iterable of Path, optional
        A recording whose frame rate counts; pictures tell none.

    Returns
    -------
    Expected or None
        None where the lane is not in the picture.
    """
    stated = session.config.camera.capture_fps
    rate = stated if stated is not None else _rate(auto_frames(session) if frames is None else frames)
    return expected_shot(calibration, frame_rate=rate, readout=session.config.readout)


def _rate(frames: Iterable[Path]) -> float:
    for frame in frames:
        if frame.suffix.lower() in IMAGE_SUFFIXES:
            continue
        try:
            return clip_info(frame).frame_rate
        except ClipError:
            continue
    return USUAL_FPS
