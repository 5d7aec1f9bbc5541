"""Where a struck ball is and how fast it moves: sliding, then rolling, in closed form with derivatives.

A rigid ball on cloth with Coulomb friction. While its contact point slips with velocity u, friction acts against u
and keeps its direction: the path of the centre is a parabola. After ``T = 2 |u0| / (7 mu_s g)`` the ball
rolls straight on with velocity ``v0 - (2/7) u0``, slowing by ``mu_r g``, until it stops. Derivation: any text on
rigid bodies (Halliday, Resnick, Walker, chapter on rolling; the bowling-ball problem); the moment of inertia is
``(2/5) m R^2``. Spin about the vertical has no effect on the path of a ball that touches in one point.
"""

import numpy as np

from analyze.fit.pull import pulled
from calibrate.arrays import Floats

GRAVITY_M_S2 = 9.80665  # standard gravity, CGPM 1901; it varies by 0.3 % over the globe, which mu_s and mu_r absorb

MOTION_PARAMETERS = ("x_m", "y_m", "strike_s", "vx_m_s", "vy_m_s", "ux_m_s", "uy_m_s", "mu_s", "mu_r")
"""Start, strike time, launch velocity, slip velocity at launch, sliding and rolling friction."""

_EYE = np.eye(2)


def slide_time_s(parameters: Floats) -> Floats:
    """How long the ball slides: ``2 |u0| / (7 mu_s g)``.

    Parameters
    ----------
    parameters : (..., 9) array
        In the order of `MOTION_PARAMETERS`.

    Returns
    -------
    (...) array
        In s after the strike.
    """
    p = np.asarray(parameters)
    time_s: Floats = 2 * np.hypot(p[..., 5], p[..., 6]) / (7 * p[..., 7] * GRAVITY_M_S2)
    return time_s


def rolling_velocity_m_s(parameters: Floats) -> Floats:
    """Velocity at the end of the slide, ``v0 - (2/7) u0``: (..., 2) array in m/s."""
    p = np.asarray(parameters)
    velocity_m_s: Floats = p[..., 3:5] - (2 / 7) * p[..., 5:7]
    return velocity_m_s


def _unit(vectors: Floats) -> tuple[Floats, Floats]:
    """Return unit vectors and lengths; a zero vector stays zero."""
    length = np.hypot(vectors[..., 0], vectors[..., 1])
    safe = np.where(length > 0, length, 1.0)
    return vectors / safe[..., None], length


def state(parameters: Floats, times_s: Floats, *, pull_m_s2: Floats | float = 0.0) -> tuple[Floats, Floats]:
    """Place and velocity of the ball's centre.

    Parameters
    ----------
    parameters : (..., 9) array
        In the order of `MOTION_PARAMETERS`.
    times_s : (N,) or (..., N) array
        Times on the clock of `strike_s`. Before the strike the ball rests.
    pull_m_s2 : float or (...) array
        Of the table, to the right; see `analyze.fit.pull`.

    Returns
    -------
    position_m : (..., N, 2) array
        Table frame.
    velocity_m_s : (..., N, 2) array
        Table frame.
    """
    p = np.asarray(parameters)[..., None, :]
    start, v0, u0, mu_s, mu_r = p[..., 0:2], p[..., 3:5], p[..., 5:7], p[..., 7], p[..., 8]
    tau = np.maximum(np.asarray(times_s) - p[..., 2], 0.0)
    slip_dir, slip = _unit(u0)
    end = 2 * slip / (7 * mu_s * GRAVITY_M_S2)
    sliding = np.minimum(tau, end)[..., None]
    slide_acc = (mu_s * GRAVITY_M_S2)[..., None] * slip_dir
    roll_dir, roll_speed = _unit(v0 - (2 / 7) * u0)
    roll_acc = mu_r * GRAVITY_M_S2
    rolling = np.clip(tau - end, 0.0, roll_speed / roll_acc)
    rolled = roll_speed * rolling - 0.5 * roll_acc * rolling**2
    position_m = start + v0 * sliding - 0.5 * slide_acc * sliding**2 + rolled[..., None] * roll_dir
    slide_velocity = v0 - slide_acc * sliding
    roll_velocity = (roll_speed - roll_acc * rolling)[..., None] * roll_dir
    velocity_m_s = np.where((tau < end)[..., None], slide_velocity, roll_velocity)
    way, speed, _ = pulled(tau, end)
    pull = np.asarray(pull_m_s2)[..., None]
    position_m[..., 0] += pull * way
    velocity_m_s[..., 0] += pull * speed
    velocity_m_s = np.where((np.asarray(times_s) < p[..., 2])[..., None], 0.0, velocity_m_s)
    return position_m, velocity_m_s


