"""Clips with the fitted path and the reading drawn into their frames, and one picture of each shot."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from analyze.fit.shot import Shot
from analyze.session.folder import Session
from analyze.session.store import StoredShot
from calibrate.arrays import Floats
from calibrate.calibration import Calibration
from calibrate.errors import SessionError
from calibrate.units import inch_from_m, mm_from_m, sixteenths
from tracker.clip import clip_info, read_frames

Image = npt.NDArray[np.uint8]

BEFORE_S, AFTER_S = 0.3, 0.5  # drawn before the strike and after cushion contact
SLOWDOWN = 4.0  # a shot takes about a second, which is too fast to follow with the eye
# Blue, green, red, as OpenCV has them.
_PATH, _LANE, _SCALE, _TEXT, _RIM = (31, 106, 207), (196, 178, 120), (99, 45, 123), (240, 245, 250), (25, 25, 25)
_SHIFT = 4  # OpenCV draws at sixteenths of a pixel


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnShot:
    """What was written of one shot.

    Attributes
    ----------
    picture : Path
        The frame of cushion contact.
    clip : Path
        The shot, slowed down.
    """

    picture: Path
    clip: Path


def draw_shot(session: Session, calibration: Calibration, stored: StoredShot) -> DrawnShot:
    """Write one measured shot as a slowed-down clip and as a picture of the moment of cushion contact.

    Parameters
    ----------
    session : Session
        Gives the units and the place of the files.
    calibration : Calibration
        The one that the shot was measured with.
    stored : StoredShot
        A shot with a path.

    Returns
    -------
    DrawnShot
        The files.

    Raises
    ------
    RailreadError
        If the recording cannot be read or the files cannot be written.
    """
    shot = stored.shot
    info = clip_info(shot.clip)
    stem = f"{Path(stored.clip).with_suffix('').as_posix().replace('/', '-')}-{shot.shot}"
    folder = session.out_folder / "drawn"
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SessionError(f"{folder}: cannot be written ({error.strerror})") from error
    drawn = DrawnShot(picture=folder / f"{stem}.png", clip=folder / f"{stem}.mp4")
    rate = (session.config.camera.capture_fps or info.frame_rate) / SLOWDOWN
    writer = cv2.VideoWriter(str(drawn.clip), cv2.VideoWriter.fourcc(*"mp4v"), rate, info.size_px)
    if not writer.isOpened():
        raise SessionError(f"{drawn.clip}: cannot be written")
    units = session.config.session.units
    contact_s = float(shot.path_times_s[-1])
    still: Image | None = None
    try:
        for time_s, image in shot_frames(session, shot):
            if time_s <= contact_s or still is None:
                still = image.copy()
            draw_over(image, calibration, shot, units, time_s)
            writer.write(image)
    finally:
        writer.release()
    if still is not None:
        draw_over(still, calibration, shot, units, contact_s)
        cv2.imwrite(str(drawn.picture), still)
    return drawn


def shot_frames(session: Session, shot: Shot) -> Iterator[tuple[float, Image]]:
    """Give the frames of a shot, from shortly before the strike until shortly after cushion contact.

    Parameters
    ----------
    session : Session
        Gives the capture rate.
    shot : Shot
        A shot with a path.

    Yields
    ------
    time_s : float
        Of the frame.
    image : (H, W, 3) uint8
        Blue, green, red, to draw into; grey, since measuring uses brightness alone.
    """
    first_s, last_s = shot.path_times_s[0] - BEFORE_S, shot.path_times_s[-1] + AFTER_S
    for frame in read_frames(shot.clip, capture_fps=session.config.camera.capture_fps):
        if frame.time_s < first_s:
            continue
        if frame.time_s > last_s:
            break
        yield frame.time_s, np.asarray(cv2.cvtColor(frame.luma, cv2.COLOR_GRAY2BGR), dtype=np.uint8)


def draw_over(image: Image, calibration: Calibration, shot: Shot, units: str, until_s: float) -> None:
    """Draw lane, scale, path up to a time, and reading over a frame, in place.

    Parameters
    ----------
    image : (H, W, 3) uint8
        Drawn into.
    calibration : Calibration
        Camera, lane and scale.
    shot : Shot
        A shot with a path.
    units : str
        ``inch`` or ``mm``.
    until_s : float
        The path is drawn up to here, on the clip's clock.
    """
    height_m = calibration.ball.radius_m
    lane, scale = calibration.lane, calibration.scale
    top_m = calibration.table.rail_top_m
    lane_m = np.array(
        [[lane.x_aim_m, y, height_m] for y in np.linspace(lane.spot_y_m, calibration.table.length_m, 40)]
    )
    _line(image, calibration.camera.project(lane_m), _LANE, 1)
    number = 0.12 / scale.unit_m
    ends_m = np.array([[*scale.tick_xy_m(sign * number), top_m] for sign in (-1, 1)])
    _line(image, calibration.camera.project(ends_m), _SCALE, 1)
    drawn = shot.path_times_s <= until_s
    path_m = np.column_stack([shot.path_xy_m[drawn], np.full(int(drawn.sum()), height_m)])
    _line(image, calibration.camera.project(path_m), _PATH, 2)
    if shot.reading_m is None:
        return
    if until_s >= shot.path_times_s[-1]:
        mark_m = np.array([*scale.tick_xy_m(shot.reading_m / scale.unit_m), top_m])
        _line(image, calibration.camera.project(np.array([[*shot.path_xy_m[-1], height_m], mark_m])), _PATH, 1)
        u_px, v_px = (round(float(value)) for value in calibration.camera.project(mark_m))
        size_px = round(image.shape[0] / 40)
        cv2.drawMarker(image, (u_px, v_px), _PATH, cv2.MARKER_TILTED_CROSS, size_px, 2, cv2.LINE_AA)
    _write(image, _caption(shot, units))


def _caption(shot: Shot, units: str) -> str:
    reading_m, sd_m = shot.reading_m or 0.0, shot.reading_sd_m or 0.0
    half_m = 1.96 * sd_m
    if units == "inch":
        return f"reading {inch_from_m(reading_m):+.3f} +- {inch_from_m(half_m):.3f} in ({sixteenths(reading_m)})"
    return f"reading {mm_from_m(reading_m):+.1f} +- {mm_from_m(half_m):.1f} mm"


def _line(image: Image, points_px: Floats, colour: tuple[int, int, int], width: int) -> None:
    seen = np.isfinite(points_px).all(axis=1)
    if seen.sum() > 1:
        places = np.round(points_px[seen] * 2**_SHIFT).astype(np.int32)
        cv2.polylines(image, [places], False, colour, width, cv2.LINE_AA, _SHIFT)  # noqa: FBT003 - OpenCV's order


def _write(image: Image, text: str) -> None:
    """Write a caption with a dark rim into the lower left corner, in proportion to the frame."""
    size = image.shape[0] / 720
    place = (round(18 * size), image.shape[0] - round(22 * size))
    for colour, width in ((_RIM, 5), (_TEXT, 2)):
        cv2.putText(
            image,
            text,
            place,
            cv2.FONT_HERSHEY_SIMPLEX,
            0.9 * size,
            colour,
            max(1, round(width * size)),
            cv2.LINE_AA,
        )
