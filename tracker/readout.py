"""The rolling shutter: which way a frame is read out, and how long it takes where nobody stated it."""

from dataclasses import dataclass

import numpy as np

from calibrate.arrays import Floats

# A frame has to be read out before the next one is: so much of the time between frames at most.
_MOST, _MOST_SD = 0.75, 0.375
_STATED_SD_S = 0.0003  # whoever states it has measured it somehow
_GLOBAL_SD_S = 1e-9  # none, but above zero so that its inverse is a number
_WELL_KNOWN_SD_S = 0.0015  # beyond that, it is not known but assumed


@dataclass(frozen=True, slots=True)
class Readout:
    """Time from the first row of a frame to the last, and how well it is known.

    Attributes
    ----------
    value_s : float
        The time; 0 for a global shutter, or a camera that corrects its frames.
    sd_s : float
        Its standard uncertainty.
    """

    value_s: float
    sd_s: float

    def __post_init__(self) -> None:
        """Refuse what no clock can be."""
        if not (self.value_s >= 0 and self.sd_s > 0):
            raise ValueError(f"a readout needs value_s >= 0 and sd_s > 0, but got {self.value_s!r}, {self.sd_s!r}")

    @classmethod
    def stated(cls, value_s: float) -> "Readout":
        """Take a stated time as known; a global shutter, stated as 0, exactly."""
        return cls(value_s, _STATED_SD_S if value_s > 0 else _GLOBAL_SD_S)

    @property
    def known(self) -> bool:
        """Whether it is known, be it stated or found, and not merely assumed."""
        return self.sd_s <= _WELL_KNOWN_SD_S

    def within_a_frame(self, frame_period_s: float) -> "Readout":
        """Hold an assumed time, and its uncertainty, to what the frame rate allows; a known one stays as it is.

        Parameters
        ----------
        frame_period_s : float
            Time between frames.
        """
        if self.known:
            return self
        return Readout(min(self.value_s, _MOST * frame_period_s), min(self.sd_s, _MOST_SD * frame_period_s))


# Published: 1/60 to 1/10 s for a full readout of consumer cameras (ISPRS paper reported by the University of
# Vienna); phones of today take 5 to 20 ms in video modes (from memory).
ASSUMED_READOUT = Readout(0.012, 0.006)
# Of a camera said to have a global shutter, and not named: nought, or a phone's for all that, as likely the one as
# the other; mean and standard deviation of both together.
UNNAMED_GLOBAL_READOUT = Readout(0.006, 0.0073)

# Right and down; a sensor is read row by row from its top.
DOWNWARDS = (0, 1)


def way_after_turns(turns: int) -> tuple[int, int]:
    """Which way the rows of the sensor follow one another in a picture that was turned.

    Parameters
    ----------
    turns : int
        Quarter turns anticlockwise from the picture as recorded to the picture as shown.

    Returns
    -------
    tuple of int
        Right and down in the picture as shown: (0, -1), upwards, for a phone held upside down.
    """
    return (DOWNWARDS, (1, 0), (0, -1), (-1, 0))[turns % 4]


def readout_share(places_px: Floats, size_px: Floats, way: Floats) -> Floats:
    """Share of the readout time that passes before pixels are read.

    Parameters
    ----------
    places_px : (..., 2) array
        Places in the picture as shown; right, down.
    size_px : (2,) array
        Its width and height.
    way : (2,) array
        From `way_after_turns`.

    Returns
    -------
    (...) array
        From 0 at the edge that is read first to 1.
    """
    first_edge = np.where(way < 0, size_px, 0.0)
    share: Floats = (places_px - first_edge) @ way / (np.abs(way) @ size_px)
    return share


def late_s_px(readout_s: float, size_px: tuple[int, int], way: tuple[int, int]) -> tuple[float, float]:
    """Give how much later a pixel is read than its neighbour on the left, and than the one above."""
    return readout_s * way[0] / size_px[0], readout_s * way[1] / size_px[1]
