"""The shooter's part of the picture: cue with tip and ferrule, bridge hand, arm and shoulder, as rounded rods."""

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicHermiteSpline

from sample_clips.background import level_light, spread_offsets
from sample_clips.ball_render import Layer, bounding_window
from sample_clips.cue_look import SKIN, Colour, CueLook
from sample_clips.optics import Image, Lens, window_rays
from sample_clips.physics import Floats
from sample_clips.strike import Strike, Struck, cue_axes
from sample_clips.table_scene import Scene

SAMPLES = 8
TIP_RADIUS_M = 0.0062
BRIDGE_M = 0.23  # from the ball back to the bridge hand
# A tube lamp of the room, above the player and along the lane: a lacquered cue mirrors it where its surface faces
# half-way up to it, in a line of a fifth of its width.
TUBE_HALF_WAY = np.array([0.41, 0.0, 0.912])
TUBE_SHARPNESS = 60


@dataclass(frozen=True, slots=True, eq=False)
class Rod:
    """A rounded rod: two ends, their radii, a colour, or `parts` along it; `sheen` where it mirrors a lamp."""

    start_m: Floats
    end_m: Floats
    start_radius_m: float
    end_radius_m: float
    colour: Colour
    parts: tuple[tuple[float, Colour], ...] = ()
    sheen: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Figure:
    """Cue and player of one shot.

    Attributes
    ----------
    strike : Strike
        How the cue lies.
    struck : Struck
        Its speed, and where it touches.
    ball_m : (3,) array
        Centre of the resting ball.
    radius_m : float
        Of the ball.
    look : CueLook
        How cue and hand look, and whether the stroke swerves.
    """

    strike: Strike
    struck: Struck
    ball_m: Floats
    radius_m: float
    look: CueLook

    def cue_shift_m(self, time_s: float) -> float:
        """How far the tip is past the contact point, along the cue, at a time from the strike.

        Two practice strokes, a pause, the stroke at constant acceleration, the follow-through.
        """
        swing_s = 0.36 / self.struck.cue_speed_m_s
        knots = [
            (-1.75, -0.020, 0.0),
            (-1.40, -0.130, 0.0),
            (-1.05, -0.018, 0.0),
            (-0.75, -0.125, 0.0),
            (-0.52, -0.018, 0.0),
            (-swing_s - 0.10, -0.18, 0.0),
            (-swing_s, -0.18, 0.0),
            (0.0, 0.0, self.struck.cue_speed_m_s),
            (0.16, 0.17, 0.0),
            (0.45, 0.16, 0.0),
            (1.2, -0.2, 0.0),
        ]
        times, shifts, speeds = np.array(knots).T
        return float(CubicHermiteSpline(times, shifts, speeds)(np.clip(time_s, times[0], times[-1])))

    def rods(self, time_s: float) -> list[Rod]:
        """All rods at a time from the strike."""
        along, right, _ = cue_axes(self.strike)
        part = np.clip((time_s - 0.45) / 0.8, 0, 1)
        gone = np.array([0.06, -0.65, 0.30]) * part * part * (3 - 2 * part)
        touch = self.ball_m + self.struck.contact_m * (1 + TIP_RADIUS_M / self.radius_m)
        bridge = touch - BRIDGE_M * along
        # a cue that swerves turns about the bridge, in the last tenth of a second before the strike
        aside_m = self.look.swerve_m_s * float(np.clip(time_s, -0.1, 0.0))
        turned = along + right * aside_m / BRIDGE_M
        turned /= np.linalg.norm(turned)
        from_bridge_m = BRIDGE_M + self.cue_shift_m(time_s)
        tip = bridge + turned * from_bridge_m + gone
        parts = self.look.parts_at(from_bridge_m + TIP_RADIUS_M)
        cue = Rod(tip, tip - 1.46 * turned, TIP_RADIUS_M, 0.0145, SKIN, parts=parts, sheen=self.look.sheen)
        base = np.array([bridge[0], bridge[1], 0.0]) + gone

        def at(x: float, y: float, z: float) -> Floats:
            return base + np.array([x, y, z])

        fingers = [
            Rod(
                at(-0.034 + 0.02 * i, -0.015, 0.020),
                at(-0.062 + 0.032 * i, 0.055 - 0.006 * (i - 1.5) ** 2, 0.008),
                0.0095,
                0.0075,
                SKIN,
            )
            for i in range(4)
        ]
        sleeve, cuff_m = self.look.sleeve, np.array([-0.11, 0.32, -0.105]) / 0.354 * self.look.sleeve_m
        lying = self.ball_m + [0.055, -0.03, 0.0065 - self.radius_m]
        stick = Rod(lying, lying + [0.03, -1.0, 0.004], 0.0062, 0.011, SKIN, parts=CueLook().parts)
        return [
            cue,
            *([stick] if self.look.stick else []),
            *fingers,
            Rod(at(0.030, -0.035, 0.022), at(0.012, 0.030, 0.020), 0.012, 0.009, SKIN),
            Rod(at(-0.032, -0.055, 0.018), at(0.030, -0.052, 0.020), 0.020, 0.021, SKIN),
            Rod(at(-0.028, -0.025, 0.014), at(0.028, -0.025, 0.015), 0.014, 0.015, SKIN),
            Rod(at(0.0, -0.075, 0.026), at(0.05, -0.20, 0.055), 0.027, 0.036, SKIN),
            Rod(at(0.05, -0.20, 0.055) + cuff_m, at(0.16, -0.52, 0.16), 0.042, 0.056, sleeve),
            Rod(at(0.16, -0.52, 0.16), at(0.22, -0.85, 0.34), 0.060, 0.085, sleeve),
            Rod(at(0.20, -0.90, 0.30), at(0.30, -1.35, 0.10), 0.16, 0.20, sleeve),
            Rod(at(0.02, -0.80, 0.36), at(0.02, -0.86, 0.38), 0.085, 0.095, (0.02, 0.013, 0.009)),
        ]


