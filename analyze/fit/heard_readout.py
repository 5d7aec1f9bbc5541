"""Whether a stated readout time can be right: strike and cushion as heard are a clock that knows of no rows.

Strike and cushion lie in rows far apart, and a frame's time is that of its first: a readout time stated too short
makes the time between them as fitted wrong by more than half of what it lacks, 5 to 10 ms of a phone's. Heard, it
is good to a millisecond or two.
"""

import numpy as np

from analyze.fit.heard_clock import HeardShot
from analyze.fit.path_fit import PathFit
from analyze.fit.reasons import READOUT_UNLIKE
from calibrate.errors import NotMeasured
from tracker.path import BallPath
from tracker.readout import Readout, readout_share

# One right readout time of seven hundred is doubted: the other side is no readout time, mostly.
_UNLIKE_SDS = 3.0
# Rows farther apart than this share of the picture tell something.
_LEAST_SHARE = 0.2
# A frame is read out before the next one: what says otherwise is not about the readout.
_MOST_FRAMES = 1.0


def unlike_readout(heard: HeardShot, fit: PathFit, path: BallPath, readout: Readout) -> NotMeasured | None:
    """Compare the time from strike to cushion as heard with that as fitted.

    Parameters
    ----------
    heard : HeardShot
        Strike and cushion as heard.
    fit : PathFit
        The motion fitted with that readout time.
    path : BallPath
        What it was fitted to.
    readout : Readout
        As stated, or as assumed, of which nothing is said.

    Returns
    -------
    NotMeasured or None
        The doubt, with the time that goes with the sound; None where they agree, or another readout time would not
        explain it.
    """
    if not (readout.known and heard.clock_right) or heard.clock_near:
        return None
    longer_s, sd_s = heard.apart_s - heard.lane_s, heard.sd_s
    shares = readout_share(path.centre_px[fit.weights > 0], path.size_px, path.readout_way)
    share = float(shares[-1] - shares[0])
    if abs(longer_s) < _UNLIKE_SDS * sd_s or abs(share) < _LEAST_SHARE:
        return None
    likely_s, likely_sd_s = readout.value_s + longer_s / share, sd_s / abs(share)
    most_s = _MOST_FRAMES * path.frame_period_s
    if not -2 * likely_sd_s < likely_s < most_s + 2 * likely_sd_s:
        return None
    likely_ms = 1000 * float(np.clip(likely_s, 0.0, most_s))
    stated = f"{1000 * readout.value_s:.0f} ms" if readout.value_s > 0 else "a global shutter"
    way = "farther apart" if longer_s > 0 else "nearer"
    return NotMeasured(
        READOUT_UNLIKE,
        f"strike and cushion are heard {1000 * abs(longer_s):.1f} ms {way} than seen: "
        f"readout about {likely_ms:.0f} ± {1000 * likely_sd_s:.0f} ms, but {stated} is stated",
    )
