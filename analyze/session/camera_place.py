"""A place from which recordings were made: its calibration, and the picture that tells which clips were made there.

By itself, so that the processes that measure recordings need not load how a session is read.
"""

from dataclasses import dataclass

from calibrate.calibration import Calibration

FIRST_PLACE = "first"  # what the camera place of marks.csv is called in tables


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CameraPlace:
    """A place from which recordings of a session were made.

    Attributes
    ----------
    calibration : Calibration
        Of the camera there.
    name : str
        As in `Session.places`; empty for the place of marks.csv.
    picture : bytes or None
        The calibrated picture; None where the version of railread that calibrated kept none.
    new : bool
        Whether it was calibrated just now.
    """

    calibration: Calibration
    name: str = ""
    picture: bytes | None = None
    new: bool = False


def place_name(place: str) -> str:
    """Return what a camera place is called where it is shown."""
    return place or FIRST_PLACE