def _meet(origin: Floats, rays: Image, rod: Rod) -> tuple[Image, Image, Image]:
    """Distance along rays to a rod (inf where missed), place along it 0 to 1, and normals there."""
    axis = (rod.end_m - rod.start_m).astype(np.float32)
    w = origin - rod.start_m.astype(np.float32)
    a, b, c = (rays * rays).sum(axis=-1), rays @ axis, float(axis @ axis)
    d, e = rays @ w, float(axis @ w)
    t = np.clip((a * e - b * d) / np.maximum(a * c - b * b, 1e-9), 0, 1)
    s = (b * t - d) / a
    gap = w + s[..., None] * rays - t[..., None] * axis
    radius = rod.start_radius_m + (rod.end_radius_m - rod.start_radius_m) * t
    rest2 = radius**2 - (gap * gap).sum(axis=-1)
    depth = np.sqrt(np.maximum(rest2, 0))
    toward = -rays / np.sqrt(a)[..., None]
    normals = (gap + depth[..., None] * toward) / radius[..., None]
    reach = np.where(rest2 > 0, s - depth / np.sqrt(a), np.inf)
    return reach, t, normals


def _rod_colour(rod: Rod, t: Image) -> Image:
    colour = np.broadcast_to(np.array(rod.colour), (*t.shape, 3))
    if not rod.parts:
        return colour
    colour = colour.copy()
    along_m = t * float(np.linalg.norm(rod.end_m - rod.start_m)) + TIP_RADIUS_M
    start_m = -1.0
    for end_m, part in rod.parts:
        colour[(along_m > start_m) & (along_m <= end_m)] = part
        start_m = end_m
    return colour


def _mirrored_tube(normals: Image, along: Floats) -> Image:
    """(N,) light of a tube lamp along a rod, mirrored by its round."""
    along = (along / np.linalg.norm(along)).astype(np.float32)
    across = normals - (normals @ along)[:, None] * along
    facing = across @ TUBE_HALF_WAY.astype(np.float32) / np.linalg.norm(across, axis=1)
    return np.asarray(np.clip(facing, 0, 1) ** TUBE_SHARPNESS, dtype=np.float32)


