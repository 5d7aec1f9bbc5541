"""What the tracker hands on: the ball's path and the cue at the strike, with times and covariances."""

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from calibrate.arrays import Floats, readonly
from calibrate.errors import NotMeasured
from tracker.heard import HeardSound
from tracker.readout import DOWNWARDS

# What the model of the ball's image lacks (lamps mirrored in it, the hand's shadow) changes slowly while the ball
# rolls on. Chosen: in clips of three other renderers errors along the path spread by 0.07 to 0.2 px, half of that
# persistent and gone after 0.15 s; across the path by less.
DRIFT_SD_PX = 0.1
DRIFT_TIME_S = 0.07
# The same of a drift that compression hid, as stabilisation makes it (common practice, no source).
HIDDEN_DRIFT_TIME_S = 1.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CueSight:
    """The image of the cue's axis at the strike, as two of its points.

    Attributes
    ----------
    near_px, far_px : (2,) float64
        (u, v) of the axis at the ball and far behind it; (0, 0) is the centre of the top-left pixel.
    across_cov_px2 : (2, 2) float64
        Covariance of their places across the line.
    frames : int
        Frames from which it comes.
    scatter_px : float
        Typical scatter of the middle between the edges about the line, in one frame.
    speed_m_s, speed_sd_m_s : float or None
        Speed of the tip at the strike along the cue, and its standard uncertainty; None where nothing shows it.
    sideways_m_s, sideways_sd_m_s : float or None
        Speed of the axis at the ball across it, to the right, in the last tenth of a second; None where too few
        frames show it.
    last_s : float or None
        Time of the last frame in which it was seen, on the clip's clock.
    end_m : float or None
        Where it begins in that frame, behind the resting ball's centre; None where it reaches as near to the ball
        as is to be seen, or would not stand out there.
    """

    near_px: Floats
    far_px: Floats
    across_cov_px2: Floats
    frames: int
    scatter_px: float
    speed_m_s: float | None = None
    speed_sd_m_s: float | None = None
    sideways_m_s: float | None = None
    sideways_sd_m_s: float | None = None
    last_s: float | None = None
    end_m: float | None = None

    def __post_init__(self) -> None:
        """Check shapes and freeze the arrays."""
        for name, shape in (("near_px", (2,)), ("far_px", (2,)), ("across_cov_px2", (2, 2))):
            object.__setattr__(self, name, readonly(name, getattr(self, name), shape))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class BallPath:
    """Where the cue ball was seen in one shot, from rest to the foot cushion.

    All places are images of the ball's CENTRE (not centres of its outline, which perspective displaces), in px;
    (0, 0) is the centre of the top-left pixel, u right, v down. The time of a sighting is that of its
    frame (the file's own presentation time, first row); with a rolling shutter the ball's row is exposed
    ``readout_share * readout`` later (`tracker.readout`), which whoever fits the path adds.

    Attributes
    ----------
    clip : Path
        The recording.
    shot : int
        Number of the shot in the recording, from 1.
    rest_px : (2,) float64
        (u, v) of the ball at rest before the strike.
    rest_cov_px2 : (2, 2) float64
        Covariance of `rest_px`.
    times_s : (N,) float64
        Presentation times of the sightings between strike and cushion contact, increasing.
    centre_px : (N, 2) float64
        (u, v) of the ball's centre in each.
    centre_cov_px2 : (N, 2, 2) float64
        Covariance of each, from the noise and misfit seen in the pixels.
    last_rest_s : float
        Time of the last frame in which the ball still lay at rest.
    first_moved_s : float
        Time of the first frame in which it did not.
    turned_s : float or None
        Time of the first frame after the ball turned back at the foot cushion; None where that was not seen.
    frame_period_s : float
        Median time between frames.
    exposure_s : float
        Exposure time estimated from the streaks; 0 where they are too short to tell.
    size_px : (2,) float64
        Width and height of the image.
    frames : int
        Frames looked at between strike and contact, with and without a sighting.
    readout_way : (2,) float64
        Which way a frame is read out, right and down: (0, 1) unless the picture is shown turned.
    drift_sd_px, drift_time_s : float
        What sightings err by beside that, alike from frame to frame: its standard deviation in each direction, and
        the time in which its correlation falls to 1/e. 0 where `centre_cov_px2` is all.
    size_ratio, size_ratio_sd : float or None, float
        How large the ball at rest looks over how large it should, and the standard uncertainty of that; None where
        its rim was not clear.
    dark_share : float or None
        Share of the face of the ball at rest that its largest dark patch takes; None where it was not seen.
    cue : CueSight, NotMeasured or None
        The cue at the strike, or why it is not known; None where nobody looked for it.
    picture_moved_px : float
        How far the picture itself moved along the lane at most, against the frames before the strike; all places
        are those of a picture that lies as it did then. 0 where it stood still.
    picture_followed : bool
        Whether the still part of the picture showed in every frame where the picture lay.
    picture_lost : bool
        Whether it showed that before the strike but not in all frames after: the picture jumped, or was hidden.
    picture_hidden_px : float
        What its drift may be that compression hid, a standard deviation; see `tracker.motion`.
    picture_moved_before_px : float or None
        How far the picture lay before the strike from where it lay in the first frames of the recording; None where
        that is not known.
    notes : tuple of str
        What the tracker noticed and a person may want to know.
    heard : HeardSound or None
        What the recording's sound holds of the shot; None where it has none.
    """

    clip: Path
    shot: int
    rest_px: Floats
    rest_cov_px2: Floats
    times_s: Floats
    centre_px: Floats
    centre_cov_px2: Floats
    last_rest_s: float
    first_moved_s: float
    turned_s: float | None
    frame_period_s: float
    exposure_s: float
    size_px: Floats
    frames: int
    readout_way: Floats = field(default_factory=lambda: np.array(DOWNWARDS, dtype=np.float64))
    drift_sd_px: float = 0.0
    drift_time_s: float = DRIFT_TIME_S
    size_ratio: float | None = None
    size_ratio_sd: float = 0.0
    dark_share: float | None = None
    cue: CueSight | NotMeasured | None = None
    picture_moved_px: float = 0.0
    picture_followed: bool = False
    picture_lost: bool = False
    picture_hidden_px: float = 0.0
    picture_moved_before_px: float | None = None
    notes: tuple[str, ...] = ()
    heard: HeardSound | None = None

    def __post_init__(self) -> None:
        """Check shapes and order, and freeze the arrays."""
        n = len(self.times_s)
        for name, shape in (
            ("rest_px", (2,)),
            ("rest_cov_px2", (2, 2)),
            ("times_s", (n,)),
            ("centre_px", (n, 2)),
            ("centre_cov_px2", (n, 2, 2)),
            ("size_px", (2,)),
            ("readout_way", (2,)),
        ):
            object.__setattr__(self, name, readonly(name, getattr(self, name), shape))
        if not np.all(np.diff(self.times_s) > 0):
            raise ValueError("times_s must increase")

    @property
    def n_sightings(self) -> int:
        """How many frames between strike and contact show the ball."""
        return len(self.times_s)
