"""How the ball moves: the rigid-ball equations, integrated numerically from the strike to after the rebound.

Nothing here uses the closed form of the sliding ball; phases are told apart by the integrator's events. Frame: the
table's (x right, y towards the foot rail, z up), SI units.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.integrate import solve_ivp

Floats = npt.NDArray[np.float64]

GRAVITY_M_S2 = 9.80665  # standard gravity, CGPM 1901
STEP_S = 2.5e-4  # grid on which the motion is handed on: linear between, wrong by less than 2e-8 m at 2 m/s2
X, V, W, Q = slice(0, 2), slice(2, 4), slice(4, 7), slice(7, 11)  # state: place, velocity, spin, orientation


@dataclass(frozen=True, slots=True, kw_only=True)
class RigidBall:
    """A homogeneous sphere.

    Attributes
    ----------
    radius_m, mass_kg : float
        Size and mass; the moment of inertia is 2/5 m R^2.
    """

    radius_m: float = 0.028575
    mass_kg: float = 0.165

    @property
    def inertia_kg_m2(self) -> float:
        """Moment of inertia about any axis through the centre."""
        return 0.4 * self.mass_kg * self.radius_m**2


@dataclass(frozen=True, slots=True, kw_only=True)
class Friction:
    """What slows the ball.

    Attributes
    ----------
    slide : float
        Coulomb coefficient between sliding ball and cloth.
    roll : float
        Deceleration of the rolling ball, in units of g.
    spin_rad_s2 : float
        Loss of the spin about the vertical axis (it does not bend the path of a point contact).
    cushion : float
        Coulomb coefficient between ball and cushion nose.
    cushion_restitution : float
        Speed across the cushion after over before.
    """

    slide: float = 0.20
    roll: float = 0.010
    spin_rad_s2: float = 10.0
    cushion: float = (
        0.14  # Mathavan et al., Proc. IMechE C 224, 1863 (2010); their restitution 0.98 is of the rubber
    )
    cushion_restitution: float = 0.80


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Motion:
    """The ball from just after the strike on; time zero is the strike.

    Attributes
    ----------
    times_s : (K,) array
        Grid, increasing.
    place_m : (K, 2) array
        (x, y) of the centre.
    velocity_m_s : (K, 2) array
        Its velocity.
    spin_rad_s : (K, 3) array
        Angular velocity, table frame.
    orientation : (K, 4) array
        Quaternion (w, x, y, z) that turns body directions to table directions.
    slide_end_s : float or None
        When it first rolled; None where it still slid at the cushion.
    slide_end_m : (2,) array or None
        (x, y) there.
    contact_s : float or None
        When it met the foot cushion; None where it did not.
    contact_m, contact_velocity_m_s : (2,) array or None
        Place and velocity just before.
    """

    times_s: Floats
    place_m: Floats
    velocity_m_s: Floats
    spin_rad_s: Floats
    orientation: Floats
    slide_end_s: float | None
    slide_end_m: Floats | None
    contact_s: float | None
    contact_m: Floats | None
    contact_velocity_m_s: Floats | None

    def place_at(self, times_s: Floats) -> Floats:
        """(..., 2) places of the centre at times after the strike; before it the ball rests."""
        return np.stack([np.interp(times_s, self.times_s, self.place_m[:, i]) for i in range(2)], axis=-1)

    def orientation_at(self, times_s: Floats) -> Floats:
        """(..., 4) unit quaternions at times after the strike."""
        turn = np.stack([np.interp(times_s, self.times_s, self.orientation[:, i]) for i in range(4)], axis=-1)
        return turn / np.linalg.norm(turn, axis=-1, keepdims=True)


def slip_m_s(state: Floats, ball: RigidBall) -> Floats:
    """(2,) velocity of the ball's lowest point over the cloth: v + w x (0, 0, -R)."""
    return state[V] + ball.radius_m * np.array([-state[5], state[4]])


def _turn_rate(state: Floats) -> Floats:
    """(4,) rate of the orientation quaternion: half of (0, w) times q."""
    w, x, y, z = state[Q]
    a, b, c = state[W]
    return 0.5 * np.array(
        [-a * x - b * y - c * z, a * w + b * z - c * y, b * w + c * x - a * z, c * w + a * y - b * x]
    )


def _spin_loss(state: Floats, friction: Friction) -> float:
    return -friction.spin_rad_s2 * float(np.tanh(state[6] / 0.5))


def _sliding(state: Floats, ball: RigidBall, friction: Friction, tilt: Floats) -> Floats:
    """Rate of the state while the contact point slides: Coulomb friction against the slip, and its torque."""
    slip = slip_m_s(state, ball)
    force_n = -friction.slide * ball.mass_kg * GRAVITY_M_S2 * slip / np.hypot(*slip)
    torque_nm = np.cross([0.0, 0.0, -ball.radius_m], [*force_n, 0.0])
    spin_rate = torque_nm / ball.inertia_kg_m2 + [0.0, 0.0, _spin_loss(state, friction)]
    return np.concatenate([state[V], force_n / ball.mass_kg - GRAVITY_M_S2 * tilt, spin_rate, _turn_rate(state)])


