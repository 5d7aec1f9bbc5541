"""A second small renderer of shots: what `tracker` and `sample_clips` both assume would show in its clips.

A pinhole camera turned by a look-at matrix; a ceiling panel of light sampled point by point, which gives soft
shadows by casting rays past the ball; cloth and ball of Lambert's reflectance with Phong's highlight (Phong 1975);
blotches on the cloth, stripes on the ball, a disc for the lens; a tone curve that is a power with a knee; readout
row by row; grain in grey levels; H.264. The motion is stepped numerically: dry friction against the slip of a
solid sphere, which turns with its stripes.
"""

from dataclasses import dataclass
from pathlib import Path

import av  # noqa: TID251 - it encodes its own pictures
import cv2
import numpy as np

WIDTH_M, LENGTH_M, RADIUS_M, NOSE_M, RAIL_TOP_M = 1.27, 2.54, 0.028575, 0.0363, 0.042
SIZE_PX = (360, 640)
FPS, EXPOSURE_S, READOUT_S = 60.0, 1 / 250, 0.008
RAYS = 4  # a side of a pixel; each has a moment of the exposure to itself
PANEL_M = [(x, y, 1.1) for x in np.linspace(0.25, 1.05, 3) for y in np.linspace(0.4, 2.1, 4)]


@dataclass(frozen=True, kw_only=True)
class Played:
    """The truth of one shot: positions (N, 2) in m at `times_s` from the strike, and what is to be measured.

    `turned_rad` (N,) is how far the ball has turned forward, about the axis along the rail.
    """

    times_s: np.ndarray
    places_m: np.ndarray
    turned_rad: np.ndarray
    contact_s: float
    reading_m: float
    launch_rad: float


def play(*, speed_m_s, launch_rad, side_slip=0.0, start_m=(0.3175, 0.762), line_y_m, zero_m) -> Played:
    """Step a shot; `side_slip` is the sideways part of the slip as a share of the speed (an elevated cue)."""
    step_s, mu_slide, mu_roll, g = 1e-4, 0.21, 0.009, 9.81
    place = np.array(start_m)
    velocity = speed_m_s * np.array([np.sin(launch_rad), np.cos(launch_rad)])
    slip = velocity + side_slip * speed_m_s * np.array([1.0, 0.0])
    contact_y_m = LENGTH_M - np.sqrt(RADIUS_M**2 - (NOSE_M - RADIUS_M) ** 2)
    places, turned_rad, reading_m, contact_s = [place], [0.0], None, 0.0
    while reading_m is None or len(places) * step_s < contact_s + 0.5:
        size = np.hypot(*slip)
        if size > 4 * mu_slide * g * step_s:
            velocity = velocity - mu_slide * g * step_s * slip / size
            slip = slip - 3.5 * mu_slide * g * step_s * slip / size  # the spin of a solid sphere gains 5/2 of it
        else:
            velocity = velocity * (1 - mu_roll * g * step_s / np.hypot(*velocity))
        place = place + velocity * step_s
        if reading_m is None and place[1] >= contact_y_m:
            contact_s = len(places) * step_s
            reading_m = place[0] + (line_y_m - place[1]) * velocity[0] / velocity[1] - zero_m
            velocity, slip = velocity * [0.8, -0.7], np.zeros(2)
        places.append(place)
        turned_rad.append(turned_rad[-1] + (velocity - slip)[1] / RADIUS_M * step_s)
    return Played(
        times_s=step_s * np.arange(len(places)),
        places_m=np.array(places),
        turned_rad=np.array(turned_rad),
        contact_s=contact_s,
        reading_m=float(reading_m),
        launch_rad=launch_rad,
    )


class Eye:
    """A pinhole at a place, looking at another."""

    def __init__(self, place_m, target_m, focal_px):
        self.place_m, self.focal_px = np.array(place_m), focal_px
        ahead = np.subtract(target_m, place_m)
        right = np.cross(ahead, [0, 0, 1])
        self.axes = np.array([one / np.linalg.norm(one) for one in (right, np.cross(ahead, right), ahead)])

    def see(self, point_m):
        """Where in the picture a point lies; the middle of the corner pixel is (0, 0)."""
        right, down, ahead = self.axes @ (np.array(point_m) - self.place_m)
        return self.focal_px * np.array([right, down]) / ahead + (np.array(SIZE_PX) - 1) / 2

    def rays(self, u, v):
        """Directions (3, ...) of unit length."""
        across = (u - (SIZE_PX[0] - 1) / 2) / self.focal_px
        below = (v - (SIZE_PX[1] - 1) / 2) / self.focal_px
        # Summed by hand: BLAS sums in an order that varies with where the memory lies, and a ray on an edge
        # then hits or misses from run to run.
        right, down, ahead = self.axes[:, :, None, None]
        rays = right * across + down * below + ahead
        return rays / np.sqrt((rays**2).sum(axis=0))


