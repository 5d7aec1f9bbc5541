"""What a shot was measured with besides its sightings, so that its numbers can be had again from the database."""

from dataclasses import dataclass

from analyze.fit.priors import MotionPriors
from calibrate.calibration import Calibration
from tracker.readout import Readout


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class MeasuredWith:
    """Camera, readout time and priors of one shot, where they are not those of the marks and settings alone.

    Attributes
    ----------
    calibration : Calibration
        Camera, table and scale.
    readout : Readout
        Of the rolling shutter.
    priors : MotionPriors or None
        Prior knowledge; None for that of a single shot.
    tellers_sha256 : str
        Of the shots of the session that this was learnt from; empty where it was not learnt from shots.
    """

    calibration: Calibration
    readout: Readout
    priors: MotionPriors | None = None
    tellers_sha256: str = ""
