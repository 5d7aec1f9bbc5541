"""Shots without pixels: a ball integrated numerically, seen by a camera known only through noisy marks.

Used by the tests of the path fit and by `tests/benchmarks/monte_carlo.py`. The friction law is written out from
Newton and Euler, so the closed form of the fit is not tested against itself.
"""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from analyze.fit.priors import ErrorPriors, MotionPriors
from calibrate.calibration import CALIBRATION_PARAMETERS, Calibration
from calibrate.camera import Camera
from calibrate.marks import Click, mark_kind, mark_point_m
from calibrate.scale import RailScale
from calibrate.solve import calibrate
from calibrate.table import Ball, Lane, Table
from tracker.path import BallPath
from tracker.readout import ASSUMED_READOUT, Readout

GRAVITY_M_S2 = 9.80665
BALL = Ball(diameter_m=0.05715, mass_kg=0.17)
TABLE = Table(
    name="9ft",
    width_m=1.27,
    length_m=2.54,
    sight_setback_m=0.09366,
    rail_top_m=0.042,
    rail_top_sd_m=0.003,
    nose_height_m=0.0363,
)
LANE = Lane(x_aim_m=0.3175, spot_y_m=0.762)
SIZE_PX = np.array([1920.0, 1080.0])

# Where the camera stands and what it looks at, table frame, in m, and its focal length in px.
PLACES = {
    "behind foot rail": ((0.62, 3.75, 1.15), (0.42, 1.75, 0.0), 1500.0),
    "behind shooter": ((0.75, -0.65, 1.45), (0.38, 1.75, 0.0), 1450.0),
    "side": ((-1.45, 1.75, 1.35), (0.45, 1.70, 0.0), 1350.0),
}


def integrated_ball(parameters, times_s):
    """Places and velocities, (N, 2) each, of the integrated rigid ball at times after the strike."""
    return played(parameters, times_s[-1])(times_s)


def played(parameters, last_s, pull_m_s2=0.0):
    """Integrate the rigid ball until `last_s` and return the function from times to places and velocities.

    The state is x, y, vx, vy, wx, wy; friction acts against the slip of the contact point. A table out of level
    pulls a ball that rolls by `pull_m_s2` to the right, one that slides by 7/5 of that.
    """
    x, y, t0, vx, vy, ux, uy, mu_s, mu_r = parameters
    radius_m, mass = BALL.radius_m, BALL.mass_kg
    # the contact point moves with the centre and, R below it, with the spin
    wy, wx = (vx - ux) / radius_m, (uy - vy) / radius_m

    def slide(_, s):
        slip = np.array([s[2] - radius_m * s[5], s[3] + radius_m * s[4]])
        force = -mu_s * mass * GRAVITY_M_S2 * slip / np.linalg.norm(slip)
        torque = np.array([radius_m * force[1], -radius_m * force[0]])  # (0, 0, -R) x F
        spin = torque / (0.4 * mass * radius_m**2)
        return [s[2], s[3], force[0] / mass + 1.4 * pull_m_s2, force[1] / mass, spin[0], spin[1]]

    def grips(_, s):
        return np.hypot(s[2] - radius_m * s[5], s[3] + radius_m * s[4]) - 1e-7

    grips.terminal = True

    def roll(_, s):
        speed = np.hypot(s[2], s[3])
        slowing = mu_r * GRAVITY_M_S2 / speed
        return [s[2], s[3], pull_m_s2 - slowing * s[2], -slowing * s[3], 0, 0]

    until = max(float(last_s) - t0, 1e-6)
    options = {"method": "DOP853", "rtol": 1e-10, "atol": 1e-12, "dense_output": True, "max_step": 0.05}
    first = solve_ivp(slide, (0, until), [x, y, vx, vy, wx, wy], events=grips, **options)
    second = first
    if first.t[-1] < until:
        second = solve_ivp(roll, (first.t[-1], until), first.y[:, -1], **options)

    def at(times_s):
        tau = np.asarray(times_s) - t0
        states = np.where(tau <= first.t[-1], first.sol(tau), second.sol(tau))
        return states[:2].T, states[2:4].T

    return at


