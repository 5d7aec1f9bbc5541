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
    "Record all shots of a session alike; give this recording a session of its own and calibrate there.",
)
REASONS = (NO_BALL, NO_STRIKE, BALL_LOST, PICTURE_SIZE, CLIP_DAMAGED)