def state_jacobian(parameters: Floats, times_s: Floats, *, pull_m_s2: float = 0.0) -> tuple[Floats, Floats, Floats]:
    """Place of the ball's centre and its derivative with respect to the parameters, for fitting.

    Before the strike the slide is run backwards instead of stopping: a fit whose strike time is still wrong
    needs a slope there. Otherwise the place is that of `state`.

    Parameters
    ----------
    parameters : (9,) array
        In the order of `MOTION_PARAMETERS`.
    times_s : (N,) array
        Times on the clock of `strike_s`.
    pull_m_s2 : float
        Of the table, to the right.

    Returns
    -------
    position_m : (N, 2) array
        Table frame.
    jacobian : (N, 2, 9) array
        Derivative of `position_m`. Continuous at the end of the slide (the velocity does not jump there), which
        is what Gauss-Newton needs.
    by_pull : (N,) array
        Derivative of the place across with respect to the pull.
    """
    p = np.asarray(parameters, dtype=np.float64)
    start, v0, u0, mu_s = p[0:2], p[3:5], p[5:7], float(p[7])
    tau = np.asarray(times_s, dtype=np.float64) - p[2]
    slip_dir, slip_length = _unit(u0)
    slip = float(slip_length)
    end = 2 * slip / (7 * mu_s * GRAVITY_M_S2)
    position = np.empty((len(tau), 2))
    jacobian = np.zeros((len(tau), 2, 9))
    jacobian[:, :, 0:2] = _EYE

    slides = tau < end
    if slides.any():
        t = tau[slides]
        half_t2 = 0.5 * t * t
        acc = mu_s * GRAVITY_M_S2
        position[slides] = start + t[:, None] * v0 - acc * half_t2[:, None] * slip_dir
        jacobian[slides, :, 2] = -(v0 - acc * t[:, None] * slip_dir)
        jacobian[slides, :, 3:5] = t[:, None, None] * _EYE
        turn = (_EYE - np.outer(slip_dir, slip_dir)) / slip if slip > 0 else np.zeros((2, 2))
        jacobian[slides, :, 5:7] = -acc * half_t2[:, None, None] * turn
        jacobian[slides, :, 7] = -GRAVITY_M_S2 * half_t2[:, None] * slip_dir
    if not slides.all():
        _roll(tau, ~slides, p, end=end, position=position, jacobian=jacobian)
    way, velocity, by_slide = pulled(np.maximum(tau, 0.0), end)
    position[:, 0] += pull_m_s2 * way
    jacobian[:, 0, 2] -= pull_m_s2 * velocity
    jacobian[:, 0, 5:7] += pull_m_s2 * by_slide[:, None] * (2 * slip_dir / (7 * mu_s * GRAVITY_M_S2))
    jacobian[:, 0, 7] -= pull_m_s2 * by_slide * end / mu_s
    return position, jacobian, way