def look_at(place_m, target_m, focal_px, *, centre_px=(959.5, 539.5), k1=0.0, k2=0.0, roll_rad=0.0):
    """Camera at a place, looking at a point, upright but for the roll."""
    from scipy.spatial.transform import Rotation

    place, target = np.array(place_m), np.array(target_m)
    forward = (target - place) / np.linalg.norm(target - place)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    matrix = Rotation.from_rotvec([0, 0, roll_rad]).as_matrix() @ np.array([right, down, forward])
    return Camera(
        focal_px=focal_px,
        centre_px=np.array(centre_px),
        k1=k1,
        k2=k2,
        rotation_rad=Rotation.from_matrix(matrix).as_rotvec(),
        translation_m=-matrix @ place,
        size_px=SIZE_PX,
    )


def mark_places(calibration):
    """Sights, ticks and cloth markers where this calibration has them, (M, 3)."""
    table, scale = calibration.table, calibration.scale
    top, back = table.rail_top_m, table.sight_setback_m
    across = [table.width_m * k / 4 for k in (1, 2, 3)]
    along = [table.length_m * k / 8 for k in range(1, 8)]
    marks = [(x, table.length_m + back, top) for x in across] + [(x, -back, top) for x in across]
    marks += [(-back, y, top) for y in along] + [(table.width_m + back, y, top) for y in along]
    marks += [(*scale.tick_xy_m(n), top) for n in (-4, -2, 0, 2, 4)]
    marks += [(LANE.x_aim_m, LANE.spot_y_m + d, 0.0) for d in (0.3, 0.9, 1.5)]
    return np.array(marks)


PRIOR_SD = np.array(
    # focal, centre, k1, k2, rotation, translation, rail top, scale zero, skew, stretch
    [np.inf, 15, 15, 0.05, 0.03, np.inf, np.inf, np.inf, np.inf, np.inf, np.inf, 0.003, 0.02, 0.02, 0.003]
)


def mark_covariance(calibration, *, sigma_px=0.2):
    """Covariance of the 15 calibration parameters from marks of the given sd: linear least squares with priors."""
    at = calibration.parameters

    def images(values):
        moved = calibration.with_parameters(values)
        return moved.camera.project(mark_places(moved))

    seen = images(at)
    inside = np.isfinite(seen).all(axis=1) & (seen > 0).all(axis=1) & (seen < SIZE_PX).all(axis=1)
    steps = np.array([0.1, 0.1, 0.1, 1e-4, 1e-4, *[1e-5] * 10])
    slope = np.empty((inside.sum() * 2, len(at)))
    for i, step in enumerate(steps):
        move = np.zeros(len(at))
        move[i] = step
        slope[:, i] = ((images(at + move) - images(at - move)) / (2 * step))[inside].ravel()
    information = slope.T @ slope / sigma_px**2 + np.diag(1 / PRIOR_SD**2)
    size = np.sqrt(np.diag(information))
    cov = np.linalg.inv(information / np.outer(size, size)) / np.outer(size, size)
    return (cov + cov.T) / 2


def true_calibration(place, rng):
    """A camera near one of `PLACES`, with lens, rail top and scale not quite nominal; covariance from its marks."""
    spot, target, focal_px = PLACES[place]
    camera = look_at(
        np.array(spot) + rng.uniform(-0.1, 0.1, 3),
        np.array(target) + rng.uniform(-0.05, 0.05, 3),
        focal_px * rng.uniform(0.97, 1.03),
        centre_px=np.array([959.5, 539.5]) + rng.normal(0, 15, 2),
        k1=rng.normal(0, 0.05),
        k2=rng.normal(0, 0.03),
        roll_rad=rng.normal(0, 0.02),
    )
    scale = RailScale(
        line_y_m=TABLE.length_m + TABLE.sight_setback_m,
        zero_m=LANE.x_aim_m + rng.normal(0, 0.003),
        skew_rad=rng.normal(0, 0.005),
        stretch=rng.normal(0, 0.002),
    )
    table = Table(
        **{
            **{name: getattr(TABLE, name) for name in TABLE.__dataclass_fields__},
            "rail_top_m": 0.042 + rng.normal(0, 0.003),
        }
    )
    n = len(CALIBRATION_PARAMETERS)
    draft = Calibration(camera=camera, table=table, lane=LANE, ball=BALL, scale=scale, cov=np.eye(n))
    return Calibration(camera=camera, table=table, lane=LANE, ball=BALL, scale=scale, cov=mark_covariance(draft))


