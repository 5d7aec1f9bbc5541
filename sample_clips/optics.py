"""The phone's lens and sensor: projection with distortion, vignetting, point spread, tone curve, noise.

Written apart from the camera model that the measurement uses, so that a mistake in one shows against the other.
"""

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from sample_clips.physics import Floats

Image = np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """Where the phone stands, where it looks, and its lens.

    Attributes
    ----------
    position_m : tuple of float
        (x, y, z) of the lens, table frame.
    target_m : tuple of float
        A point in the middle of the picture.
    roll_rad : float
        Turn about the line of sight, clockwise as seen in the picture.
    focal_px : float
        Focal length.
    size_px : tuple of int
        Width and height.
    shift_px : tuple of float
        Principal point from the middle of the picture.
    k1, k2 : float
        x_d = x (1 + k1 r^2 + k2 r^4), r in units of the focal length.
    """

    position_m: tuple[float, float, float]
    target_m: tuple[float, float, float]
    roll_rad: float = 0.0
    focal_px: float = 985.0
    size_px: tuple[int, int] = (1280, 720)
    shift_px: tuple[float, float] = (0.0, 0.0)
    k1: float = 0.0
    k2: float = 0.0

    @property
    def axes(self) -> Floats:
        """(3, 3) rows: the picture's right, its down, and the line of sight, in the table frame."""
        return _axes(self)

    @property
    def centre_px(self) -> tuple[float, float]:
        """Principal point; (0, 0) is the centre of the top-left pixel."""
        return (self.size_px[0] - 1) / 2 + self.shift_px[0], (self.size_px[1] - 1) / 2 + self.shift_px[1]

    def project(self, points_m: Floats) -> Floats:
        """(..., 2) image places (u, v) of (..., 3) points of the table frame, all before the camera."""
        seen = (np.asarray(points_m) - self.position_m) @ self.axes.T
        flat = seen[..., :2] / seen[..., 2:]
        r2 = (flat**2).sum(axis=-1, keepdims=True)
        return self.focal_px * flat * (1 + r2 * (self.k1 + self.k2 * r2)) + self.centre_px

    def slopes(self, u_px: Floats, v_px: Floats) -> tuple[Floats, Floats]:
        """Undistorted (right/ahead, down/ahead) of the lines of sight of image places."""
        x_d = (u_px - self.centre_px[0]) / self.focal_px
        y_d = (v_px - self.centre_px[1]) / self.focal_px
        r_d = np.hypot(x_d, y_d)
        r = r_d.copy()
        for _ in range(8):
            r2 = r * r
            r = r - (r * (1 + r2 * (self.k1 + self.k2 * r2)) - r_d) / (1 + r2 * (3 * self.k1 + 5 * self.k2 * r2))
        stretch = np.where(r_d > 1e-12, r / np.maximum(r_d, 1e-12), 1.0)
        return x_d * stretch, y_d * stretch

    def rays(self, u_px: Floats, v_px: Floats) -> Floats:
        """(..., 3) directions in the table frame (unit length along the line of sight) of image places."""
        x, y = self.slopes(u_px, v_px)
        return x[..., None] * self.axes[0] + y[..., None] * self.axes[1] + self.axes[2]


