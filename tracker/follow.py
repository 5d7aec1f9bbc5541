"""From a recording to the ball's path: every shot in it found, and the ball located frame by frame."""

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from calibrate.arrays import Floats
from calibrate.calibration import Calibration
from calibrate.errors import NotMeasured
from tracker.ball_image import Optics
from tracker.ball_print import dark_share
from tracker.ball_size import apparent_size
from tracker.chain import LATE_STRIKE_S, RoughTrack, RunStart, rough_track
from tracker.clip import STILL_FRAMES, ClipInfo, Frame, clip_info
from tracker.contact import before_contact, turn_back_s
from tracker.corridor import lay_corridor
from tracker.cue_sight import sight_cue
from tracker.first_frames import FirstFrames
from tracker.lag import (
    GHOSTLY,
    LAG_DRIFT_TIME_S,
    USUAL_HALF_SWEEP,
    drift_of_followed_picture,
    share_of_frame_before,
)
from tracker.listen import hear
from tracker.motion import Motions, PictureWatch
from tracker.passes import (
    MIN_SIGHTINGS,
    Sightings,
    allow_other_light,
    catch,
    learn_optics,
    locate_all,
    locate_rest,
    predict_motion,
    predict_nearer,
)
from tracker.path import (
    DRIFT_SD_PX,
    DRIFT_TIME_S,
    HIDDEN_DRIFT_TIME_S,
    BallPath,
    CueSight,
)
from tracker.readout import ASSUMED_READOUT, Readout
from tracker.reasons import BALL_LOST, CLIP_DAMAGED, NO_BALL, NO_STRIKE, PICTURE_SIZE, NotTracked
from tracker.recording import cut_recording
from tracker.shot_pictures import ShotPictures
from tracker.shots import KEEP_AFTER_S, KEEP_BEFORE_S, NoStrike, ShotFrames

Progress = Callable[[int, int], None]


def track_clip(
    clip: Path,
    calibration: Calibration,
    *,
    capture_fps: float | None = None,
    readout: Readout = ASSUMED_READOUT,
    progress: Progress | None = None,
    first: FirstFrames | None = None,
) -> tuple[BallPath | NotTracked, ...]:
    """Find every shot in a recording and follow its cue ball.

    Parameters
    ----------
    clip : Path
        The recording.
    calibration : Calibration
        Of the camera place at which it was recorded.
    capture_fps : float, optional
        Frames a second at which the camera recorded, where the file plays slower.
    readout : Readout, optional
        Of the rolling shutter.
    progress : callable, optional
        Called with frames done and frames in all.
    first : FirstFrames, optional
        Of the same recording, where they are decoded already.

    Returns
    -------
    tuple of BallPath or NotTracked
        One for each shot found, in order; one `NotTracked` where there is none.

    Raises
    ------
    ClipError
        If the file cannot be read at all.
    """
    info = clip_info(clip) if first is None else first.info
    wanted = tuple(int(n) for n in calibration.camera.size_px)
    if info.size_px != wanted:
        detail = f"{info.size_px[0]} x {info.size_px[1]} px, calibrated {wanted[0]} x {wanted[1]} px"
        return (NotTracked(clip=clip, shot=1, reason=PICTURE_SIZE, detail=detail),)
    frame_period_s = 1 / (capture_fps or info.frame_rate or 30.0)
    corridor = lay_corridor(calibration, info.size_px)
    watch = PictureWatch(
        keep_s=KEEP_BEFORE_S + KEEP_AFTER_S + _SPARE_S, first=None if first is None else first.luma
    )
    damage = _cut_short(info)

    def looked_at(frame: Frame) -> None:
        if progress is not None and frame.index % 10 == 0:
            progress(frame.index, info.n_frames)
        watch.look(frame.time_s, frame.luma)

    results: list[BallPath | NotTracked] = []
    readout_s = readout.within_a_frame(frame_period_s).value_s
    cuts = cut_recording(
        info,
        calibration,
        corridor,
        frame_period_s=frame_period_s,
        capture_fps=capture_fps,
        damage=damage,
        looked_at=looked_at,
        first=first,
    )
    for cut in cuts:
        number = len(results) + 1
        if isinstance(cut, NoStrike):
            results.extend(_no_strike(clip, number, cut, damage))
            continue
        motions = _picture_motions(watch, cut, calibration, frame_period_s=frame_period_s)
        pictures = ShotPictures(
            info, cut, calibration, corridor, motions, readout_s=readout_s, frame_period_s=frame_period_s
        )
        results.append(_follow(pictures, info, number))
        # the frames of one shot fill much of the memory: they go before those of the next are kept
        del cut, pictures
    if damage:
        results.append(NotTracked(clip=clip, shot=len(results) + 1, reason=CLIP_DAMAGED, detail=damage[0]))
    elif not results:
        results.append(NotTracked(clip=clip, shot=1, reason=NO_BALL, detail=""))
    return tuple(results)