class Film:
    """The still scene, and frames of the ball over it; `wood` is how blotched the rails are, as a share."""

    def __init__(self, eye: Eye, seed: int, *, wood: float = 0.0):
        self.eye, self.rng, self.wood = eye, np.random.default_rng(seed), wood
        blotches = cv2.GaussianBlur(self.rng.normal(size=(700, 400)), (0, 0), 2.0)
        self.blotches = blotches / blotches.std()
        self.disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * RAYS + 1, 2 * RAYS + 1)).astype(float)
        self.disc /= self.disc.sum()  # a lens that spreads a point over two pixels
        self.still = self._rendered((0, 0, *SIZE_PX), None)

    def light(self, ball_at) -> np.ndarray:
        """Linear light (H, W); `ball_at` gives x, y and turn (3, n) at times from the frame's first row."""
        light = self.still.copy()
        u, v = self.eye.see((*ball_at(np.zeros(1))[:2, 0], 0.0))
        left, top = max(int(u) - 34, 0), max(int(v) - 34, 0)
        right, bottom = min(int(u) + 34, SIZE_PX[0]), min(int(v) + 24, SIZE_PX[1])
        if right > left and bottom > top:
            light[top:bottom, left:right] = self._rendered((left, top, right, bottom), ball_at)
        return light

    def developed(self, light) -> np.ndarray:
        """Grey levels (H, W) uint8 of linear light, with grain."""
        bright = np.maximum(light, 0) ** (1 / 2.1)
        knee = np.where(bright < 0.7, bright, 0.7 + 0.45 * (bright - 0.7))
        grey = 16 + 219 * np.clip(knee, 0, 1) + self.rng.normal(0, 1.5, light.shape)
        return np.clip(np.round(grey), 16, 235).astype(np.uint8)

    def _rendered(self, window, ball_at):
        """Linear light of a window's pixels, with the ball (where there is one) as each ray's moment shows it."""
        left, top, right, bottom = window
        pad = 2
        u = (np.arange((right - left + 2 * pad) * RAYS) + 0.5) / RAYS - 0.5 + left - pad
        v = (np.arange((bottom - top + 2 * pad) * RAYS) + 0.5) / RAYS - 0.5 + top - pad
        u, v = np.meshgrid(u, v)
        rays = self.eye.rays(u, v)
        light, cloth_m = self._table(rays)
        if ball_at is not None:
            moment = self._moments(u.shape)
            x_m, y_m, turned_rad = ball_at((moment * EXPOSURE_S + np.round(v) * READOUT_S / SIZE_PX[1]).ravel())
            centre_m = np.stack([x_m, y_m, np.full_like(x_m, RADIUS_M)]).reshape(3, *u.shape)
            light = self._with_ball(light, rays, cloth_m, centre_m, turned_rad.reshape(u.shape))
        light = cv2.filter2D(light, -1, self.disc, borderType=cv2.BORDER_REPLICATE)
        h, w = bottom - top + 2 * pad, right - left + 2 * pad
        return light.reshape(h, RAYS, w, RAYS).mean(axis=(1, 3))[pad:-pad, pad:-pad]

    def _moments(self, shape):
        """Moments from -1/2 to 1/2 of the exposure, dealt evenly to the rays of each pixel."""
        deal = self.rng.permutation(RAYS * RAYS).reshape(RAYS, RAYS)
        return (np.tile(deal, (shape[0] // RAYS, shape[1] // RAYS)) + 0.5) / RAYS**2 - 0.5

    def _table(self, rays):
        """Cloth and rails without a ball, and the point of the cloth's plane that each ray meets, (2, H, W)."""
        eye = self.eye.place_m
        cloth_m = eye[:2, None, None] - eye[2] / rays[2] * rays[:2]
        rail_m = eye[:2, None, None] - (eye[2] - RAIL_TOP_M) / rays[2] * rays[:2]
        spot = _cell(cloth_m)
        lit = sum(1.1 / (1.21 + (cloth_m[0] - x) ** 2 + (cloth_m[1] - y) ** 2) ** 1.5 for x, y, _ in PANEL_M)
        light = 0.028 * lit * (1 + 0.06 * self.blotches[spot[1], spot[0]])
        rails, grain = _on_rail(rail_m), _cell(rail_m)
        light[rails] = (0.05 * np.maximum(1 + self.wood * self.blotches[grain[1], grain[0]], 0.1))[rails]
        return light, cloth_m

    def _with_ball(self, light, rays, cloth_m, centre_m, turned_rad):
        """Lay the ball and its shadow over the light of a window's rays."""
        rail_m = self.eye.place_m[:2, None, None] - (self.eye.place_m[2] - RAIL_TOP_M) / rays[2] * rays[:2]
        to_ball = centre_m - self.eye.place_m[:, None, None]
        along = (to_ball * rays).sum(axis=0)
        inside = RADIUS_M**2 - (to_ball**2).sum(axis=0) + along**2
        free = ~_on_rail(rail_m)
        ball, cloth = free & (inside > 0), free & (inside <= 0)
        light = light.copy()
        light[cloth] *= 1 - 0.9 * self._shadow(cloth_m[:, cloth], centre_m[:, cloth])
        way = (along - np.sqrt(np.maximum(inside, 0)))[ball] * rays[:, ball]
        normal = (self.eye.place_m[:, None] + way - centre_m[:, ball]) / RADIUS_M
        light[ball] = self._ball(centre_m[:, ball], normal, rays[:, ball], self._paint(normal, turned_rad[ball]))
        return light

    def _shadow(self, cloth_m, centre_m):
        """Share of the panel that the ball hides from points of the cloth, (n,)."""
        point_m = np.concatenate([cloth_m, np.zeros((1, cloth_m.shape[1]))])
        off = centre_m - point_m
        away2 = (off**2).sum(axis=0)
        hidden, whole = 0.0, 0.0
        for lamp in PANEL_M:
            way = np.array(lamp)[:, None] - point_m
            far2 = (way**2).sum(axis=0)
            hidden = hidden + (away2 - (off * way).sum(axis=0) ** 2 / far2 < RADIUS_M**2) / far2**1.5
            whole = whole + 1 / far2**1.5
        return hidden / whole

    def _ball(self, centre_m, normal, rays, paint):
        """Lambert's light, and Phong's highlight of the mirrored way, of points of the ball, (n,)."""
        point_m = centre_m + RADIUS_M * normal
        light = 0.06 + 0.03 * normal[2]  # what walls and cloth send back
        for lamp in PANEL_M:
            way = np.array(lamp)[:, None] - point_m
            far2 = (way**2).sum(axis=0)
            cosine = (normal * way).sum(axis=0) / np.sqrt(far2)
            mirrored = 2 * cosine * normal - way / np.sqrt(far2)
            shine = np.maximum(-(mirrored * rays).sum(axis=0), 0) ** 40
            light = light + np.maximum(cosine, 0) / far2 * (0.12 * paint + 0.16 * shine)
        return light

    def _paint(self, normal, turned_rad):
        """Reflectance of the ball: three soft darker stripes round a slanted axis that turns with it."""
        cos, sin = np.cos(turned_rad), np.sin(turned_rad)
        height = (
            0.48 * normal[0]
            + 0.64 * (cos * normal[1] - sin * normal[2])
            + 0.6 * (sin * normal[1] + cos * normal[2])
        )
        return 0.9 - 0.12 * (np.sin(9 * height) > 0.6)


def _cell(point_m):
    """Which cell of the blotches lies at points of the table, (2, ...)."""
    return np.clip((point_m * 250).astype(int) + 40, 0, [[[399]], [[699]]])


def _on_rail(point_m):
    x, y = point_m
    return (x < 0) | (x > WIDTH_M) | (y < 0) | (y > LENGTH_M)


def film(path: Path, eye: Eye, played: Played, *, seed: int, rest_s=0.7, after_s=0.3, wood=0.0) -> None:
    """Render and encode one shot: the ball at rest, the strike, the way to the rail and a little back."""
    made = Film(eye, seed, wood=wood)
    ways = (*played.places_m.T, played.turned_rad)
    resting = made.light(lambda times_s: np.array([np.full(len(times_s), way[0]) for way in ways]))
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=int(FPS))
        stream.width, stream.height, stream.pix_fmt = *SIZE_PX, "yuv420p"
        stream.options = {"crf": "18", "preset": "fast", "threads": "1"}
        neutral = np.full((SIZE_PX[1] // 2, SIZE_PX[0]), 128, np.uint8)
        for n in range(int((rest_s + played.contact_s + after_s) * FPS)):

            def ball_at(times_s, began_s=n / FPS - rest_s):
                return np.array([np.interp(began_s + times_s, played.times_s, way) for way in ways])

            at_rest = n / FPS + EXPOSURE_S + READOUT_S < rest_s
            grey = made.developed(resting if at_rest else made.light(ball_at))
            frame = av.VideoFrame.from_ndarray(np.concatenate([grey, neutral]), format="yuv420p")
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