def as_measured(truth, rng):
    """Return the calibration that noisy marks would give: the truth moved within its covariance."""
    root = np.linalg.cholesky(truth.cov + 1e-30 * np.eye(len(truth.cov)))
    return truth.with_parameters(truth.parameters + root @ rng.normal(size=len(truth.cov)))


MARKS = (
    *(f"{rail}-{k}" for rail in ("foot", "head") for k in (1, 2, 3)),
    *(f"{rail}-{k}" for rail in ("left", "right") for k in range(1, 8)),
    *(f"scale{n:+d}" for n in (-4, -2, 0, 2, 4)),
    *(f"lane:{d}" for d in (300, 900, 1500)),
)


def from_clicks(truth, rng, *, sigma_px=0.2):
    """Lay marks by hand, click them, and solve: the truth with the scale as it came to lie, and the calibration.

    Marks lie off their nominal places by what `calibrate.adjust` says a hand and a maker achieve.
    """
    truth = replace(truth, scale=replace(truth.scale, line_y_m=truth.scale.line_y_m + rng.normal(0, 0.001)))
    laid = replace(truth.table, sight_setback_m=truth.table.sight_setback_m + rng.normal(0, 0.001))
    clicks = []
    for name in MARKS:
        place_m = mark_point_m(name, laid, LANE, truth.scale)
        kind = str(mark_kind(name))
        along, across, up = {"tick": (1e-4, 2e-4, 3e-4), "sight": (5e-4, 5e-4, 3e-4)}.get(kind, (5e-4, 5e-4, 1e-4))
        u_px, v_px = truth.camera.project(place_m + rng.normal(size=3) * [along, across, up])
        if 3 < u_px < SIZE_PX[0] - 3 and 3 < v_px < SIZE_PX[1] - 3:
            du, dv = rng.normal(0, sigma_px, 2)
            clicks.append(Click(name, float(u_px + du), float(v_px + dv), sigma_px))
    nominal = RailScale(line_y_m=TABLE.length_m + TABLE.sight_setback_m, zero_m=LANE.x_aim_m)
    return truth, calibrate(
        clicks, luma=None, size_px=tuple(SIZE_PX), table=TABLE, lane=LANE, ball=BALL, scale=nominal
    )


@dataclass(frozen=True, kw_only=True)
class Setting:
    """How a shot is played and filmed."""

    place: str = "behind foot rail"
    frame_rate: float = 60.0
    speed_m_s: float = 3.0
    sigma_px: float = 0.2
    rest_sigma_px: float = 0.05
    readout_known: bool = True
    bias_px: tuple[float, float] = ErrorPriors().ball_bias_px  # u and v
    pull_sd_m_s2: float = MotionPriors().pull_sd_m_s2
    solved: bool = False


@dataclass(frozen=True, kw_only=True)
class SimulatedShot:
    """A path as the tracker would give it, the calibration as measured, and the truth behind both."""

    path: BallPath
    calibration: Calibration
    truth: Calibration
    parameters: np.ndarray
    pull_m_s2: float
    readout_s: float
    stated_readout: Readout
    values: np.ndarray


