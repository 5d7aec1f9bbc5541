"""From a ball path to the numbers of one shot: reading, launch, squirt, swerve, speeds, and how sure they are."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path

import numpy as np

from analyze.fit.budget import BudgetShare
from analyze.fit.clock import (
    DOUBTED,
    REFUSED,
    ROLL_FOR_SLIDE,
    fits_as_usual,
    friction_seen,
    heard_wrong_clock,
    looks_usual,
    odd_friction,
    rolled_or_slid,
    unsure_clock,
    wrong_clock,
)
from analyze.fit.cue_check import Struck, check_cue
from analyze.fit.cue_place import CuePlace, place_cue
from analyze.fit.doubts import find_doubt
from analyze.fit.heard_clock import HeardShot, hear_shot, heard_otherwise, with_sound
from analyze.fit.heard_readout import unlike_readout
from analyze.fit.measured_with import MeasuredWith
from analyze.fit.motion import slide_time_s, state
from analyze.fit.path_fit import PathFit, fit_path
from analyze.fit.priors import MotionPriors
from analyze.fit.quantities import Quantities, quantities
from analyze.fit.reasons import CLOCK_UNSURE, IMPRECISE, NO_FIT, ODD_SPEED, TOO_FEW_SIGHTINGS, WRONG_CLOCK
from calibrate.arrays import Floats, readonly
from calibrate.calibration import Calibration
from calibrate.errors import NotMeasured, Reason
from tracker.path import BallPath
from tracker.readout import Readout

SWERVE_SEEN_SDS = 1.959964  # the 95 % interval of the swerve offset does not hold zero
IMPRECISE_M = 0.005  # standard uncertainty of a reading, a fifth of an inch: chosen
_DRAWN_POINTS = 80  # of the path in tables and pictures
CAMERA_MARKS = "marks"  # as the clicked marks give it
CAMERA_MOVED = "moved"  # found again after a nudge
CAMERA_SESSION = "session"  # as marks and the other shots of the session give it together


class Status(StrEnum):
    """How a shot came out."""

    MEASURED = "measured"
    DOUBTFUL = "doubtful"
    FAILED = "failed"


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Shot:
    """What was measured of one shot. Quantities are None when it failed.

    Attributes
    ----------
    clip : Path
        The recording.
    shot : int
        Number of the shot in the recording, from 1.
    status : Status
        `measured`, `doubtful` (measured, with a reason to look) or `failed`.
    reason : Reason or None
        Why it failed or is doubtful.
    detail : str
        The particulars of the reason; may be empty.
    strike_s : float or None
        When the tip struck, on the clip's clock.
    launch_speed_m_s, launch_speed_sd_m_s : float or None
        Speed right after the strike.
    rail_speed_m_s, rail_speed_sd_m_s : float or None
        Speed at cushion contact.
    reading_m, reading_sd_m : float or None
        Where the path crosses the scale line, in the scale's own lengths, positive to the right.
    launch_rad, launch_sd_rad : float or None
        Direction right after the strike, from the lane, positive to the right.
    squirt_offset_m, squirt_offset_sd_m : float or None
        Where the launch direction alone would have crossed the scale line.
    swerve_offset_m, swerve_offset_sd_m : float or None
        Reading minus squirt offset, without what the table pulls (`analyze.fit.pull`).
    swerve_seen : bool
        Whether the 95 % interval of the swerve offset excludes zero.
    slide_end_m : float or None
        Where sliding ended, along the lane from the spot; None as well when the ball still slid at the rail.
    frames : int
        Sightings that the fit used.
    residual_px : float
        Root mean square distance of these from the fitted path, per coordinate.
    budget : tuple of BudgetShare
        Shares of the uncertainties of reading, launch angle and swerve offset.
    path_xy_m : (K, 2) float64
        The fitted path of the ball's centre from strike to cushion, table frame, for drawing; K may be 0.
    path_times_s : (K,) float64
        When, on the clip's clock.
    note : str
        What the tester should know of it besides; may be empty.
    camera : str
        Which camera it was measured with: `CAMERA_MARKS`, `CAMERA_MOVED` or `CAMERA_SESSION`.
    cue : CuePlace, NotMeasured or None
        The cue's axis at the strike, or why it is not known; None where nobody looked for it.
    sightings : BallPath or None
        What it was measured from, so that it can be measured again without the clip; None when it failed.
    measured_with : MeasuredWith or None
        What it was measured with; None with the camera that the marks give and the session's settings.
    place : str
        Which camera place of the session it was recorded from; empty for that of marks.csv.
    """

    clip: Path
    shot: int
    status: Status
    reason: Reason | None
    detail: str
    strike_s: float | None
    launch_speed_m_s: float | None
    launch_speed_sd_m_s: float | None
    rail_speed_m_s: float | None
    rail_speed_sd_m_s: float | None
    reading_m: float | None
    reading_sd_m: float | None
    launch_rad: float | None
    launch_sd_rad: float | None
    squirt_offset_m: float | None
    squirt_offset_sd_m: float | None
    swerve_offset_m: float | None
    swerve_offset_sd_m: float | None
    swerve_seen: bool
    slide_end_m: float | None
    frames: int
    residual_px: float
    budget: tuple[BudgetShare, ...]
    path_xy_m: Floats
    path_times_s: Floats
    note: str = ""
    camera: str = CAMERA_MARKS
    cue: CuePlace | NotMeasured | None = None
    sightings: BallPath | None = None
    measured_with: MeasuredWith | None = None
    place: str = ""

    def __post_init__(self) -> None:
        """Check and freeze the arrays."""
        n = len(self.path_times_s)
        object.__setattr__(self, "path_xy_m", readonly("path_xy_m", self.path_xy_m, (n, 2)))
        object.__setattr__(self, "path_times_s", readonly("path_times_s", self.path_times_s, (n,)))


def measure_shot(
    path: BallPath,
    calibration: Calibration,
    *,
    readout: Readout,
    priors: MotionPriors | None = None,
) -> Shot:
    """Fit the motion to a path and say what the shot did.

    Parameters
    ----------
    path : BallPath
        What the tracker saw.
    calibration : Calibration
        Camera, table and scale.
    readout : Readout
        Of the rolling shutter.
    priors : MotionPriors, optional
        Prior knowledge of friction and spin.

    Returns
    -------
    Shot
        Measured, doubtful or failed; never an exception for what the clip shows.
    """
    fit = fit_path(path, calibration, readout=readout, priors=priors)
    if isinstance(fit, NotMeasured):
        clock = _find_wrong_clock(path, fit, calibration, readout, None)
        why = clock[1] if clock is not None and clock[0] > REFUSED else fit
        return failed_shot(path.clip, path.shot, why.reason, why.detail)
    found = quantities(fit, calibration)
    heard = None if path.heard is None else hear_shot(path.heard, fit, found, calibration)
    clock = _find_wrong_clock(path, fit, calibration, readout, heard)
    if clock is not None and clock[0] > REFUSED:
        return failed_shot(path.clip, path.shot, clock[1].reason, clock[1].detail)
    if not (np.isfinite(found.values).all() and np.isfinite(found.cov).all()):
        return failed_shot(path.clip, path.shot, NO_FIT, "the uncertainties of the fit are not finite")
    doubts = _doubts(fit, path, calibration, readout, clock=None if clock is None else clock[1], heard=heard)
    doubt = next((one for one in doubts if one is not None), None)
    # The other shots of a session may settle an unsure clock, and this with it if it were not said.
    if (doubt is None or doubt.reason is CLOCK_UNSURE) and found.sd("reading_m") > IMPRECISE_M:
        doubt = NotMeasured(IMPRECISE, f"the reading is good to {found.sd('reading_m') * 1000:.1f} mm only")
    shot = _shot(path, fit, with_sound(found, heard), doubt)
    cue = check_cue(
        place_cue(path, calibration),
        Struck(
            launch_rad=shot.launch_rad,
            launch_sd_rad=shot.launch_sd_rad,
            speed_m_s=shot.launch_speed_m_s,
            strike_s=shot.strike_s,
            ball_radius_m=calibration.ball.radius_m,
        ),
    )
    return replace(shot, cue=cue)


def _doubts(
    fit: PathFit,
    path: BallPath,
    calibration: Calibration,
    readout: Readout,
    *,
    clock: NotMeasured | None,
    heard: HeardShot | None,
) -> Iterator[NotMeasured | None]:
    """Look for what is odd about a shot, the most telling kinds first: its motion, its clock, what was heard."""
    doubt = find_doubt(fit, path, calibration)
    odd_by_the_clock = doubt is not None and doubt.reason is ODD_SPEED
    if not (odd_by_the_clock and clock is not None and clock.reason is WRONG_CLOCK):
        yield doubt
    yield clock
    yield odd_friction(fit, frame_period_s=path.frame_period_s)
    if heard is not None:
        yield unlike_readout(heard, fit, path, readout)
        yield heard_otherwise(heard, frame_period_s=path.frame_period_s)
    if not _settled(heard):
        yield unsure_clock(fit, frame_period_s=path.frame_period_s)


def _find_wrong_clock(
    path: BallPath,
    fit: PathFit | NotMeasured,
    calibration: Calibration,
    readout: Readout,
    heard: HeardShot | None,
) -> tuple[float, NotMeasured] | None:
    """Look closer at the clock where the sound contradicts it, or the fit is not as usual."""
    if heard is not None and isinstance(fit, PathFit):
        refused = heard_wrong_clock(heard, fit, path, calibration, readout)
        if refused is not None:
            return math.inf, refused
    if isinstance(fit, PathFit) and looks_usual(fit):
        return None
    if isinstance(fit, NotMeasured) and fit.reason is TOO_FEW_SIGHTINGS:
        return None
    seen = friction_seen(path, calibration, readout)
    found = None if seen is None else wrong_clock(seen, frame_period_s=path.frame_period_s)
    if found is not None and isinstance(fit, PathFit) and fits_as_usual(fit):
        # With open friction a ball that rolls is taken for one that slides on ice.
        return None if _settled(heard) else (DOUBTED, rolled_or_slid(fit, frame_period_s=path.frame_period_s))
    return found


def _settled(heard: HeardShot | None) -> bool:
    """Whether the sound shows that a ball which seems to roll does, and is not one that slides in a slowed file."""
    return heard is not None and heard.settles(ROLL_FOR_SLIDE)


def failed_shot(clip: Path, shot: int, reason: Reason, detail: str) -> Shot:
    """Make the record of a shot that gave no numbers.

    Parameters
    ----------
    clip : Path
        The recording.
    shot : int
        Number of the shot in the recording, from 1.
    reason : Reason
        Why.
    detail : str
        The particulars; may be empty.

    Returns
    -------
    Shot
        With status `failed`.
    """
    return Shot(
        clip=clip,
        shot=shot,
        status=Status.FAILED,
        reason=reason,
        detail=detail,
        strike_s=None,
        launch_speed_m_s=None,
        launch_speed_sd_m_s=None,
        rail_speed_m_s=None,
        rail_speed_sd_m_s=None,
        reading_m=None,
        reading_sd_m=None,
        launch_rad=None,
        launch_sd_rad=None,
        squirt_offset_m=None,
        squirt_offset_sd_m=None,
        swerve_offset_m=None,
        swerve_offset_sd_m=None,
        swerve_seen=False,
        slide_end_m=None,
        frames=0,
        residual_px=0.0,
        budget=(),
        path_xy_m=np.empty((0, 2)),
        path_times_s=np.empty(0),
    )


def _shot(path: BallPath, fit: PathFit, found: Quantities, doubt: NotMeasured | None) -> Shot:
    """Put the results together."""
    good = fit.weights > 0
    strike_s = float(fit.parameters[2])
    times_s = np.linspace(strike_s, fit.contact_s, _DRAWN_POINTS)
    places_m, _ = state(fit.parameters, times_s, pull_m_s2=fit.pull_m_s2)
    slid_out = strike_s + float(slide_time_s(fit.parameters)) < fit.contact_s
    swerve_m, swerve_sd_m = found.value("swerve_offset_m"), found.sd("swerve_offset_m")
    return Shot(
        clip=path.clip,
        shot=path.shot,
        status=Status.MEASURED if doubt is None else Status.DOUBTFUL,
        reason=None if doubt is None else doubt.reason,
        detail="" if doubt is None else doubt.detail,
        strike_s=strike_s,
        launch_speed_m_s=found.value("launch_speed_m_s"),
        launch_speed_sd_m_s=found.sd("launch_speed_m_s"),
        rail_speed_m_s=found.value("rail_speed_m_s"),
        rail_speed_sd_m_s=found.sd("rail_speed_m_s"),
        reading_m=found.value("reading_m"),
        reading_sd_m=found.sd("reading_m"),
        launch_rad=found.value("launch_rad"),
        launch_sd_rad=found.sd("launch_rad"),
        squirt_offset_m=found.value("squirt_offset_m"),
        squirt_offset_sd_m=found.sd("squirt_offset_m"),
        swerve_offset_m=swerve_m,
        swerve_offset_sd_m=swerve_sd_m,
        swerve_seen=abs(swerve_m) > SWERVE_SEEN_SDS * swerve_sd_m,
        slide_end_m=found.value("slide_end_m") if slid_out else None,
        frames=int(np.count_nonzero(good)),
        residual_px=math.sqrt(float(np.mean(fit.residuals_px[good] ** 2))),
        budget=found.shares,
        path_xy_m=places_m,
        path_times_s=times_s,
        sightings=path,
    )
