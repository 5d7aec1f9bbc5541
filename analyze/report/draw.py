"""Clips to publish, with lane, cue, path, launch line, swerve and reading drawn in, one picture of each shot."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from analyze.cue.tip_dome import Tip
from analyze.defaults import SLOWDOWN
from analyze.fit.cue_place import CuePlace
from analyze.fit.shot import Shot
from analyze.measure.camera_of_shot import shot_measured_with
from analyze.report.draw_cue import COVERAGE, LEGEND, cue_words, draw_cue
from analyze.report.pens import (
    LANE,
    LAUNCH,
    PATH,
    READING,
    SCALE,
    SWERVE,
    Image,
    Panel,
    Pen,
    draw_dot,
    draw_line,
    panel,
)
from analyze.report.words import angle, length, spread
from analyze.session.folder import Label, Session
from analyze.session.shots import label_of
from analyze.session.shots_frame import session_tips
from analyze.session.store import StoredShot
from calibrate.arrays import Floats
from calibrate.calibration import Calibration
from calibrate.errors import SessionError
from calibrate.units import deg_from_rad, mm_from_m
from tracker.clip import clip_info, read_colours
from tracker.write_clip import write_clip

BEFORE_S, AFTER_S = 0.3, 0.5  # drawn before the strike and after cushion contact
_SCALE_REACH_M = 0.13  # of the scale that is drawn, either side of its zero
_LEGEND = (("path of the ball", PATH), ("launch line", LAUNCH), ("swerve", SWERVE), ("reading, 95 %", READING))


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawWish:
    """How clips are to be drawn.

    Attributes
    ----------
    slower : float
        How many times slower than life the clip plays; 1 for life.
    sound : bool
        Whether the sound is kept, which only life's speed can have.
    """

    slower: float = SLOWDOWN
    sound: bool = False

    def __post_init__(self) -> None:
        """Check the values."""
        if not 0.1 <= self.slower <= 100:
            raise SessionError(f"slower = {self.slower:g}, but it must be between 0.1 and 100")
        if self.sound and self.slower != 1:
            raise SessionError("sound goes with life's speed only: draw with --slower 1, or without --sound")


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnShot:
    """What was written of one shot.

    Attributes
    ----------
    picture : Path
        The frame of cushion contact.
    clip : Path
        The shot.
    """

    picture: Path
    clip: Path


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DrawJob:
    """One shot to draw.

    Attributes
    ----------
    stored : StoredShot
        A shot with a path.
    label : Label
        Whose it is.
    calibration : Calibration
        The one that it was measured with.
    tip : Tip
        Of the cue.
    """

    stored: StoredShot
    label: Label
    calibration: Calibration
    tip: Tip


def draw_jobs(session: Session, wanted: Sequence[StoredShot], every: Sequence[StoredShot]) -> list[DrawJob]:
    """Say how the shots of a session are drawn.

    Parameters
    ----------
    session : Session
        The session.
    wanted : sequence of StoredShot
        To be drawn.
    every : sequence of StoredShot
        All its shots: they tell of the tips together.
    """
    tips = session_tips(session, every)
    labels = [label_of(session, one) for one in wanted]
    return [
        DrawJob(stored=one, label=label, calibration=shot_measured_with(session, one), tip=tips[label.condition])
        for one, label in zip(wanted, labels, strict=True)
    ]


def draw_shot(session: Session, job: DrawJob, wish: DrawWish) -> DrawnShot:
    """Write one measured shot as a clip and as a picture of the moment of cushion contact.

    Parameters
    ----------
    session : Session
        Gives the units and the place of the files.
    job : DrawJob
        The shot.
    wish : DrawWish
        How.

    Returns
    -------
    DrawnShot
        The files.

    Raises
    ------
    RailreadError
        If the recording cannot be read or the files cannot be written.
    """
    shot = job.stored.shot
    info = clip_info(shot.clip)
    drawn = drawn_files(session, job.stored)
    make_folder(drawn.picture.parent)
    rate = session.config.camera.capture_fps or info.frame_rate
    frames = drawn_frames(session, job)
    first_s = shot.path_times_s[0] - BEFORE_S
    # The file's own times, where it plays slower than it was recorded.
    stretch = 1.0 if session.config.camera.capture_fps is None else info.frame_rate / rate
    sound = (shot.clip, first_s / stretch, (shot.path_times_s[-1] + AFTER_S) / stretch) if wish.sound else None
    contact_s = float(shot.path_times_s[-1])
    still: Image | None = None

    def played() -> Iterator[tuple[float, Image]]:
        nonlocal still
        start_s = None
        for time_s, image in frames:
            start_s = time_s if start_s is None else start_s
            if time_s <= contact_s or still is None:
                still = image
            yield (time_s - start_s) * wish.slower, image

    write_clip(drawn.clip, played(), rate=rate / wish.slower, sound=sound)
    if still is not None:
        # What is reached at the contact is drawn into the picture of it, whichever frame came last before.
        draw_over(still, job.calibration, shot, contact_s, job.tip)
        cv2.imwrite(str(drawn.picture), still)
    return drawn


def drawn_files(session: Session, stored: StoredShot) -> DrawnShot:
    """Where clip and picture of a shot go."""
    stem = f"{Path(stored.clip).with_suffix('').as_posix().replace('/', '-')}-{stored.shot.shot}"
    folder = session.out_folder / "drawn"
    return DrawnShot(picture=folder / f"{stem}.png", clip=folder / f"{stem}.mp4")


def make_folder(folder: Path) -> None:
    """Make a folder for what is drawn; say so where that cannot be done."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SessionError(f"{folder}: cannot be written ({error.strerror})") from error


