"""What a phone does to its pictures before it writes them; nothing of it unless asked for.

In the order in which phones do it: the lamps flicker and the exposure adapts (light), noise reduction mixes in the
frame before, laid upon this one, stabilisation and a breathing focus move the picture, local tone mapping takes out
contrast between large areas, sharpening leaves halos.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import affine_transform

from sample_clips.optics import Image, tone

_SIGNAL = np.linspace(0, 1.25, 2048, dtype=np.float32)
_CODE = tone(_SIGNAL)[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Phone:
    """How much of each effect.

    Attributes
    ----------
    flicker : float
        Part by which the lamps' light goes up and down, at twice the mains frequency; a rolling shutter sees bands.
    mains_hz : float
        Mains frequency.
    adapts : float
        Part by which the exposure drifts, with a period of 1.7 s.
    drift_px : float
        How far stabilisation lets the picture wander.
    breathing : float
        Part by which the focus changes the scale.
    quiets, ghost : float
        Share of the frame before that noise reduction mixes in where nothing changes, and where much does.
    quiet_levels : float
        Change, in grey levels, at which the first has given way to the second by half.
    local_contrast : float
        Share of the contrast between large areas that is taken out.
    local_px : float
        How large: a Gaussian's standard deviation.
    sharpens, halo_px : float
        Share of the blurred picture that is taken away, and its blur.
    repeated : float
        Chance that a frame shows the picture before it once more.
    """

    flicker: float = 0.0
    mains_hz: float = 50.0
    adapts: float = 0.0
    drift_px: float = 0.0
    breathing: float = 0.0
    quiets: float = 0.0
    ghost: float = 0.0
    quiet_levels: float = 12.0
    local_contrast: float = 0.0
    local_px: float = 60.0
    sharpens: float = 0.0
    halo_px: float = 1.4
    repeated: float = 0.0

    def gain(self, times_s: Image, exposure_s: float) -> Image:
        """Light at times of mid-exposure, over the usual; lamps' light goes with the square of the voltage."""
        turn = 2 * math.pi * 2 * self.mains_hz
        # the mean over the exposure
        evened = math.sin(turn * exposure_s / 2) / (turn * exposure_s / 2) if exposure_s > 0 else 1.0
        flicker = 1 + self.flicker * evened * np.sin(turn * times_s)
        return np.asarray(flicker * (1 + self.adapts * np.sin(2 * math.pi * times_s / 1.7)), dtype=np.float32)

    def warp(self, time_s: float, size_px: tuple[int, int]) -> Image:
        """(2, 3) matrix that takes places of the still picture to where they lie at a time."""
        wander = 2 * math.pi * time_s
        u = self.drift_px * math.sin(wander / 1.3)
        v = self.drift_px * (0.7 * math.sin(wander / 0.9 + 1.0) - 0.7 * math.sin(1.0))
        scale = 1 + self.breathing * math.sin(wander / 1.9)
        middle = np.array([(size_px[0] - 1) / 2, (size_px[1] - 1) / 2])
        return np.column_stack([scale * np.eye(2), middle * (1 - scale) + [u, v]])


class Processing:
    """The phone's processing of one clip: remembers the frame before."""

    def __init__(self, phone: Phone, size_px: tuple[int, int], *, readout_s: float, exposure_s: float) -> None:
        self.phone, self.size_px = phone, size_px
        self.row_s = readout_s * np.arange(size_px[1]) / size_px[1]
        self.exposure_s = exposure_s
        self.before: Image | None = None

    def luma(self, code: Image, time_s: float) -> Image:
        """Luma as written, of luma as the sensor gave it; (H, W) float32, 0 to 1."""
        phone = self.phone
        if phone.flicker or phone.adapts:
            gain = phone.gain(time_s + self.row_s, self.exposure_s)[:, None]
            code = tone(np.interp(code, _CODE, _SIGNAL).astype(np.float32) * gain)[0]
        if phone.quiets or phone.ghost:
            code = self._quieted(code)
        code = self.moved(code, time_s)
        if phone.local_contrast:
            around = cv2.GaussianBlur(code, (0, 0), phone.local_px, borderType=cv2.BORDER_REPLICATE)
            code = code - phone.local_contrast * (around - np.float32(code.mean()))
        if phone.sharpens:
            code = code + phone.sharpens * (code - cv2.GaussianBlur(code, (0, 0), phone.halo_px))
        return code

    def moved(self, plane: Image, time_s: float) -> Image:
        """Move a plane as stabilisation and focus do; one of half the size by half as much."""
        if not (self.phone.drift_px or self.phone.breathing):
            return plane
        matrix = self.phone.warp(time_s, self.size_px)
        matrix[:, 2] *= plane.shape[1] / self.size_px[0]
        # rows before columns, from where a pixel lies to where it was; OpenCV would move in steps of 1/32 px
        back = np.linalg.inv(matrix[::-1, 1::-1])
        planes = plane[..., None] if plane.ndim == 2 else plane
        moved = [
            affine_transform(one, back, offset=-back @ matrix[::-1, 2], mode="nearest")
            for one in np.moveaxis(planes, -1, 0)
        ]
        return np.stack(moved, axis=-1).reshape(plane.shape)

    def _quieted(self, code: Image) -> Image:
        phone = self.phone
        if self.before is not None:
            change = 219 * np.abs(code - self.before) / phone.quiet_levels
            share = phone.ghost + (phone.quiets - phone.ghost) / (1 + change * change)
            code = code + share * (self.before - code)
        self.before = code
        return code