def draw_figure(scene: Scene, lens: Lens, moments: list[list[Rod]]) -> Layer | None:
    """Cast the rods over the window that they take; `moments` are their places over the exposure."""
    ends = np.array([p for rods in moments for rod in rods for p in (rod.start_m, rod.end_m)])
    thick = np.array([r for rods in moments for rod in rods for r in (rod.start_radius_m, rod.end_radius_m)])
    corners = np.concatenate([ends + sign * thick[:, None] * np.eye(3)[i] for sign in (-1, 1) for i in range(3)])
    corners = corners[(corners - lens.position_m) @ lens.axes[2] > 0.1]
    if not len(corners):
        return None
    window = bounding_window(lens, corners, 2)
    if window is None:
        return None
    h, w = window[3] - window[1], window[2] - window[0]
    cover, light = np.zeros((h, w), np.float32), np.zeros((h, w, 3), np.float32)
    offsets = spread_offsets(SAMPLES, 2)
    origin = np.array(lens.position_m, np.float32)
    parts = [[_rod_window(lens, rod, window) for rod in rods] for rods in moments]
    for n, offset in enumerate(offsets):
        rays = window_rays(lens, window, offset[None])[0].astype(np.float32)
        nearest = np.full((h, w), np.inf, np.float32)
        seen = np.zeros((h, w, 3), np.float32)
        moment = n * len(moments) // SAMPLES
        for rod, part in zip(moments[moment], parts[moment], strict=True):
            if part is None:
                continue
            reach, t, normals = _meet(origin, rays[part], rod)
            closer = reach < nearest[part]
            if not closer.any():
                continue
            points = origin + reach[closer][:, None] * rays[part][closer]
            level = level_light(scene, points[:, 0], points[:, 1])
            up = normals[closer][:, 2]
            shade = scene.ambient * (0.5 + 0.5 * up) + (level - scene.ambient) * np.clip(0.12 + 0.88 * up, 0, 1)
            seen[part][closer] = _rod_colour(rod, t)[closer] * shade[:, None]
            if rod.sheen:
                seen[part][closer] += rod.sheen * _mirrored_tube(normals[closer], rod.end_m - rod.start_m)[:, None]
            nearest[part][closer] = reach[closer]
        cover += np.isfinite(nearest)
        light += seen
    return Layer(window, cover / SAMPLES, light / SAMPLES)


def _rod_window(lens: Lens, rod: Rod, window: tuple[int, int, int, int]) -> tuple[slice, slice] | None:
    """Part of a window in which a rod can be seen."""
    ends = np.array([rod.start_m, rod.end_m])
    depth = (ends - lens.position_m) @ lens.axes[2]
    if (depth < 0.1).any():
        return slice(None), slice(None)
    image = lens.project(ends)
    margin = lens.focal_px * np.array([rod.start_radius_m, rod.end_radius_m]) / depth * 1.4 + 2
    low = np.floor((image - margin[:, None]).min(axis=0)).astype(int) - window[:2]
    high = np.ceil((image + margin[:, None]).max(axis=0)).astype(int) + 1 - window[:2]
    low, high = np.maximum(low, 0), np.minimum(high, [window[2] - window[0], window[3] - window[1]])
    if (high <= low).any():
        return None
    return slice(low[1], high[1]), slice(low[0], high[0])


def figure_shadow(points_m: Image, flat: Image, rods: list[Rod]) -> Image:
    """(h, w) part of the light left on the cloth near the rods: a soft darkening that falls off with distance."""
    left = np.ones(flat.shape, np.float32)
    points = points_m[flat].astype(np.float32)
    kept = np.ones(len(points), np.float32)
    for rod in rods:
        start, axis = rod.start_m.astype(np.float32), (rod.end_m - rod.start_m).astype(np.float32)
        t = np.clip((points - start) @ axis / float(axis @ axis), 0, 1)
        gap = np.sqrt(((points - start - t[:, None] * axis) ** 2).sum(axis=-1))
        radius = rod.start_radius_m + (rod.end_radius_m - rod.start_radius_m) * t
        kept *= 1 - 0.45 * np.minimum((radius / gap) ** 2, 1)
    left[flat] = kept
    return left
