"""What to take for the readout time of a rolling shutter that nobody stated."""

# Phones read a frame out in 5 to 20 ms in video modes (from memory).
READOUT_S = 0.012
READOUT_SD_S = 0.006
# A frame has to be read out before the next one is: so much of the time between frames at most.
_MOST, _MOST_SD = 0.75, 0.375


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
