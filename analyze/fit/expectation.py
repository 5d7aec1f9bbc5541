"""What precision a shot will have with a calibration, before any is shot: made-up shots, measured as real ones are.

A ball is played down the lane, seen by the calibrated camera with the noise and drift that sightings have, and
measured. What the fit states of it is the Cramer-Rao bound with all that is known beforehand (Van Trees 1968, from
memory): the inverse of what marks, sightings and priors say together. So the expectation follows whatever the fit
learns, and holds no formula of its own.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from analyze.fit.motion import state
from analyze.fit.path_fit import fit_path
from analyze.fit.shot import Shot, measure_shot
from analyze.fit.shot_scatter import shot_scatter
from calibrate.arrays import Floats
from calibrate.calibration import Calibration
from calibrate.errors import NotMeasured
from calibrate.units import m_from_mm
from tracker.path import DRIFT_SD_PX, DRIFT_TIME_S, BallPath
from tracker.readout import Readout

TYPICAL_SPEED_M_S = 3.0  # a lane and back: common practice, no source
# What the tracker states of a sighting along and across its way, and of the ball at rest, and by how much sightings
# really scatter, from frame to frame and slowly: measured on the sample session against its truth. The fit reads
# the scatter from the path itself, so that both are needed.
STATED_PX, STATED_REST_PX = (0.25, 0.22), 0.19
SCATTER_PX, DRIFT_PX = (0.06, 0.07), 0.06
_TIP_OFFSET_MM, _SLOPE_DEG, _SQUIRT_DEG = 14.0, 2.5, -1.5  # half a tip aside, an ordinary bridge, an ordinary shaft
_PLAYED = 4  # noise is drawn anew for each, and variances are averaged: a fit reads its noise from one path
_SEED = 20240611
_REST_S = 0.5  # of the ball at rest before the strike, in s


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """Standard uncertainties to expect of one typical shot.

    Attributes
    ----------
    speed_m_s, frame_rate : float
        Of the shot.
    reading_sd_m, launch_sd_rad, swerve_offset_sd_m : float
        As `out/shots.csv` will state them.
    reading_own_sd_m, launch_own_sd_rad, swerve_offset_own_sd_m : float
        How far measuring scatters these from shot to shot of one session. The rest of their uncertainties all shots
        of a session have in common.
    squirt_sd_rad : float
        Of the launch direction without what all shots of the session have in common, which control shots take out.
    shares : dict of str to (str, float)
        For `reading_m`, `launch_rad` and `swerve_offset_m` the source with the largest share, and its share of the
        variance.
    """

    speed_m_s: float
    frame_rate: float
    reading_sd_m: float
    launch_sd_rad: float
    squirt_sd_rad: float
    swerve_offset_sd_m: float
    reading_own_sd_m: float
    launch_own_sd_rad: float
    swerve_offset_own_sd_m: float
    shares: dict[str, tuple[str, float]]


# What is the same in all shots of a session, and so drops out of a difference of two.
_COMMON = ("lens", "rail-top", "marks", "scale", "timing", "table")


def expected_shot(
    calibration: Calibration, *, frame_rate: float, readout: Readout, speed_m_s: float = TYPICAL_SPEED_M_S
) -> Expected | None:
    """Return what a typical shot will be known to.

    Parameters
    ----------
    calibration : Calibration
        Camera, scale, and how well they are known.
    frame_rate : float
        Frames a second as recorded.
    readout : Readout
        Of the rolling shutter.
    speed_m_s : float
        Right after the strike.

    Returns
    -------
    Expected or None
        None where the lane is not in the picture, or too few frames would see the ball.
    """
    shots, scatters = [], []
    for number in range(_PLAYED):
        rng = np.random.default_rng([_SEED, number])
        path = seen_shot(calibration, frame_rate=frame_rate, readout=readout, speed_m_s=speed_m_s, rng=rng)
        shot = None if path is None else measure_shot(path, calibration, readout=readout)
        if path is None or shot is None or shot.reading_m is None:
            return None
        fit = fit_path(path, calibration, readout=readout)
        if isinstance(fit, NotMeasured):
            return None
        shots.append(shot)
        scatters.append(shot_scatter(path, fit, calibration))
    reading, launch, swerve = (
        _mean([getattr(shot, f"{name}_sd_{unit}") for shot in shots])
        for name, unit in (("reading", "m"), ("launch", "rad"), ("swerve_offset", "m"))
    )
    own = {name: _mean([scatter[name] for scatter in scatters]) for name in scatters[0]}
    return Expected(
        speed_m_s=speed_m_s,
        frame_rate=frame_rate,
        reading_sd_m=reading,
        launch_sd_rad=launch,
        squirt_sd_rad=_without(shots, "launch_rad", _COMMON),
        swerve_offset_sd_m=swerve,
        reading_own_sd_m=own["reading_m"],
        launch_own_sd_rad=own["launch_rad"],
        swerve_offset_own_sd_m=own["swerve_offset_m"],
        shares={name: _largest(shots, name) for name in ("reading_m", "launch_rad", "swerve_offset_m")},
    )


def seen_shot(
    calibration: Calibration,
    *,
    frame_rate: float,
    readout: Readout,
    rng: np.random.Generator,
    speed_m_s: float = TYPICAL_SPEED_M_S,
) -> BallPath | None:
    """Play a shot and see it as the tracker would.

    Parameters
    ----------
    calibration, frame_rate, readout, speed_m_s
        As for `expected_shot`.
    rng : numpy Generator
        Draws the errors of the sightings.

    Returns
    -------
    BallPath or None
        None where the shot is not in the picture.
    """
    lane, table, camera = calibration.lane, calibration.table, calibration.camera
    launch_rad, radius_m = np.radians(_SQUIRT_DEG), calibration.ball.radius_m
    ahead = np.array([np.sin(launch_rad), np.cos(launch_rad)])
    right = np.array([ahead[1], -ahead[0]])
    side = 2.5 * m_from_mm(_TIP_OFFSET_MM) / radius_m * np.tan(np.radians(_SLOPE_DEG))
    slip = speed_m_s * (ahead - side * right)
    strike_s = _REST_S + 0.4 / frame_rate
    played = np.array([lane.x_aim_m, lane.spot_y_m, strike_s, *speed_m_s * ahead, *slip, 0.2, 0.01])

    def image(times_s: Floats) -> Floats:
        places_m, _ = state(played, times_s)
        return np.asarray(camera.project(np.column_stack([places_m, np.full(len(places_m), radius_m)])))

    frames_s = np.arange(int(10 * frame_rate)) / frame_rate
    times_s = frames_s.copy()
    for _ in range(4):  # the row decides the time and the time the row
        times_s = frames_s + image(times_s)[:, 1] / camera.size_px[1] * readout.value_s
    places_m, velocity_m_s = state(played, times_s)
    at_rail = places_m[:, 1] >= table.length_m - radius_m
    if not at_rail.any():
        return None
    moving = (times_s > strike_s) & ~at_rail
    seen_px, size = image(times_s), camera.size_px
    if not ((seen_px[moving] > 0) & (seen_px[moving] < size)).all() or moving.sum() < 5:
        return None
    step_px = image(times_s + 1e-4)[moving] - seen_px[moving]
    along = step_px / np.linalg.norm(step_px, axis=1)[:, None]
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    directions = np.stack([along, across], axis=1)
    cov = np.einsum("nki,k,nkj->nij", directions, np.square(STATED_PX), directions)
    n = int(moving.sum())
    noise = np.einsum("nk,nki->ni", rng.normal(0, SCATTER_PX, (n, 2)), directions)
    return BallPath(
        clip=Path(),
        shot=1,
        rest_px=image(np.array([0.0]))[0],
        rest_cov_px2=STATED_REST_PX**2 * np.eye(2),
        times_s=frames_s[moving],
        centre_px=seen_px[moving] + noise + _drift(frames_s[moving], rng),
        centre_cov_px2=cov,
        last_rest_s=float(frames_s[times_s <= strike_s][-1]),
        first_moved_s=float(frames_s[times_s > strike_s][0]),
        turned_s=float(frames_s[at_rail][0]),
        frame_period_s=1 / frame_rate,
        exposure_s=0.0,
        size_px=size,
        frames=n,
        drift_sd_px=DRIFT_SD_PX,
    )


def _drift(times_s: Floats, rng: np.random.Generator) -> Floats:
    """Draw what sightings err by alike from frame to frame, (N, 2)."""
    cov = DRIFT_PX**2 * np.exp(-np.abs(times_s[:, None] - times_s) / DRIFT_TIME_S)
    drawn: Floats = np.linalg.cholesky(cov + 1e-12 * np.eye(len(cov))) @ rng.normal(size=(len(cov), 2))
    return drawn


def _mean(sds: list[float]) -> float:
    return float(np.sqrt(np.mean(np.square(sds))))


def _without(shots: list[Shot], quantity: str, sources: tuple[str, ...]) -> float:
    left = [
        sum(share.sd**2 for share in shot.budget if share.quantity == quantity and share.source not in sources)
        for shot in shots
    ]
    return float(np.sqrt(np.mean(left)))


def _largest(shots: list[Shot], quantity: str) -> tuple[str, float]:
    variances: dict[str, float] = {}
    for share in (share for shot in shots for share in shot.budget if share.quantity == quantity):
        variances[share.source] = variances.get(share.source, 0.0) + share.sd**2
    source = max(variances, key=lambda name: variances[name])
    return source, variances[source] / max(sum(variances.values()), 1e-30)