def played_parameters(setting, rng):
    """Draw a strike: tip offset, elevation, spin, squirt, friction and a start near the spot."""
    speed = setting.speed_m_s * rng.uniform(0.9, 1.1)
    side, height = rng.uniform(-0.5, 0.5), rng.normal(0, 0.15)
    elevation = np.radians(rng.uniform(0, 6))
    launch_rad = np.radians(-rng.uniform(1, 4) * side) + rng.normal(0, np.radians(0.3))
    v = speed * np.array([np.sin(launch_rad), np.cos(launch_rad)])
    right, forward = np.array([np.cos(launch_rad), -np.sin(launch_rad)]), v / speed
    u = speed * (-2.5 * side * np.tan(elevation) * right + (1 - 2.5 * height / np.cos(elevation)) * forward)
    mu_s, mu_r = 0.2 * np.exp(rng.normal(0, 0.3)), 0.010 * np.exp(rng.normal(0, 0.3))
    x, y = LANE.x_aim_m + rng.normal(0, 0.002), LANE.spot_y_m + rng.normal(0, 0.003)
    return np.array([x, y, rng.uniform(1.0, 1.0 + 1 / setting.frame_rate), *v, *u, mu_s, mu_r])


def contact_y_m():
    """y of the ball's centre when the nose touches it."""
    return TABLE.length_m - np.sqrt(BALL.radius_m**2 - (TABLE.nose_height_m - BALL.radius_m) ** 2)


def true_quantities(parameters, truth, pull_m_s2=0.0):
    """Reading, launch, speeds, offsets of the integrated ball, as the fit defines them; and the time of contact."""
    if pull_m_s2:
        values, contact_s = true_quantities(parameters, truth, 0.0)
        if values is None:
            return None, None
        at_contact = played(parameters, contact_s, pull_m_s2)(np.array([contact_s]))
        values[0] = crossing_of_scale(at_contact[0][0], at_contact[1][0], truth.scale)
        return values, contact_s
    t0 = parameters[2]
    speed = np.hypot(*parameters[3:5])
    last_s = t0 + 3 * (contact_y_m() - parameters[1]) / (speed * 5 / 7)

    at = played(parameters, last_s)

    def short_of_cushion(t):
        return at(np.array([t]))[0][0, 1] - contact_y_m()

    if short_of_cushion(last_s) < 0:
        return None, None
    contact_s = brentq(short_of_cushion, t0 + 1e-4, last_s, xtol=1e-10)
    (place,), (velocity,) = at(np.array([contact_s]))
    launch = parameters[3:5]
    reading = crossing_of_scale(place, velocity, truth.scale)
    squirt = crossing_of_scale(parameters[:2], launch, truth.scale)
    slide_s = 2 * np.hypot(*parameters[5:7]) / (7 * parameters[7] * GRAVITY_M_S2)
    slide_end = parameters[1] + parameters[4] * slide_s - parameters[6] * slide_s / 7 - LANE.spot_y_m
    return (
        np.array(
            [
                reading,
                np.arctan2(*launch),
                np.hypot(*launch),
                np.hypot(*velocity),
                squirt,
                reading - squirt,
                slide_end,
            ]
        ),
        contact_s,
    )


def crossing_of_scale(point, direction, scale):
    """Where a line meets the reading line, in the scale's own units of length: a 2 x 2 system."""
    along = np.array([np.cos(scale.skew_rad), np.sin(scale.skew_rad)])
    right_side = np.array([scale.zero_m, scale.line_y_m]) - point
    _, t = np.linalg.solve(np.column_stack([direction, -along]), right_side)
    return t / (1 + scale.stretch)


def cameras(setting, rng):
    """Set a camera up: as it is, and as its marks give it."""
    truth = true_calibration(setting.place, rng)
    if setting.solved:
        return from_clicks(truth, rng)
    return truth, as_measured(truth, rng)


def stated_readout(readout_s, setting, rng):
    """What the measurement is told: the truth to 0.3 ms, or what is assumed."""
    told_s = readout_s + rng.normal(0, 0.0003) if setting.readout_known else None
    return ASSUMED_READOUT if told_s is None else Readout.stated(max(told_s, 1e-6))


