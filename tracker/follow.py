"""From a recording to the ball's path: every shot in it found, and the ball located frame by frame."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from calibrate.arrays import Floats
from calibrate.calibration import Calibration
from calibrate.errors import ClipError
from tracker.background import StillScene, still_scene
from tracker.ball_image import BallView, Optics, view_ball
from tracker.ball_size import apparent_size
from tracker.chain import LATE_STRIKE_S, MIN_SHARE, RunStart, bright_spots, rough_track
from tracker.clip import ClipInfo, Frame, clip_info, read_frames
from tracker.contact import before_contact, centre_at_contact_y_m, turn_back_s
from tracker.corridor import Corridor, lay_corridor
from tracker.cue_sight import sight_cue
from tracker.light import Light
from tracker.locate import Sighting, locate_ball
from tracker.optics import EXPOSURE_SHARES, OpticsFit, fit_optics
from tracker.patch import Patch, window_px
from tracker.path import DRIFT_SD_PX, BallPath
from tracker.readout import ASSUMED_READOUT, Readout, late_s_px
from tracker.reasons import BALL_LOST, CLIP_DAMAGED, NO_BALL, NO_STRIKE, PICTURE_SIZE, NotTracked
from tracker.rim_fit import THOROUGH, Effort
from tracker.shots import NoStrike, ShotFrames, cut_shots
from tracker.tone import Tone

Picture = npt.NDArray[np.uint8] | npt.NDArray[np.float32]
Progress = Callable[[int, int], None]

# A blur so wide that the fit catches a ball some px away.
CATCH_BLUR_PX = 2.5
CATCH = Effort(settled_px=0.1, most_pixels=300)
OPTICS_FRAMES = 8
# Sightings left out: most of the rim hidden, or far less contrast than the others have (a hand, a cue before it).
MIN_VISIBLE = 0.4
MIN_CONTRAST_SHARE = 0.4
MAX_MISFIT_RATIO = 6.0
MIN_SIGHTINGS = 4
NEAR_PX, NEAR_SMEARS = 4.0, 0.15
# Farther than this from where it was foretold, the ball's speed was foretold wrongly too, and with it its streak.
AGAIN_PX = 1.5


def track_clip(
    clip: Path,
    calibration: Calibration,
    *,
    capture_fps: float | None = None,
    readout: Readout = ASSUMED_READOUT,
    progress: Progress | None = None,
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

    Returns
    -------
    tuple of BallPath or NotTracked
        One for each shot found, in order; one `NotTracked` where there is none.

    Raises
    ------
    ClipError
        If the file cannot be read at all.
    """
    info = clip_info(clip)
    wanted = tuple(int(n) for n in calibration.camera.size_px)
    if info.size_px != wanted:
        detail = f"{info.size_px[0]} x {info.size_px[1]} px, calibrated {wanted[0]} x {wanted[1]} px"
        return (NotTracked(clip=clip, shot=1, reason=PICTURE_SIZE, detail=detail),)
    frame_period_s = 1 / (capture_fps or info.frame_rate or 30.0)
    corridor = lay_corridor(calibration, info.size_px)
    damage = _cut_short(info)

    def decoded() -> Iterator[Frame]:
        try:
            for frame in read_frames(clip, capture_fps=capture_fps):
                if progress is not None and frame.index % 10 == 0:
                    progress(frame.index, info.n_frames)
                yield frame
        except ClipError as error:
            damage.append(str(error))

    results: list[BallPath | NotTracked] = []
    readout_s = readout.within_a_frame(frame_period_s).value_s
    for cut in cut_shots(decoded(), calibration, corridor, frame_period_s=frame_period_s):
        number = len(results) + 1
        if isinstance(cut, NoStrike):
            results.extend(_no_strike(clip, number, cut, damage))
            continue
        shot = _Shot(info, number, cut, calibration, corridor, readout_s=readout_s, frame_period_s=frame_period_s)
        results.append(shot.follow())
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


def _local_motion(times_s: Floats, xy_m: Floats, at_s: float, *, reach: int = 6) -> tuple[Floats, Floats]:
    """Place and velocity at a time, from a parabola (line, where few) through the nearest places."""
    near = np.argsort(np.abs(times_s - at_s))[:reach]
    order = 2 if len(near) >= 5 else 1
    t = times_s[near] - at_s
    design = np.vander(t, order + 1, increasing=True)
    found = np.linalg.lstsq(design, xy_m[near], rcond=None)[0]
    return found[0], found[1]