def _roll(tau: Floats, rolls: Floats, p: Floats, *, end: float, position: Floats, jacobian: Floats) -> None:
    """Fill in the rows of `state_jacobian` in which the ball rolls or has stopped."""
    start, v0, u0, mu_s, mu_r = p[0:2], p[3:5], p[5:7], float(p[7]), float(p[8])
    slip_dir, _ = _unit(u0)
    end_by_u0 = 2 * slip_dir / (7 * mu_s * GRAVITY_M_S2)
    end_by_mu = -end / mu_s
    roll_velocity = v0 - (2 / 7) * u0
    roll_dir, speed_length = _unit(roll_velocity)
    speed = float(speed_length)
    acc = mu_r * GRAVITY_M_S2
    stop = speed / acc
    rolling = tau[rolls] - end
    s = np.minimum(rolling, stop)
    stopped = rolling > stop

    slide_end = v0 * end - u0 * end / 7
    position[rolls] = start + slide_end + (speed * s - 0.5 * acc * s * s)[:, None] * roll_dir

    # derivative of the end of the slide
    end_u = np.outer(v0 - u0 / 7, end_by_u0) - end / 7 * _EYE
    end_mu = (v0 - u0 / 7) * end_by_mu
    # derivative of the rolled way with respect to the rolling velocity, at a fixed rolling time
    along = np.outer(roll_dir, roll_dir)
    across = (_EYE - along) / speed if speed > 0 else np.zeros((2, 2))
    way = speed * s - 0.5 * acc * s * s
    by_roll = way[:, None, None] * across + s[:, None, None] * along
    # while the ball still rolls a later start of rolling shortens the way; once stopped only the stop moves
    by_time = (speed - acc * s)[:, None] * roll_dir
    by_time[stopped] = 0.0
    n = len(s)
    block = np.zeros((n, 2, 9))
    block[:, :, 0:2] = _EYE
    block[:, :, 2] = -by_time
    block[:, :, 3:5] = end * _EYE + by_roll
    block[:, :, 5:7] = end_u - (2 / 7) * by_roll - by_time[:, :, None] * end_by_u0
    block[:, :, 7] = end_mu - by_time * end_by_mu
    block[:, :, 8] = -0.5 * GRAVITY_M_S2 * (s * s)[:, None] * roll_dir
    jacobian[rolls] = block


def crossing_s(parameters: Floats, line_y_m: float) -> Floats:
    """When the ball's centre first reaches the line y = `line_y_m`.

    Parameters
    ----------
    parameters : (..., 9) array
        In the order of `MOTION_PARAMETERS`.
    line_y_m : float
        Table frame, beyond the start.

    Returns
    -------
    (...) array
        Time on the clock of `strike_s`; NaN where the ball stops or turns before the line.
    """
    p = np.asarray(parameters)
    v0, u0, mu_s, mu_r = p[..., 3:5], p[..., 5:7], p[..., 7], p[..., 8]
    slip_dir, slip = _unit(u0)
    end = 2 * slip / (7 * mu_s * GRAVITY_M_S2)
    sliding = _first_root(line_y_m - p[..., 1], v0[..., 1], mu_s * GRAVITY_M_S2 * slip_dir[..., 1])
    end_y_m = p[..., 1] + (v0[..., 1] - u0[..., 1] / 7) * end
    roll_dir, _ = _unit(v0 - (2 / 7) * u0)
    roll_vy = v0[..., 1] - (2 / 7) * u0[..., 1]
    rolling = _first_root(line_y_m - end_y_m, roll_vy, mu_r * GRAVITY_M_S2 * roll_dir[..., 1])
    with np.errstate(invalid="ignore"):
        time_s: Floats = p[..., 2] + np.where(sliding <= end, sliding, end + rolling)
    return time_s


def _first_root(way: Floats, speed: Floats, slowing: Floats) -> Floats:
    """First t > 0 at which ``speed t - slowing t^2 / 2 = way``, NaN where there is none."""
    square = speed * speed - 2 * slowing * way
    with np.errstate(invalid="ignore", divide="ignore"):
        t = 2 * way / (speed + np.sqrt(np.where(square >= 0, square, np.nan)))
        root: Floats = np.where(t >= 0, t, np.nan)
    return root
