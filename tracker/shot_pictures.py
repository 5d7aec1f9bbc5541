"""The pictures of one shot with all that is known of them: camera, still scene, where each picture lay, tone."""

from collections.abc import Mapping
from copy import copy
from dataclasses import replace

import cv2
import numpy as np
import numpy.typing as npt

from calibrate.arrays import Floats
from calibrate.calibration import Calibration
from tracker.background import StillScene, still_scene
from tracker.ball_image import BallView, Optics, view_ball
from tracker.chain import MIN_SHARE, bright_spots
from tracker.clip import ClipInfo
from tracker.contact import centre_at_contact_y_m
from tracker.corridor import Corridor
from tracker.light import Light, any_light
from tracker.locate import Sighting, locate_ball, located
from tracker.motion import Motions, PictureMotion
from tracker.patch import Patch, window_px
from tracker.readout import late_s_px
from tracker.rim_fit import THOROUGH, Effort, RimSearch
from tracker.shots import ShotFrames
from tracker.tone import Tone

Picture = npt.NDArray[np.uint8] | npt.NDArray[np.float32]


class ShotPictures:
    """What every step of following a shot looks at.

    Places go in and come out as places in the still scene, the picture as it lay before the strike; where a frame's
    picture lies elsewhere, the ball and what lies behind it are looked for there.
    """

    def __init__(
        self,
        info: ClipInfo,
        cut: ShotFrames,
        calibration: Calibration,
        corridor: Corridor,
        motions: Motions,
        *,
        readout_s: float,
        frame_period_s: float,
    ) -> None:
        self.cut, self.calibration, self.corridor, self.motions = cut, calibration, corridor, motions
        self.frame_period_s = frame_period_s
        self.late_s_px = late_s_px(readout_s, info.size_px, info.readout_way)
        self.tone = Tone(black=0.0, white=255.0) if info.full_range else Tone()
        self.times_s = np.array([time_s for time_s, _ in cut.after])
        self.end_y_m = centre_at_contact_y_m(calibration)
        self.mixed_in = 0.0
        self._at_rest: dict[tuple[bytes, Optics, Light | None, Effort], Sighting | None] = {}
        self._origin_px = np.array(corridor.window_px[:2], dtype=np.float64)
        self._laid = self._laid_on_scene()
        self.scene: StillScene = still_scene(self._laid, calibration, corridor)

    def unmixed(self, share: float) -> "ShotPictures":
        """Return the same with so much of the frame before taken out of every frame; see `tracker.lag`."""
        other = copy(self)
        other.mixed_in = share
        return other

    def before_and_now(self, k: int, view: BallView) -> tuple[Floats, Floats, Floats] | None:
        """Pixels round a place, (N, 2), and by how much they differ there from the still scene, before and now.

        None outside the picture; in frame `k` and the one before it as they are, pixels behind rails left out.
        """
        patches = [
            self._patch(
                self._picture(n)[1], view, Optics(), self.motions.at(self._picture(n)[0]) if self.motions else None
            )
            for n in (k - 1, k)
        ]
        if patches[0] is None or patches[1] is None:
            return None
        h, w = patches[0].luma.shape
        u, v = np.meshgrid(np.arange(w) + patches[0].origin_px[0], np.arange(h) + patches[0].origin_px[1])
        use = ~patches[0].hidden
        before, now = ((patch.luma - patch.background)[use].astype(np.float64) for patch in patches if patch)
        return np.stack([u[use], v[use]], axis=1).astype(np.float64), before, now

    def _picture(self, k: int) -> tuple[float, npt.NDArray[np.uint8]]:
        """Time and window of frame `k` after the strike; -1 is the last before it."""
        return self.cut.after[k] if k >= 0 else self.cut.before[-1]

    def _laid_on_scene(self) -> ShotFrames:
        """Return the frames with what is seen in each moved to where it lies in the still scene."""
        if not self.motions:
            return self.cut
        laid = [
            [(time_s, self._moved_back(crop, self.motions.at(time_s))) for time_s, crop in frames]
            for frames in (self.cut.before, self.cut.after)
        ]
        return replace(self.cut, before=laid[0], after=laid[1])

    def _moved_back(self, crop: npt.NDArray[np.uint8], motion: PictureMotion) -> npt.NDArray[np.uint8]:
        how = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        size = (crop.shape[1], crop.shape[0])
        moved = cv2.warpAffine(
            crop, motion.matrix(self._origin_px), size, flags=how, borderMode=cv2.BORDER_REPLICATE
        )
        return np.asarray(moved, dtype=np.uint8)

    def spots(self) -> list[Floats]:
        """Bright spots of every frame after the strike, as `tracker.chain.bright_spots` gives them."""
        plan = self.corridor.plan(self.scene.background)
        rest = bright_spots(self.scene.at_rest, plan, self.corridor, self.calibration, floor=1.0)
        near = rest[np.hypot(*(rest[:, :2] - self.cut.place.xy_m).T) < 0.04] if len(rest) else rest
        floor = MIN_SHARE * float(near[:, 2].max()) if len(near) else MIN_SHARE * self.cut.place.contrast
        return [
            bright_spots(crop, plan, self.corridor, self.calibration, floor=floor) for _, crop in self._laid.after
        ]

    def view(self, xy_m: Floats, velocity_m_s: Floats) -> BallView:
        """Predict the ball at a place of the table."""
        return view_ball(self.calibration.camera, xy_m, velocity_m_s, radius_m=self.calibration.ball.radius_m)

    def moving_px(self, xy_m: Floats, velocity_m_s: Floats) -> tuple[Floats, Floats]:
        """Image of a ball's centre, (2,) px, and how it moves, (2,) px/s; no more of its `view`."""
        camera = self.calibration.camera
        centre_m = np.array([*xy_m, self.calibration.ball.radius_m])
        return camera.project(centre_m), camera.project_jacobian(centre_m)[:, :2] @ velocity_m_s

    def table_xy_m(self, sightings: list[Sighting]) -> Floats:
        """(N, 2) places on the table of sightings."""
        return self.on_table_m(np.array([s.centre_px for s in sightings]))

    def on_table_m(self, centres_px: Floats) -> Floats:
        """(N, 2) places on the table of balls whose centres are seen there in the still scene."""
        return self.calibration.camera.onto_plane(centres_px, z_m=self.calibration.ball.radius_m)

    def in_scene_px(self, k: int, place_px: Floats) -> Floats:
        """(2,) where a place in frame `k` after the strike lies in the still scene."""
        return self.motions.at(self.times_s[k]).to_scene(place_px) if self.motions else place_px

    def look(self, k: int, view: BallView, optics: Optics) -> tuple[BallView, Patch] | None:
        """Predicted ball and pixels in frame `k` after the strike; None outside the picture."""
        time_s, picture = self._picture(k)
        motion = self.motions.at(time_s) if self.motions else None
        if motion is not None:
            there_px = motion.from_scene(view.centre_px)
            view = replace(view, centre_px=there_px, axes_px=view.axes_px * (1 + motion.stretch[0]))
        patch = self._patch(picture, view, optics, motion)
        if patch is not None and self.mixed_in:
            u0, v0 = np.subtract(patch.origin_px, self.corridor.window_px[:2])
            h, w = patch.luma.shape
            before = self._picture(k - 1)[1][v0 : v0 + h, u0 : u0 + w].astype(np.float32)
            luma = (patch.luma - self.mixed_in * before) / (1 - self.mixed_in)
            patch = replace(patch, luma=np.asarray(luma, dtype=np.float32))
        return None if patch is None else (view, patch)

    def look_at_rest(self, view: BallView, optics: Optics) -> Patch | None:
        """Pixels round the ball at rest, averaged over the frames before the strike; None outside the picture."""
        return self._patch(self.scene.at_rest, view, optics, None)

    def locate(
        self,
        predicted: Mapping[int, BallView],
        optics: Optics,
        light: Light | None = None,
        effort: Effort = THOROUGH,
    ) -> dict[int, Sighting]:
        """Locate the ball in frames after the strike, from where it is predicted; leave out where that fails."""
        looked = {k: one for k, view in predicted.items() if (one := self.look(k, view, optics)) is not None}
        light = light or any_light()
        searches = [
            RimSearch(view=there, patch=patch, optics=optics, noise=self.scene.noise, light=light, effort=effort)
            for there, patch in looked.values()
        ]
        found = dict(zip(looked, located(searches), strict=True))
        return {k: self._in_scene(k, one) for k, one in found.items() if one is not None}

    def _in_scene(self, k: int, found: Sighting) -> Sighting:
        """Return a sighting with its place in the still scene."""
        if not self.motions:
            return found
        motion = self.motions.at(self.cut.after[k][0])
        place_px = motion.to_scene(found.centre_px)
        return replace(found, centre_px=place_px, cov_px2=found.cov_px2 + motion.cov_px2(place_px))

    def locate_at_rest(
        self, view: BallView, optics: Optics, light: Light | None, effort: Effort = THOROUGH
    ) -> Sighting | None:
        """Locate the ball at rest, from one start; what was asked before is not looked for again."""
        asked = (view.centre_px.tobytes(), optics, light, effort)
        if asked not in self._at_rest:
            patch = self.look_at_rest(view, optics)
            self._at_rest[asked] = (
                None
                if patch is None
                else locate_ball(view, patch, optics, noise=self.scene.noise, light=light, effort=effort)
            )
        return self._at_rest[asked]

    def _patch(
        self, picture: Picture, view: BallView, optics: Optics, motion: PictureMotion | None
    ) -> Patch | None:
        """Cut the pixels round a predicted ball, and what lies behind them where the picture lay then."""
        u0, v0, u1, v1 = window_px(view, optics)
        cu, cv, cu1, cv1 = self.corridor.window_px
        u0, v0, u1, v1 = max(u0, cu), max(v0, cv), min(u1, cu1), min(v1, cv1)
        if u1 - u0 < 8 or v1 - v0 < 8:
            return None
        window = np.s_[v0 - cv : v1 - cv, u0 - cu : u1 - cu]
        background, hidden = self.scene.background[window], self.corridor.hidden[window]
        if motion is not None:
            u, v = np.meshgrid(np.arange(u0, u1, dtype=np.float64), np.arange(v0, v1, dtype=np.float64))
            behind_px = (motion.to_scene(np.stack([u, v], axis=-1)) - self._origin_px).astype(np.float32)
            background = _sampled(self.scene.background, behind_px, cv2.INTER_CUBIC)
            hidden = _sampled(self.corridor.hidden.astype(np.float32), behind_px, cv2.INTER_LINEAR) > 0
        return Patch(
            luma=picture[window].astype(np.float32), background=background, hidden=hidden, origin_px=(u0, v0)
        )


def _sampled(
    picture: npt.NDArray[np.float32], places_px: npt.NDArray[np.float32], how: int
) -> npt.NDArray[np.float32]:
    seen = cv2.remap(picture, places_px[..., 0], places_px[..., 1], how, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(seen, dtype=np.float32)
