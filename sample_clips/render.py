"""One shot into one clip: frames built in linear light, then tone curve, noise, 4:2:0 and the encoder."""

from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from scipy.spatial.transform import Rotation

from sample_clips.background import Background, background, spread_offsets
from sample_clips.ball_render import (
    SAMPLES,
    SHADOW_MOMENTS,
    Layer,
    Look,
    Pattern,
    bounding_window,
    draw_ball,
    shadow,
)
from sample_clips.encode import write_clip
from sample_clips.figure import Figure, draw_figure, figure_shadow
from sample_clips.optics import Image, falloff, tone
from sample_clips.phone import Processing
from sample_clips.physics import Floats
from sample_clips.shots import ShotSetup, ShotTruth, shot_truth

# ITU-R BT.709: luma weights, and colour differences scaled to -0.5..0.5
LUMA = np.array([0.2126, 0.7152, 0.0722], np.float32)
TO_CB = (np.array([0, 0, 1], np.float32) - LUMA) / 1.8556
TO_CR = (np.array([1, 0, 0], np.float32) - LUMA) / 1.5748
OBJECT_LOOK = Look(pattern=Pattern.PLAIN, colour=(0.62, 0.40, 0.02), turn=(0.9, 0.3, -0.5))
EDGE = 4  # px round a drawn window that point spread can reach; even, for the chroma planes
MOMENTS = spread_offsets(SAMPLES, 3)[:, 2]  # of the exposure, one for each ray
Window = tuple[int, int, int, int]


def _part(window: Window) -> tuple[slice, slice]:
    return slice(window[1], window[3]), slice(window[0], window[2])


@lru_cache(maxsize=4)
def _grain_pool(shape: tuple[int, int], grain_px: float) -> Image:
    """(4, h, w) fields of smoothed noise of unit spread, larger than the picture so that they can be shifted."""
    rng = np.random.default_rng(20240611)
    pool = rng.standard_normal((4, shape[0] + 64, shape[1] + 64), dtype=np.float32)
    if grain_px > 0:
        pool = np.stack([cv2.GaussianBlur(field, (0, 0), grain_px) for field in pool])
    return pool / pool.std()