def simulate(setting, rng, *, parameters=None, outliers=0, set_up=None, readout_s=None, pull_m_s2=None):
    """Play one shot and film it; None where the ball does not reach the rail or is not in the picture.

    `set_up` is what `cameras` gave, `readout_s` the true readout time and `pull_m_s2` the table's pull, where
    several shots share them.
    """
    truth, calibration = set_up or cameras(setting, rng)
    parameters = played_parameters(setting, rng) if parameters is None else parameters
    pull_m_s2 = setting.pull_sd_m_s2 * rng.spawn(1)[0].normal() if pull_m_s2 is None else pull_m_s2
    values, contact_s = true_quantities(parameters, truth, pull_m_s2)
    # What drags places down the lane as the fit expects it; a stream of its own, so that the other draws stay.
    values[2:4] *= 1 + rng.spawn(1)[0].normal(0, ErrorPriors().speed_share_sd)
    if values is None:
        return None
    readout_s = max(rng.normal(0.012, 0.006), 0.0) if readout_s is None else readout_s
    stated = stated_readout(readout_s, setting, rng)

    height_px = SIZE_PX[1]
    before = np.floor((parameters[2] - 0.1) * setting.frame_rate)
    frames_s = np.arange(before, (contact_s + 0.1) * setting.frame_rate) / setting.frame_rate
    # A row is exposed later than the first: the ball is where it is at the time of its own row.
    times_s = frames_s.copy()
    at = played(parameters, contact_s + 0.15, pull_m_s2)
    for _ in range(4):
        image = project(truth, at(np.maximum(times_s, parameters[2]))[0])
        times_s = frames_s + image[:, 1] / height_px * readout_s
    seen = (
        (times_s > parameters[2])
        & (times_s < contact_s)
        & (image > 5).all(axis=1)
        & (image < SIZE_PX - 5).all(axis=1)
    )
    n = int(seen.sum())
    if n < 5:
        return None
    angle = rng.uniform(0, np.pi, n)
    turn = np.stack(
        [np.stack([np.cos(angle), -np.sin(angle)], -1), np.stack([np.sin(angle), np.cos(angle)], -1)], -2
    )
    sds = setting.sigma_px * np.stack([rng.uniform(0.7, 1.0, n), rng.uniform(1.0, 1.6, n)], -1)
    cov = turn @ (sds[:, :, None] ** 2 * np.eye(2)) @ turn.transpose(0, 2, 1)
    noise = (turn @ (sds * rng.normal(size=(n, 2)))[..., None])[..., 0]
    bias = rng.normal(0, setting.bias_px, 2)
    centre = image[seen] + noise + bias
    if outliers:
        at = rng.choice(n, outliers, replace=False)
        centre[at] += rng.uniform(8, 40, (outliers, 2)) * rng.choice([-1, 1], (outliers, 2))
    rest = project(truth, parameters[None, :2])[0] + bias + rng.normal(0, setting.rest_sigma_px, 2)
    first = int(np.argmax(times_s > parameters[2]))
    path = BallPath(
        clip=Path("simulated.mp4"),
        shot=1,
        rest_px=rest,
        rest_cov_px2=setting.rest_sigma_px**2 * np.eye(2),
        times_s=frames_s[seen],
        centre_px=centre,
        centre_cov_px2=cov,
        last_rest_s=float(frames_s[first - 1]),
        first_moved_s=float(frames_s[first]),
        turned_s=float(frames_s[np.argmax(times_s > contact_s)]) if (times_s > contact_s).any() else None,
        frame_period_s=1 / setting.frame_rate,
        exposure_s=0.0,
        size_px=SIZE_PX,
        frames=n,
    )
    return SimulatedShot(
        path=path,
        calibration=calibration,
        truth=truth,
        parameters=parameters,
        pull_m_s2=pull_m_s2,
        readout_s=readout_s,
        stated_readout=stated,
        values=values,
    )


def project(calibration, places_m):
    """Image of ball centres, (N, 2)."""
    points = np.column_stack([places_m, np.full(len(places_m), BALL.radius_m)])
    return calibration.camera.project(points)
