"""From grey levels of a video back to amounts of light: the camera's tone curve undone."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calibrate.arrays import Floats

_STEPS = 512  # of the table that is interpolated, two to a grey level
# Below this a grey level is worth nothing, and noise would weigh without bound.
_LEAST_SLOPE = 0.02


@dataclass(frozen=True, kw_only=True)
class Tone:
    """How a camera turns light into grey levels: the curve of sRGB (IEC 61966-2-1) and an S on top.

    It is assumed, not estimated: what a wrong curve does to a blurred rim looks much like another exposure, and
    estimates from compressed clips ended at the bounds of what phones do.

    Attributes
    ----------
    contrast : float
        How far middle tones are spread by the S; 0.02 to 0.04 for the mild curves of phones (from memory).
    black, white : float
        Grey levels of no light and of the brightest: 16 and 235 in video (ITU-R BT.709), 0 and 255 in full range.
    """

    contrast: float = 0.03
    black: float = 16.0
    white: float = 235.0

    @cached_property
    def _table(self) -> tuple[Floats, Floats, Floats]:
        """Grey levels, the light they stand for, and the slope of one over the other."""
        code = np.linspace(0, 1.1, _STEPS)
        light = 255 * np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
        spread = code - self.contrast * np.sin(2 * np.pi * np.minimum(code, 1))
        grey = self.black + (self.white - self.black) * spread
        return grey, light, np.gradient(light, grey)

    def light(self, grey: Floats) -> Floats:
        """Levels of light (0 to 255) of grey levels."""
        known, light, _ = self._table
        return np.interp(grey, known, light)

    def slope(self, light: Floats) -> Floats:
        """Levels of light that a grey level is worth, where there is so much light."""
        _, known, slope = self._table
        return np.maximum(np.interp(light, known, slope), _LEAST_SLOPE)
