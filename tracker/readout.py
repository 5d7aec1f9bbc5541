"""The rolling shutter: which way a frame is read out, and how long it takes where nobody stated it."""

import numpy as np

from calibrate.arrays import Floats

# Phones read a frame out in 5 to 20 ms in video modes (from memory).
READOUT_S = 0.012
READOUT_SD_S = 0.006
# A frame has to be read out before the next one is: so much of the time between frames at most.
_MOST, _MOST_SD = 0.75, 0.375

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


def within_a_frame(readout_s: float, readout_sd_s: float, *, frame_period_s: float) -> tuple[float, float]:
    """Hold an assumed readout time, and its standard uncertainty, to what the frame rate allows.

    Parameters
    ----------
    readout_s, readout_sd_s : float
        As assumed without looking at the frame rate.
    frame_period_s : float
        Time between frames.

    Returns
    -------
    tuple of float
        Readout time and its standard uncertainty.
    """
    return min(readout_s, _MOST * frame_period_s), min(readout_sd_s, _MOST_SD * frame_period_s)