@lru_cache(maxsize=16)
def _axes(lens: Lens) -> Floats:
    ahead = np.subtract(lens.target_m, lens.position_m)
    ahead = ahead / np.linalg.norm(ahead)
    right = np.cross(ahead, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    down = np.cross(ahead, right)
    c, s = np.cos(lens.roll_rad), np.sin(lens.roll_rad)
    axes = np.array([c * right + s * down, c * down - s * right, ahead])
    axes.flags.writeable = False
    return axes


@lru_cache(maxsize=2)
def ray_map(lens: Lens) -> Floats:
    """(H + 2, W + 2, 3) rays of all pixel centres and of one row and column more on each side."""
    width, height = lens.size_px
    u, v = np.meshgrid(np.arange(-1.0, width + 1), np.arange(-1.0, height + 1))
    return lens.rays(u, v)


def window_rays(lens: Lens, window: tuple[int, int, int, int], offsets_px: Floats) -> Floats:
    """(N, h, w, 3) rays of a window's pixels, moved by each of the (N, 2) offsets within half a pixel.

    First order about the pixel centre: the second is below 1e-4 px for phone lenses.
    """
    left, top, right, bottom = window
    rays = ray_map(lens)
    here = rays[top + 1 : bottom + 1, left + 1 : right + 1]
    per_u = (rays[top + 1 : bottom + 1, left + 2 : right + 2] - rays[top + 1 : bottom + 1, left:right]) / 2
    per_v = (rays[top + 2 : bottom + 2, left + 1 : right + 1] - rays[top:bottom, left + 1 : right + 1]) / 2
    return here + offsets_px[:, 0, None, None, None] * per_u + offsets_px[:, 1, None, None, None] * per_v


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """What becomes of the light.

    Attributes
    ----------
    blur_px : float
        Gaussian point spread of lens and demosaicing, besides the pixel's own square.
    vignetting : float
        Loss of light in the corners.
    gain : float
        Signal of a white surface under full light; 1 is where the sensor saturates.
    full_well : float
        Photo-electrons at saturation: the shot noise.
    read_noise : float
        Noise in the dark, as a part of saturation.
    noise : float
        Factor on both; 0 switches noise off.
    grain_px : float
        Gaussian smoothing of the noise by demosaicing and noise reduction.
    """

    blur_px: float = 0.6
    vignetting: float = 0.25
    gain: float = 1.0
    full_well: float = 6000.0
    read_noise: float = 0.0015
    noise: float = 1.0
    grain_px: float = 0.45

    def blur(self, linear: Image) -> Image:
        """Spread linear light over neighbouring pixels."""
        if self.blur_px <= 0:
            return linear
        return cv2.GaussianBlur(linear, (0, 0), self.blur_px, borderType=cv2.BORDER_REPLICATE)

    def noise_sd(self, signal: Image) -> Image:
        """Return the standard deviation of the linear signal."""
        return self.noise * np.sqrt(np.maximum(signal, 0) / self.full_well + self.read_noise**2)


def falloff(lens: Lens, sensor: Sensor) -> Image:
    """(H, W) part of the light that vignetting leaves."""
    width, height = lens.size_px
    u, v = np.meshgrid(np.arange(width) - (width - 1) / 2, np.arange(height) - (height - 1) / 2)
    r2 = (u * u + v * v) / ((width**2 + height**2) / 4)
    return (1 - sensor.vignetting * r2).astype(np.float32)


def _tone_table(n: int) -> tuple[Floats, Floats]:
    """Tone curve (gamma as in IEC 61966-2-1, a mild S for contrast) and its slope, on a square-root grid."""
    signal = np.linspace(0, 1.25, n) ** 2 / 1.25
    clipped = np.clip(signal, 0, 1)
    gamma = np.where(clipped <= 0.0031308, 12.92 * clipped, 1.055 * clipped ** (1 / 2.4) - 0.055)
    code = gamma - 0.035 * np.sin(2 * np.pi * gamma)
    return code, np.gradient(code, signal + np.arange(n) * 1e-12)


_TONE, _SLOPE = _tone_table(4096)
_TONE32, _SLOPE32 = _TONE.astype(np.float32), _SLOPE.astype(np.float32)


def tone(signal: Image) -> tuple[Image, Image]:
    """Tone-curved signal, 0 to 1, and the slope of the curve there (by which it scales small noise)."""
    index = np.sqrt(np.clip(signal, 0, 1.25) * 1.25) * ((len(_TONE32) - 1) / 1.25)
    low = np.minimum(index.astype(np.int32), len(_TONE32) - 2)
    part = index - low
    return _TONE32[low] * (1 - part) + _TONE32[low + 1] * part, _SLOPE32[low]