def _rolling(state: Floats, ball: RigidBall, friction: Friction, tilt: Floats) -> Floats:
    """Rate of the state while the ball rolls: resistance against the velocity, the spin bound to it."""
    rate_m_s2 = -friction.roll * GRAVITY_M_S2 * state[V] / np.hypot(*state[V])
    # of a pull m a on a rolling ball the spin takes up 2/7
    rate_m_s2 = rate_m_s2 - GRAVITY_M_S2 * tilt / (1 + ball.inertia_kg_m2 / (ball.mass_kg * ball.radius_m**2))
    spin_rate = np.array([-rate_m_s2[1], rate_m_s2[0], 0.0]) / ball.radius_m
    spin_rate[2] = _spin_loss(state, friction)
    return np.concatenate([state[V], rate_m_s2, spin_rate, _turn_rate(state)])


def rebound(state: Floats, ball: RigidBall, friction: Friction, nose_height_m: float) -> Floats:
    """State after the foot cushion: restitution across it, Coulomb friction at the nose along it.

    The cloth takes up what the nose presses down. The impulse along the nose stops the slip there or is limited by
    friction, whichever is less.
    """
    after = state.copy()
    after[3] = -friction.cushion_restitution * state[3]
    normal_m_s = state[3] - after[3]  # impulse over mass, towards the shooter
    up_m = nose_height_m - ball.radius_m
    arm_m = np.array([0.0, np.sqrt(ball.radius_m**2 - up_m**2), up_m])
    slip = np.array([state[2], 0.0, 0.0]) + np.cross(state[W], arm_m)
    slip[1] = 0.0
    speed = np.hypot(slip[0], slip[2])
    if speed > 0:
        # 7/2: mass over effective mass of a homogeneous sphere at a point of its surface
        drag_m_s = -min(friction.cushion * normal_m_s, speed / 3.5) * slip / speed
        after[2] += drag_m_s[0]
        after[W] += np.cross(arm_m, drag_m_s) * ball.mass_kg / ball.inertia_kg_m2
    return after


def integrate(
    start: Floats,
    *,
    ball: RigidBall,
    friction: Friction,
    rail_y_m: float,
    nose_height_m: float,
    duration_s: float,
    tilt: tuple[float, float] = (0.0, 0.0),
) -> Motion:
    """Integrate the motion after the strike.

    Parameters
    ----------
    start : (7,) array
        (x, y) in m, velocity in m/s, spin in rad/s just after the strike.
    rail_y_m : float
        y of the centre at contact with the foot cushion.
    nose_height_m : float
        Height of the cushion nose above the cloth.
    duration_s : float
        How long; at least one grid step.
    tilt : tuple of float
        How far the table rises to the right and towards the foot rail, in m/m: the ball is pulled down it.

    Returns
    -------
    Motion
        Time zero is the strike.
    """
    state = np.concatenate([start, [1.0, 0.0, 0.0, 0.0]])
    times, states = [], []
    now_s, slide_end, contact = 0.0, None, None
    sliding = np.hypot(*slip_m_s(state, ball)) > 1e-9
    while now_s < duration_s - 1e-12:
        rate = _sliding if sliding else _rolling
        along = slip_m_s(state, ball)

        def rolls(t: float, y: Floats, along: Floats = along) -> float:
            return float(slip_m_s(y, ball) @ along) - 1e-9 * float(along @ along)

        def at_rail(t: float, y: Floats) -> float:
            return float(y[1] - rail_y_m)

        rolls.terminal, rolls.direction = True, -1  # type: ignore[attr-defined]
        at_rail.terminal, at_rail.direction = True, 1  # type: ignore[attr-defined]
        grid = np.append(np.arange(now_s, duration_s, STEP_S), duration_s)
        leg = solve_ivp(
            lambda t, y, rate=rate: rate(y, ball, friction, np.array(tilt)),
            (now_s, duration_s),
            state,
            method="DOP853",
            dense_output=True,
            events=[rolls, at_rail] if sliding else [at_rail],
            rtol=1e-10,
            atol=1e-12,
            max_step=0.02,
        )
        end_s, state = float(leg.t[-1]), leg.y[:, -1].copy()
        inside = grid[(grid >= now_s) & (grid < end_s)]
        times.append(np.append(inside, end_s))
        states.append(np.column_stack([leg.sol(inside), state]))
        now_s = end_s
        if leg.status != 1:
            break
        if sliding and leg.t_events[0].size:
            sliding = False
            if contact is None:
                slide_end = (now_s, state[X].copy())
        else:
            contact = contact or (now_s, state[X].copy(), state[V].copy())
            state = rebound(state, ball, friction, nose_height_m)
            sliding = True
    all_times, all_states = np.concatenate(times), np.concatenate(states, axis=1).T
    keep = np.append(np.diff(all_times) > 1e-12, True)  # legs share their ends
    return Motion(
        times_s=all_times[keep],
        place_m=all_states[keep, X],
        velocity_m_s=all_states[keep, V],
        spin_rad_s=all_states[keep, W],
        orientation=all_states[keep, Q],
        slide_end_s=slide_end[0] if slide_end else None,
        slide_end_m=slide_end[1] if slide_end else None,
        contact_s=contact[0] if contact else None,
        contact_m=contact[1] if contact else None,
        contact_velocity_m_s=contact[2] if contact else None,
    )
