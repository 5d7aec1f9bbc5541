"""What the cue gives the ball: the impulse of a tip that sticks sideways, solved in three axes at once."""

import math
from dataclasses import dataclass

import numpy as np

from sample_clips.physics import Floats, RigidBall


@dataclass(frozen=True, slots=True, kw_only=True)
class Strike:
    """How the cue meets the ball.

    Attributes
    ----------
    speed_m_s : float
        Horizontal speed of the ball just after.
    aim_rad : float
        Heading of the cue, from the lane, positive to the right.
    offset_m : float
        Contact point on the ball, to the right of its middle, seen along the cue.
    height_m : float
        Contact point above the middle, likewise.
    elevation_rad : float
        Slope of the cue, butt up.
    end_mass_kg : float
        Mass of the cue's end that goes sideways with the ball's surface.
    cue_mass_kg : float
        Mass of the cue.
    restitution : float
        Of the tip, along the cue.
    """

    speed_m_s: float = 3.0
    aim_rad: float = 0.0
    offset_m: float = 0.0
    height_m: float = 0.0
    elevation_rad: float = 0.0
    end_mass_kg: float = 0.005
    cue_mass_kg: float = 0.54
    restitution: float = 0.75


@dataclass(frozen=True, slots=True, eq=False)
class Struck:
    """The ball just after the strike, and the cue that did it.

    Attributes
    ----------
    velocity_m_s : (2,) array
        Horizontal velocity; the cloth takes up the rest.
    spin_rad_s : (3,) array
        Angular velocity, table frame.
    cue_speed_m_s : float
        Speed of the cue just before.
    contact_m : (3,) array
        Where the tip touches, from the ball's centre, table frame.
    """

    velocity_m_s: Floats
    spin_rad_s: Floats
    cue_speed_m_s: float
    contact_m: Floats


def cue_axes(strike: Strike) -> Floats:
    """(3, 3) rows: unit vectors along the cue, to its right and up from it, in the table frame."""
    along = np.array(
        [
            math.sin(strike.aim_rad) * math.cos(strike.elevation_rad),
            math.cos(strike.aim_rad) * math.cos(strike.elevation_rad),
            -math.sin(strike.elevation_rad),
        ]
    )
    right = np.array([math.cos(strike.aim_rad), -math.sin(strike.aim_rad), 0.0])
    return np.array([along, right, np.cross(right, along)])


def strike_ball(strike: Strike, ball: RigidBall) -> Struck:
    """Velocity and spin of the ball, and the cue speed that gives the wanted ball speed.

    Unknown is the impulse J on the ball. Its contact point leaves the tip, along the cue, with the restitution
    times the approach; sideways and up it moves with the tip, whose end mass got -J.
    """
    axes = cue_axes(strike)
    depth_m = math.sqrt(ball.radius_m**2 - strike.offset_m**2 - strike.height_m**2)
    arm_m = axes.T @ np.array([-depth_m, strike.offset_m, strike.height_m])
    cross = np.cross(arm_m, np.eye(3)).T  # cross @ J = arm x J
    mobility = np.eye(3) / ball.mass_kg - cross @ cross / ball.inertia_kg_m2  # contact velocity per impulse
    tip = axes.T @ np.diag([1 / strike.cue_mass_kg, 1 / strike.end_mass_kg, 1 / strike.end_mass_kg]) @ axes
    impulse = np.linalg.solve(mobility + tip, (1 + strike.restitution) * axes[0])  # for a cue at 1 m/s
    velocity = impulse / ball.mass_kg
    cue_speed_m_s = strike.speed_m_s / math.hypot(velocity[0], velocity[1])
    return Struck(
        velocity[:2] * cue_speed_m_s,
        cross @ impulse / ball.inertia_kg_m2 * cue_speed_m_s,
        cue_speed_m_s,
        arm_m,
    )