class _Canvas:
    """The still picture, and what each frame changes in it."""

    def __init__(self, setup: ShotSetup) -> None:
        self.setup = setup
        self.scene_light, self.behind = _still_light(setup)
        self.light = self.scene_light.copy()
        self.falloff = falloff(setup.lens, setup.sensor)
        height, width = self.light.shape[:2]
        self.still = self._develop((0, 0, width, height))
        self.drawn: list[Window] = []
        record = setup.recording
        self.processing = Processing(
            setup.phone, setup.lens.size_px, readout_s=record.readout_s, exposure_s=record.exposure_s
        )

    def _develop(self, window: Window) -> tuple[Image, Image, Image, Image]:
        """Luma, its noise, the two chroma planes (half size) and their noise, of an even window."""
        sensor = self.setup.sensor
        height, width = self.light.shape[:2]
        left, top, right, bottom = window
        wide = (max(left - EDGE, 0), max(top - EDGE, 0), min(right + EDGE, width), min(bottom + EDGE, height))
        light = sensor.blur(self.light[_part(wide)])
        inner = (slice(top - wide[1], bottom - wide[1]), slice(left - wide[0], right - wide[0]))
        signal = light[inner] * (self.falloff[_part(window)] * sensor.gain)[..., None]
        code, slope = tone(signal)
        spread = slope * sensor.noise_sd(signal)
        luma = code @ LUMA
        luma_sd = np.sqrt((spread * spread) @ (LUMA * LUMA))
        chroma = np.stack([code @ TO_CB, code @ TO_CR], axis=-1)
        half = ((bottom - top) // 2, 2, (right - left) // 2, 2, 2)
        chroma = chroma.reshape(half).mean(axis=(1, 3))
        chroma_sd = (spread.mean(axis=-1) * 0.6).reshape(half[:4]).mean(axis=(1, 3)) / 2
        return luma, luma_sd, chroma, chroma_sd

    def shade(self, window: Window, left: Image) -> None:
        """Take light away."""
        self.light[_part(window)] *= left[..., None]
        self.drawn.append(window)

    def put(self, layer: Layer) -> None:
        """Lay something over the picture."""
        part = _part(layer.window)
        self.light[part] = self.light[part] * (1 - layer.cover)[..., None] + layer.light
        self.drawn.append(layer.window)

    def expose(self, rng: np.random.Generator, time_s: float) -> Image:
        """(3/2 H, W) uint8 planes of the frame as drawn; the canvas is clean again afterwards."""
        luma, luma_sd, chroma, chroma_sd = (plane.copy() for plane in self.still)
        height, width = luma.shape
        for window in self.drawn:
            wide = (
                max(window[0] - EDGE, 0),
                max(window[1] - EDGE, 0),
                min(window[2] + EDGE, width),
                min(window[3] + EDGE, height),
            )
            part = _part(wide)
            half = _part(tuple(edge // 2 for edge in wide))
            luma[part], luma_sd[part], chroma[half], chroma_sd[half] = self._develop(wide)
        for window in self.drawn:
            self.light[_part(window)] = self.scene_light[_part(window)]
        self.drawn.clear()
        pool = _grain_pool((height, width), self.setup.sensor.grain_px)

        def grain(h: int, w: int) -> Image:
            k, i, j = rng.integers(len(pool)), rng.integers(64), rng.integers(64)
            return pool[k, i : i + h, j : j + w] * np.float32(rng.choice([-1, 1]))

        luma = self.processing.luma(luma + luma_sd * grain(height, width), time_s)
        chroma = self.processing.moved(chroma, time_s)
        planes = np.empty((height * 3 // 2, width), np.uint8)
        planes[:height] = np.clip(np.rint(16 + 219 * luma), 0, 255)
        for i in range(2):
            plane = chroma[..., i] + chroma_sd * grain(height // 2, width // 2)
            start = height + i * height // 4
            planes[start : start + height // 4] = np.clip(np.rint(128 + 224 * plane), 0, 255).reshape(-1, width)
        return planes


def _shadow_layer(setup: ShotSetup, behind: Background, centres_m: Floats) -> tuple[Window, Image] | None:
    """Window round a ball, and the part of the light that its shadow leaves there."""
    middle = centres_m.mean(axis=0)
    # lamps stand up to some 60 degrees aside: shadows reach about 15 cm
    corners = np.array([[x, y, 0.0] for x in (-0.16, 0.16) for y in (-0.16, 0.16)]) + [middle[0], middle[1], 0]
    window = bounding_window(setup.lens, corners, 0)
    if window is None:
        return None
    part = _part(window)
    return window, shadow(setup.scene, behind.point_m[part], behind.flat[part], centres_m, setup.ball.radius_m)


def _box(centres_m: Floats, radius_m: float) -> Floats:
    """Corners of boxes round balls."""
    cube = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]) * radius_m
    return (centres_m[:, None, :] + cube).reshape(-1, 3)


def _still_ball(setup: ShotSetup, look: Look, centre_m: Floats) -> Layer | None:
    window = bounding_window(setup.lens, _box(centre_m[None], setup.ball.radius_m), 1)
    if window is None:
        return None
    rows = window[3] - window[1]
    return draw_ball(
        setup.scene,
        setup.lens,
        look,
        np.broadcast_to(centre_m, (rows, SAMPLES, 3)),
        Rotation.from_rotvec(np.tile(look.turn, (rows * SAMPLES, 1))),
        window=window,
        radius_m=setup.ball.radius_m,
    )


def draw_moving_ball(setup: ShotSetup, time_s: float, v_px: float) -> Layer | None:
    """Draw the cue ball in the frame of presentation time `time_s`, in which it lies near row `v_px`."""
    record, radius_m = setup.recording, setup.ball.radius_m
    slack_s = record.exposure_s / 2 + record.readout_s * 0.08
    ends_s = time_s + float(setup.row_lag_s(np.array(v_px))) + np.array([-slack_s, slack_s])
    window = bounding_window(setup.lens, _box(setup.centre_at(ends_s), radius_m), 1)
    if window is None:
        return None
    lag_s = setup.row_lag_s(np.arange(window[1], window[3]))
    times_s = time_s + lag_s[:, None] + MOMENTS * record.exposure_s
    w, x, y, z = np.moveaxis(setup.motion.orientation_at(times_s - setup.strike_s).reshape(-1, 4), 1, 0)
    turns = Rotation.from_quat(np.stack([x, y, z, w], axis=-1)) * Rotation.from_rotvec(setup.look.turn)
    centres_m = setup.centre_at(times_s)
    return draw_ball(setup.scene, setup.lens, setup.look, centres_m, turns, window=window, radius_m=radius_m)


def _still_light(setup: ShotSetup) -> tuple[Image, Background]:
    """Return the background with the object ball laid on it, and the background itself."""
    scene = setup.scene
    behind = background(scene, setup.lens)
    light = behind.light.copy()
    if scene.object_ball_m is None:
        return light, behind
    centre_m = np.array([*scene.object_ball_m, setup.ball.radius_m])
    shaded = _shadow_layer(setup, behind, centre_m[None])
    layer = _still_ball(setup, OBJECT_LOOK, centre_m)
    if shaded is not None:
        light[_part(shaded[0])] *= shaded[1][..., None]
    if layer is not None:
        part = _part(layer.window)
        light[part] = light[part] * (1 - layer.cover)[..., None] + layer.light
    return light, behind


def _frames(setup: ShotSetup, truth: ShotTruth) -> Iterator[tuple[int, Image]]:
    """Presentation time in ticks and planes of every frame."""
    canvas = _Canvas(setup)
    figure = Figure(setup.strike, setup.struck, setup.start_m, setup.ball.radius_m, setup.cue_look)
    rng, again = np.random.default_rng([setup.seed, 3]), np.random.default_rng([setup.seed, 4])
    shown: Image | None = None
    rest_shadow = _shadow_layer(setup, canvas.behind, setup.start_m[None])
    rest_layer = _still_ball(setup, setup.look, setup.start_m)
    # the figure hides the ball, or the ball the figure: whichever the camera sees first
    figure_first = setup.lens.position_m[1] > setup.start_m[1]
    exposure_s = setup.recording.exposure_s
    for ticks, frame in zip(setup.frame_ticks, truth.frames, strict=True):
        middle_s = frame.time_s + float(setup.row_lag_s(np.array(frame.v_px))) - setup.strike_s
        if middle_s + exposure_s / 2 + setup.recording.readout_s * 0.08 < 0:
            shaded, ball = rest_shadow, rest_layer
        else:
            spread = np.linspace(-0.5, 0.5, 2 * SHADOW_MOMENTS + 1)[1::2] * exposure_s
            shaded = _shadow_layer(setup, canvas.behind, setup.centre_at(middle_s + spread + setup.strike_s))
            ball = draw_moving_ball(setup, frame.time_s, frame.v_px)
        if shaded is not None:
            canvas.shade(*shaded)
        player = None
        if setup.figure and middle_s < 1.3:
            moments = [figure.rods(middle_s + part * exposure_s) for part in (-0.375, -0.125, 0.125, 0.375)]
            player = draw_figure(setup.scene, setup.lens, moments)
            if player is not None:
                part = _part(player.window)
                left = figure_shadow(canvas.behind.point_m[part], canvas.behind.flat[part], moments[1])
                canvas.shade(player.window, left)
        for layer in (player, ball) if figure_first else (ball, player):
            if layer is not None:
                canvas.put(layer)
        planes = canvas.expose(rng, frame.time_s)
        if shown is not None and setup.phone.repeated and again.uniform() < setup.phone.repeated:
            planes = shown
        shown = planes
        yield ticks, planes


def render_frames(setup: ShotSetup) -> Iterator[tuple[int, Image]]:
    """Presentation time in ticks of 1/90000 s and the (3/2 H, W) planes of every frame, before compression."""
    return _frames(setup, shot_truth(setup))


def render_clip(setup: ShotSetup, path: Path) -> ShotTruth:
    """Render one shot into a video file.

    Parameters
    ----------
    setup : ShotSetup
        See the presets in `sample_clips.shots`.
    path : Path
        An mp4 file; folders are made.

    Returns
    -------
    ShotTruth
        Exact values, with the ball's place in every frame.
    """
    truth = shot_truth(setup)
    write_clip(
        path,
        _frames(setup, truth),
        size_px=setup.lens.size_px,
        fps=setup.recording.fps,
        coding=setup.coding,
        sound=setup.sound(),
    )
    return truth
