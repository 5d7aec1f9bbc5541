"""Why a shot could not be tracked: every reason of this stage, defined once."""

from dataclasses import dataclass
from pathlib import Path

from calibrate.errors import Reason


@dataclass(frozen=True, slots=True, kw_only=True)
class NotTracked:
    """A shot without a path: which clip, which shot in it, and why. Falsy, so that callers must look.

    Attributes
    ----------
    clip : Path
        The recording.
    shot : int
        Number of the shot in the recording, from 1.
    reason : Reason
        Which of the known reasons.
    detail : str
        The particulars, with numbers and units; may be empty.
    """

    clip: Path
    shot: int
    reason: Reason
    detail: str = ""

    def __bool__(self) -> bool:
        """Return False: there is no path."""
        return False


NO_BALL = Reason(
    "no-ball",
    "No cue ball was found at rest on its spot.",
    "Check lane.spot_mm and lane.sight in session.toml, that the clip shows the ball at rest before the strike, "
    "and that the calibration is of this camera place.",
)
NO_STRIKE = Reason(
    "no-strike",
    "The cue ball lay on its spot and nothing happened.",
    "Remove the clip, or record until the ball has come back from the foot rail.",
)
BALL_LOST = Reason(
    "ball-lost",
    "The ball left its spot but could not be followed along the lane.",
    "Look whether a hand, a cue or glare covers the lane, and shoot again.",
)
CLIP_DAMAGED = Reason(
    "clip-damaged",
    "The recording cannot be read.",
    "Copy it from the phone again, or record the shot again.",
)
PICTURE_SIZE = Reason(
    "picture-size",
    "The recording has another picture size than the one that was calibrated.",
    "Record all shots of a session alike, or calibrate this recording as a camera place of its own: railread "
    "calibrate DIR --place NAME --frame CLIP.",
)
CUE_OUTSIDE = Reason(
    "cue-outside",
    "Too little of the cue lies in the picture, or it points at the camera.",
    "Nothing, unless the cue is to be seen: then let the picture reach a metre behind the spot, from a place near "
    "the plane of the lane and well above the table.",
)
CUE_NOT_SEEN = Reason(
    "cue-not-seen",
    "Both edges of the cue's shaft were not seen well enough before the strike.",
    "Nothing, unless the cue is to be seen: light it, let nobody stand before it, and let it stand out from what "
    "is behind it.",
)
CUE_UNSTEADY = Reason(
    "cue-unsteady",
    "The frames before the strike do not agree where the cue was.",
    "Nothing, unless the cue is to be seen: something else may have been taken for its edges; light the cue.",
)
REASONS = (NO_BALL, NO_STRIKE, BALL_LOST, PICTURE_SIZE, CLIP_DAMAGED, CUE_OUTSIDE, CUE_NOT_SEEN, CUE_UNSTEADY)