def _cut_short(info: ClipInfo) -> list[str]:
    """Say what is missing of a recording."""
    if not info.missing_bytes:
        return []
    return [f"cut short while copying: {info.missing_bytes} bytes are missing at its end"]


def _no_strike(clip: Path, number: int, cut: NoStrike, damage: list[str]) -> tuple[NotTracked, ...]:
    """Say that nothing happened; not of a damaged recording, for the strike may be in what is missing."""
    if damage:
        return ()
    detail = f"seen at rest from {cut.since_s:.2f} s on"
    return (NotTracked(clip=clip, shot=number, reason=NO_STRIKE, detail=detail),)


# A shot is handed on some frames after its last.
_SPARE_S = 0.5


def _picture_motions(
    watch: PictureWatch, cut: ShotFrames, calibration: Calibration, *, frame_period_s: float
) -> Motions:
    """How the picture moved along the lane, against the frames before the strike that tell the camera's place."""
    lane, radius_m = calibration.lane, calibration.ball.radius_m
    ends_m = [(lane.x_aim_m, y_m, radius_m) for y_m in (lane.spot_y_m, calibration.table.length_m)]
    still_s = (cut.last_rest_s - STILL_FRAMES * frame_period_s, cut.last_rest_s)
    return watch.motions(
        (cut.before[0][0], cut.after[-1][0]), still_s, calibration.camera.project(np.array(ends_m))
    )


def _cue(pictures: ShotPictures) -> CueSight | NotMeasured:
    """Find the cue at the strike; like the ball at rest, where it lies in the still scene."""
    cut = pictures.cut
    sight = sight_cue(cut.cue, strike_s=cut.strike_s, noise=pictures.scene.noise)
    if isinstance(sight, NotMeasured) or not pictures.motions:
        return sight
    near_px, far_px = pictures.motions.at(cut.last_rest_s).to_scene(np.stack([sight.near_px, sight.far_px]))
    return replace(sight, near_px=near_px, far_px=far_px)


def _dark_share(pictures: ShotPictures, rest_px: Floats, optics: Optics) -> float | None:
    """Find how much of the face of the ball at rest is one dark patch."""
    still = replace(optics, exposure_s=0.0)
    view = replace(pictures.view(pictures.cut.place.xy_m, np.zeros(2)), centre_px=rest_px)
    patch = pictures.look_at_rest(view, still)
    return None if patch is None else dark_share(view, patch, still, noise=pictures.scene.noise)


def _drift(pictures: ShotPictures) -> tuple[float, float]:
    """Say by how much sightings err alike from frame to frame, in px, and for how long, in s."""
    late_px = 0.0
    if pictures.mixed_in:
        late_px = drift_of_followed_picture(pictures.motions, frame_period_s=pictures.frame_period_s)
    hidden_px = pictures.motions.hidden_px
    # The largest of the three says how slowly the whole of it changes.
    parts = ((DRIFT_SD_PX, DRIFT_TIME_S), (late_px, LAG_DRIFT_TIME_S), (hidden_px, HIDDEN_DRIFT_TIME_S))
    _, time_s = max(parts, key=lambda part: part[0])
    return math.hypot(DRIFT_SD_PX, late_px, hidden_px), time_s


def _unmixed(pictures: ShotPictures, rough: RoughTrack, caught: Sightings) -> tuple[ShotPictures, Sightings]:
    """Take out what noise reduction left of the frame before; where that is much, catch the ball anew."""
    ghost = share_of_frame_before(pictures, caught, half_sweep=USUAL_HALF_SWEEP)
    if ghost > GHOSTLY:
        again = catch(pictures.unmixed(ghost), rough)
        # not confirmed where the end of a long streak was taken for a ghost
        if len(again) >= MIN_SIGHTINGS and (share := share_of_frame_before(pictures, again)):
            return pictures.unmixed(share), again
    return pictures.unmixed(share_of_frame_before(pictures, caught)), caught