def drawn_frames(session: Session, job: DrawJob) -> Iterator[tuple[float, Image]]:
    """Give the frames of a shot in colour with everything drawn in, from before the strike until after the contact.

    Parameters
    ----------
    session : Session
        Gives the capture rate and the units.
    job : DrawJob
        The shot.

    Yields
    ------
    time_s : float
        On the clip's clock.
    image : (H, W, 3) uint8
        Blue, green, red.
    """
    shot = job.stored.shot
    first_s, last_s = shot.path_times_s[0] - BEFORE_S, shot.path_times_s[-1] + AFTER_S
    words: Panel | None = None
    capture_fps = session.config.camera.capture_fps
    for time_s, colours in read_colours(shot.clip, from_s=first_s, capture_fps=capture_fps):
        if time_s > last_s:
            break
        image = np.ascontiguousarray(colours)
        draw_over(image, job.calibration, shot, time_s, job.tip)
        if words is None:
            words = shot_panel(job, session.config.session.units, image.shape[0])
        margin = image.shape[0] // 60
        words.lay(image, (margin, margin))
        yield time_s, image


def draw_over(image: Image, calibration: Calibration, shot: Shot, until_s: float, tip: Tip) -> None:
    """Draw lane, scale, launch line, path up to a time, and at the end swerve and reading, in place.

    The cue is drawn up to the strike, and once more with the result.

    Parameters
    ----------
    image : (H, W, 3) uint8
        Drawn into.
    calibration : Calibration
        Camera, lane and scale.
    shot : Shot
        A shot with a path.
    until_s : float
        The path is drawn up to here, on the clip's clock.
    tip : Tip
        The dome of the cue's tip.
    """
    height_m, lane = calibration.ball.radius_m, calibration.lane
    along_m = np.linspace(lane.spot_y_m, calibration.table.length_m, 40)
    _lay(image, calibration, np.column_stack([np.full(40, lane.x_aim_m), along_m]), height_m, LANE)
    reach = _SCALE_REACH_M / calibration.scale.unit_m
    draw_line(image, _on_scale(calibration, np.array([-reach, reach]) * calibration.scale.unit_m), SCALE)
    if shot.reading_m is None:
        return
    drawn = shot.path_times_s <= until_s
    ended = until_s >= shot.path_times_s[-1]
    if ended or not drawn.any():
        draw_cue(image, calibration, shot, tip)
    if shot.squirt_offset_m is not None and drawn.any():
        ends = np.array([calibration.camera.project(np.array([*shot.path_xy_m[0], height_m]))])
        draw_line(image, np.concatenate([ends, _on_scale(calibration, np.array([shot.squirt_offset_m]))]), LAUNCH)
    _lay(image, calibration, shot.path_xy_m[drawn], height_m, PATH)
    if not ended:
        return
    end_px = calibration.camera.project(np.array([[*shot.path_xy_m[-1], height_m]]))
    reading_px = _on_scale(calibration, np.array([shot.reading_m]))
    draw_line(image, np.concatenate([end_px, reading_px]), PATH)
    if shot.squirt_offset_m is not None:
        gap = np.linspace(shot.squirt_offset_m, shot.reading_m, 12)
        draw_line(image, _on_scale(calibration, gap), SWERVE)
    half_m = COVERAGE * (shot.reading_sd_m or 0.0)
    draw_line(image, _on_scale(calibration, shot.reading_m + np.array([-half_m, half_m])), READING)
    draw_dot(image, reading_px[0], READING, radius=5.0)


def shot_panel(job: DrawJob, units: str, height_px: int) -> Panel:
    """Write whose shot it is and what was measured, in the session's units, and the legend."""
    stored, label = job.stored, job.label
    shot = stored.shot
    title = " · ".join(
        part for part in (label.condition, label.shooter, f"{stored.clip}, shot {shot.shot}") if part
    )
    lines = [title]
    if shot.reading_m is not None:
        half = spread(COVERAGE * mm_from_m(shot.reading_sd_m or 0.0), units)
        lines.append(f"reading {length(mm_from_m(shot.reading_m), units)} ± {half}")
    if shot.launch_rad is not None:
        lines.append(f"launch {angle(deg_from_rad(shot.launch_rad))}, {shot.launch_speed_m_s or 0:.2f} m/s")
    if shot.swerve_offset_m is not None:
        seen = "" if shot.swerve_seen else " (not resolved)"
        lines.append(f"swerve {length(mm_from_m(shot.swerve_offset_m), units)}{seen}")
    if cue := cue_words(shot, job.tip, job.calibration.ball.radius_m):
        lines.append(cue)
    if shot.reason is not None:
        lines.append(f"{shot.status}: {shot.reason.slug}")
    legend = (*_LEGEND, LEGEND) if isinstance(shot.cue, CuePlace) else _LEGEND
    return panel(tuple(lines), legend, height_px=height_px)


def _on_scale(calibration: Calibration, offsets_m: Floats) -> Floats:
    """(N, 2) places in the picture of readings (N,) on the scale."""
    scale = calibration.scale
    points = scale.ticks_xy_m(offsets_m / scale.unit_m)
    heights = np.full(len(points), calibration.table.rail_top_m)
    places: Floats = calibration.camera.project(np.column_stack([points, heights]))
    return places


def _lay(image: Image, calibration: Calibration, xy_m: Floats, height_m: float, pen: Pen) -> None:
    places = calibration.camera.project(np.column_stack([xy_m, np.full(len(xy_m), height_m)]))
    draw_line(image, places, pen)