class _Shot:
    """One shot being followed: what the steps share."""

    def __init__(
        self,
        info: ClipInfo,
        number: int,
        cut: ShotFrames,
        calibration: Calibration,
        corridor: Corridor,
        *,
        readout_s: float,
        frame_period_s: float,
    ) -> None:
        self.clip, self.number, self.cut = info.path, number, cut
        self.calibration, self.corridor = calibration, corridor
        self.frame_period_s = frame_period_s
        self.readout_way = info.readout_way
        self.late_s_px = late_s_px(readout_s, info.size_px, info.readout_way)
        self.tone = Tone(black=0.0, white=255.0) if info.full_range else Tone()
        self.scene: StillScene = still_scene(cut, calibration, corridor)
        self.times_s = np.array([time_s for time_s, _ in cut.after])
        self.end_y_m = centre_at_contact_y_m(calibration)

    def patch(
        self, picture: npt.NDArray[np.uint8] | npt.NDArray[np.float32], view: BallView, optics: Optics
    ) -> Patch | None:
        """Cut the pixels round a predicted ball; None where it lies outside the picture."""
        u0, v0, u1, v1 = window_px(view, optics)
        cu, cv, cu1, cv1 = self.corridor.window_px
        u0, v0, u1, v1 = max(u0, cu), max(v0, cv), min(u1, cu1), min(v1, cv1)
        if u1 - u0 < 8 or v1 - v0 < 8:
            return None
        window = np.s_[v0 - cv : v1 - cv, u0 - cu : u1 - cu]
        return Patch(
            luma=picture[window].astype(np.float32),
            background=self.scene.background[window],
            hidden=self.corridor.hidden[window],
            origin_px=(u0, v0),
        )

    def view(self, xy_m: Floats, velocity_m_s: Floats) -> BallView:
        """Predict the ball at a place."""
        return view_ball(self.calibration.camera, xy_m, velocity_m_s, radius_m=self.calibration.ball.radius_m)

    def locate(
        self,
        k: int,
        view: BallView,
        optics: Optics,
        light: Light | None = None,
        effort: Effort = THOROUGH,
    ) -> Sighting | None:
        """Locate the ball in frame `k` after the strike."""
        patch = self.patch(self.cut.after[k][1], view, optics)
        if patch is None:
            return None
        return locate_ball(view, patch, optics, noise=self.scene.noise, light=light, effort=effort)

    def table_xy_m(self, sightings: list[Sighting]) -> Floats:
        """(N, 2) places on the table of sightings."""
        centres = np.array([s.centre_px for s in sightings])
        return self.calibration.camera.onto_plane(centres, z_m=self.calibration.ball.radius_m)

    def follow(self) -> BallPath | NotTracked:
        """Follow the ball from its resting place to the foot cushion."""
        background_plan = self.corridor.plan(self.scene.background)
        rest = bright_spots(self.scene.at_rest, background_plan, self.corridor, self.calibration, floor=1.0)
        near = rest[np.hypot(*(rest[:, :2] - self.cut.place.xy_m).T) < 0.04] if len(rest) else rest
        floor = MIN_SHARE * float(near[:, 2].max()) if len(near) else MIN_SHARE * self.cut.place.contrast
        spots = [
            bright_spots(crop, background_plan, self.corridor, self.calibration, floor=floor)
            for _, crop in self.cut.after
        ]
        start = RunStart(
            xy_m=self.cut.place.xy_m,
            from_s=self.cut.first_moved_s - 2.5 * self.frame_period_s,
            until_s=self.cut.first_moved_s + LATE_STRIKE_S,
            end_y_m=self.end_y_m,
        )
        rough = rough_track(spots, self.times_s, start)
        if rough is None:
            detail = f"left its spot at {self.cut.first_moved_s:.2f} s"
            return NotTracked(clip=self.clip, shot=self.number, reason=BALL_LOST, detail=detail)
        caught = self._catch(rough.index, rough.xy_m)
        if len(caught) < MIN_SIGHTINGS:
            detail = f"seen clearly in {len(caught)} frames after {self.cut.first_moved_s:.2f} s"
            return NotTracked(clip=self.clip, shot=self.number, reason=BALL_LOST, detail=detail)
        return self._refine(caught, spots)

    def _catch(self, index: npt.NDArray[np.int64], rough_m: Floats) -> dict[int, Sighting]:
        """Locate the ball near its rough places, with a wide blur first: the rough places are some px off."""
        wide = Optics(
            blur_px=CATCH_BLUR_PX,
            exposure_s=0.25 * self.frame_period_s,
            late_s_px=self.late_s_px,
            tone=self.tone,
        )
        times = self.times_s[index]
        caught: dict[int, Sighting] = {}
        for k, place_m in zip(index, rough_m, strict=True):
            _, velocity = _local_motion(times, rough_m, float(self.times_s[k]))
            view = self.view(place_m, velocity)
            found = self.locate(int(k), view, wide, effort=CATCH)
            if found is None:
                continue
            # A catch may correct a rough place, not replace it. In the image: seen flat, a few px are a long way.
            if np.hypot(*(found.centre_px - view.centre_px)) < view.radius_px:
                caught[int(k)] = found
        return caught

    def _optics(self, caught: dict[int, Sighting], motion: dict[int, tuple[Floats, Floats]]) -> OpticsFit:
        """Estimate what blurs the ball from frames spread over the run."""
        keys = sorted(caught)
        pick = [keys[i] for i in np.unique(np.linspace(1, len(keys) - 1, OPTICS_FRAMES).astype(int))]
        longest_s = max(EXPOSURE_SHARES) * self.frame_period_s
        start = Optics(blur_px=1.5, exposure_s=longest_s, late_s_px=self.late_s_px, tone=self.tone)
        views = [self.view(*motion[k]) for k in pick]
        patches = [self.patch(self.cut.after[k][1], v, start) for k, v in zip(pick, views, strict=True)]
        # the ball at rest shows its light without a streak
        views.append(self.view(self.cut.place.xy_m, np.zeros(2)))
        patches.append(self.patch(self.scene.at_rest, views[-1], start))
        both = [(v, p) for v, p in zip(views, patches, strict=True) if p is not None]
        return fit_optics(
            [v for v, _ in both],
            [p for _, p in both],
            noise=self.scene.noise,
            frame_period_s=self.frame_period_s,
            late_s_px=self.late_s_px,
            tone=self.tone,
        )

    def _refine(self, caught: dict[int, Sighting], spots: list[Floats]) -> BallPath | NotTracked:
        """Locate the ball in every frame of the run with the clip's own optics and light."""
        keys = sorted(caught)
        times, xy_m = self.times_s[keys], self.table_xy_m([caught[k] for k in keys])
        last_s = float(times[-1])
        run = [
            k
            for k in range(keys[0] - 2, len(self.times_s))
            if k >= 0 and self.times_s[k] <= last_s + 4 * self.frame_period_s
        ]
        motion = {k: _local_motion(times, xy_m, float(self.times_s[k])) for k in run}
        run = [k for k in run if motion[k][0][1] < self.end_y_m + 0.01]
        fit = self._optics(caught, motion)
        optics = fit.optics
        seen = _without_spoiled(self._all_frames(run, motion, fit))
        keys = sorted(seen)
        if len(keys) < MIN_SIGHTINGS:
            detail = f"seen clearly in {len(keys)} frames after {self.cut.first_moved_s:.2f} s"
            return NotTracked(clip=self.clip, shot=self.number, reason=BALL_LOST, detail=detail)
        xy_m = self.table_xy_m([seen[k] for k in keys])
        contact_s, usable = before_contact(
            self.times_s[keys], xy_m, end_y_m=self.end_y_m, exposure_s=optics.exposure_s
        )
        keys = [k for k, use in zip(keys, usable, strict=True) if use]
        if len(keys) < MIN_SIGHTINGS:
            detail = f"seen clearly in {len(keys)} frames before the foot cushion"
            return NotTracked(clip=self.clip, shot=self.number, reason=BALL_LOST, detail=detail)
        rest = self._rest(optics, fit.light)
        size = apparent_size(
            self.scene.at_rest - self.scene.background,
            self.calibration.camera,
            centre_px=rest[0],
            radius_m=self.calibration.ball.radius_m,
            origin_px=self.corridor.window_px[:2],
        )
        return BallPath(
            clip=self.clip,
            shot=self.number,
            rest_px=rest[0],
            rest_cov_px2=rest[1],
            times_s=self.times_s[keys],
            centre_px=np.array([seen[k].centre_px for k in keys]),
            centre_cov_px2=np.array([seen[k].cov_px2 for k in keys]),
            last_rest_s=self.cut.last_rest_s,
            first_moved_s=self.cut.first_moved_s,
            turned_s=turn_back_s(spots, self.times_s, xy_m[-1], contact_s=contact_s, end_y_m=self.end_y_m),
            frame_period_s=self.frame_period_s,
            exposure_s=optics.exposure_s,
            size_px=self.calibration.camera.size_px,
            readout_way=np.array(self.readout_way, dtype=np.float64),
            drift_sd_px=DRIFT_SD_PX,
            size_ratio=None if size is None else size.ratio,
            size_ratio_sd=0.0 if size is None else size.ratio_sd,
            frames=len([k for k in run if self.times_s[k] < contact_s]),
            cue=sight_cue(self.cut.cue, strike_s=self.cut.strike_s, noise=self.scene.noise),
        )

    def _all_frames(
        self, run: list[int], motion: dict[int, tuple[Floats, Floats]], fit: OpticsFit
    ) -> dict[int, Sighting]:
        """Locate the ball in each frame; again where the first place shows that the motion was foretold badly."""
        first = {k: self.locate(k, self.view(*motion[k]), fit.optics, fit.light) for k in run}
        found = {k: s for k, s in first.items() if s is not None}
        if len(found) < MIN_SIGHTINGS:
            return found
        times_s, xy_m = self.times_s[list(found)], self.table_xy_m(list(found.values()))
        seen: dict[int, Sighting] = {}
        for k, sighting in found.items():
            view = self.view(*_local_motion(times_s, xy_m, float(self.times_s[k])))
            away_px = float(np.hypot(*(sighting.centre_px - self.view(*motion[k]).centre_px)))
            final = self.locate(k, view, fit.optics, fit.light) if away_px > AGAIN_PX else sighting
            if final is not None and _near(final, view, fit.optics):
                seen[k] = final
        return seen

    def _rest(self, optics: Optics, light: Light) -> tuple[Floats, Floats]:
        """Locate the ball at rest in the averaged frames before the strike.

        From where it was first found, and from where a wide blur catches it: a ring printed on a small ball, or a
        tip beside it, leads one or the other astray, and the better likeness tells which.
        """
        view = self.view(self.cut.place.xy_m, np.zeros(2))
        still = replace(optics, exposure_s=0.0)
        caught = self._at_rest(view, Optics(blur_px=CATCH_BLUR_PX, tone=optics.tone), None)
        starts = [view] if caught is None else [view, self.view(self.table_xy_m([caught])[0], np.zeros(2))]
        found = [one for one in (self._at_rest(start, still, light) for start in starts) if one is not None]
        if not found:
            # covered by a cue or hand throughout: the place as first found, good to some mm
            sd_px = 0.2 * view.radius_px
            return view.centre_px, np.eye(2) * sd_px**2
        best = min(found, key=lambda one: one.misfit)
        return best.centre_px, best.cov_px2 + np.eye(2) * REST_FLOOR_PX**2

    def _at_rest(self, view: BallView, optics: Optics, light: Light | None) -> Sighting | None:
        """Locate the ball at rest, from one start."""
        patch = self.patch(self.scene.at_rest, view, optics)
        if patch is None:
            return None
        return locate_ball(view, patch, optics, noise=self.scene.noise, light=light)


# Averaging does not remove what is the same in all frames: shading, the tip close by, compression of a still ball.
REST_FLOOR_PX = 0.15


def _near(found: Sighting, view: BallView, optics: Optics) -> bool:
    """Whether a fit stayed with its ball: neighbouring frames foretell it to some px, less well if smeared."""
    smear_px = float(np.hypot(*view.velocity_px_s)) * optics.exposure_s
    return float(np.hypot(*(found.centre_px - view.centre_px))) < NEAR_PX + NEAR_SMEARS * smear_px


def _without_spoiled(seen: dict[int, Sighting]) -> dict[int, Sighting]:
    """Leave out sightings that something spoiled: a hidden rim, a hand or cue over the ball."""
    if not seen:
        return seen
    contrast = float(np.median([s.contrast for s in seen.values()]))
    misfit = float(np.median([s.misfit for s in seen.values()]))
    return {
        k: s
        for k, s in seen.items()
        if s.visible > MIN_VISIBLE
        and s.contrast > MIN_CONTRAST_SHARE * contrast
        and s.misfit < MAX_MISFIT_RATIO * misfit
    }