def _follow(pictures: ShotPictures, info: ClipInfo, number: int) -> BallPath | NotTracked:
    """Follow the ball of one shot from its resting place to the foot cushion."""
    cut, times_s = pictures.cut, pictures.times_s

    def lost(detail: str) -> NotTracked:
        return NotTracked(clip=info.path, shot=number, reason=BALL_LOST, detail=detail)

    spots = pictures.spots()
    start = RunStart(
        xy_m=cut.place.xy_m,
        from_s=cut.first_moved_s - 2.5 * pictures.frame_period_s,
        until_s=cut.first_moved_s + LATE_STRIKE_S,
        end_y_m=pictures.end_y_m,
    )
    rough = rough_track(spots, times_s, start)
    if rough is None:
        return lost(f"left its spot at {cut.first_moved_s:.2f} s")
    caught = catch(pictures, rough)
    if len(caught) < MIN_SIGHTINGS:
        return lost(f"seen clearly in {len(caught)} frames after {cut.first_moved_s:.2f} s")
    pictures, caught = _unmixed(pictures, rough, caught)
    motion = predict_motion(pictures, caught)
    learnt, places_px = learn_optics(pictures, caught, motion)
    fit = allow_other_light(pictures, learnt)
    motion = predict_nearer(pictures, motion, places_px)
    seen = locate_all(pictures, motion, fit)
    if len(seen) < MIN_SIGHTINGS:
        return lost(f"seen clearly in {len(seen)} frames after {cut.first_moved_s:.2f} s")
    keys = sorted(seen)
    xy_m = pictures.table_xy_m([seen[k] for k in keys])
    contact_s, usable = before_contact(
        times_s[keys], xy_m, end_y_m=pictures.end_y_m, exposure_s=fit.optics.exposure_s
    )
    keys = [k for k, use in zip(keys, usable, strict=True) if use]
    if len(keys) < MIN_SIGHTINGS:
        return lost(f"seen clearly in {len(keys)} frames before the foot cushion")
    rest_px, rest_cov_px2 = locate_rest(pictures, fit.optics, fit.light)
    size = apparent_size(
        pictures.scene.at_rest - pictures.scene.background,
        pictures.calibration.camera,
        centre_px=rest_px,
        radius_m=pictures.calibration.ball.radius_m,
        origin_px=pictures.corridor.window_px[:2],
    )
    drift_sd_px, drift_time_s = _drift(pictures)
    return BallPath(
        clip=info.path,
        shot=number,
        rest_px=rest_px,
        rest_cov_px2=rest_cov_px2,
        times_s=times_s[keys],
        centre_px=np.array([seen[k].centre_px for k in keys]),
        centre_cov_px2=np.array([seen[k].cov_px2 for k in keys]),
        last_rest_s=cut.last_rest_s,
        first_moved_s=cut.first_moved_s,
        turned_s=turn_back_s(spots, times_s, xy_m[-1], contact_s=contact_s, end_y_m=pictures.end_y_m),
        frame_period_s=pictures.frame_period_s,
        exposure_s=fit.optics.exposure_s,
        size_px=pictures.calibration.camera.size_px,
        readout_way=np.array(info.readout_way, dtype=np.float64),
        drift_sd_px=drift_sd_px,
        drift_time_s=drift_time_s,
        size_ratio=None if size is None else size.ratio,
        size_ratio_sd=0.0 if size is None else size.ratio_sd,
        dark_share=_dark_share(pictures, rest_px, fit.optics),
        picture_moved_px=pictures.motions.moved_px,
        picture_followed=pictures.motions.seen,
        picture_lost=pictures.motions.lost,
        picture_hidden_px=pictures.motions.hidden_px,
        picture_moved_before_px=pictures.motions.moved_before_px,
        frames=len([k for k in motion if times_s[k] < contact_s]),
        cue=_cue(pictures),
        heard=hear(
            info,
            strike_s=cut.strike_s,
            contact_s=contact_s if np.isfinite(contact_s) else float(times_s[keys[-1]]),
            # as `read_frames` scales times
            slowdown=info.frame_rate * pictures.frame_period_s if info.frame_rate else 1.0,
        ),
    )
