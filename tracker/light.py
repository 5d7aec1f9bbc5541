"""What lamps over a table do to a ball: the brightness to expect of it before its pixels are looked at.

A matt ball's brightness is a smooth function of where its surface faces (Basri & Jacobs, PAMI 25, 218 (2003); from
memory). Seen in a picture, its rise inside the rim looks much like a displaced rim, so what is plausible has to be
known beforehand: it is sampled from many rooms, lamps over the table, light from all round, cloth that lights the
ball from below, each computed with Lambert's law.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from calibrate.arrays import Floats
from tracker.ball_image import N_LIGHT, BallView, polynomials

_ROOMS = 600  # drawn for the prior; its spread is then good to 3 % (1 / sqrt(2 n))
_SEED = 20240611
# Rooms are no Gaussian: of 3000 drawn one in a hundred lies as far out as one in 10^11 would, and farther still the
# light of one low lamp, which leaves the ball's underside as dark as its shadow. Held to less, long streaks under
# such a lamp were seen 1 px aside, and are seen 0.6 px aside now.
_TAILS = 2.0  # times the standard deviations of the rooms drawn
# What is painted on the ball, and what rooms do that none of ours does: any smooth pattern of this standard
# deviation, in levels of light.
PAINT = 2.0
# Lamps are near and the ball rolls past them: along the lane its light changes by this share of how it differs from
# room to room.
DRIFT = 0.25
# While the light of a clip is learnt, those two also stand for all that the model lacks. Once it is learnt, a frame
# differs from the clip by less, and may less easily take dots for a darker lamp.
LEARNT_PAINT, LEARNT_DRIFT = 0.7, 0.1

# Reflectance of lacquer and resin seen from straight above (refractive index 1.5), and what share of it a ball
# shows: from chalked and dull to polished.
MIRROR = 0.04
LACQUER, LACQUER_SD = 0.5, 0.5
# What the rim mirrors is as bright as what lies behind it, within this share, and may slope.
MIRRORED_SD = 0.4


def _even_directions(count: int) -> Floats:
    """(count, 3) unit vectors spread evenly: a spiral from pole to pole."""
    z = 1 - (2 * np.arange(count) + 1) / count
    turn = np.pi * (1 + np.sqrt(5)) * np.arange(count)
    return np.stack([np.sqrt(1 - z * z) * np.cos(turn), np.sqrt(1 - z * z) * np.sin(turn), z], axis=1)


def _room_light(rng: np.random.Generator, facing: Floats) -> Floats:
    """(N,) brightness of a white ball in one room for each direction its surface faces, in levels of light."""
    count = rng.integers(1, 9)
    height_m, half_m = rng.uniform(0.7, 2.5), rng.uniform(0.03, 0.4)
    lamps_m = np.stack(
        [
            rng.uniform(-1.2, 1.2) + rng.choice([0.0, 1.0]) * rng.uniform(-1, 1, count),
            rng.uniform(-2, 2, count),
            np.full(count, height_m),
        ],
        axis=1,
    )
    square = 0.8 * half_m * np.array([(i, j, 0) for i in (-1, 0, 1) for j in (-1, 0, 1)])
    points_m = (lamps_m[:, None, :] + square).reshape(-1, 3)
    far_m = np.linalg.norm(points_m, axis=1)
    towards = points_m / far_m[:, None]
    strength = towards[:, 2] / far_m**2
    direct = np.maximum(facing @ towards.T, 0) @ strength / (strength @ towards[:, 2])
    ambient = rng.uniform(0.02, 0.5)
    up = facing[:, 2]
    window_at = np.array([*rng.normal(size=2), rng.uniform(-0.1, 0.6)])
    window = rng.choice([0.0, 0.3]) * np.maximum(facing @ (window_at / np.linalg.norm(window_at)), 0)
    # the cloth reflects 4 to 40 %; below the ball it lies in the ball's own shadow
    cloth = np.exp(rng.uniform(np.log(0.04), np.log(0.4))) * (1 + ambient)
    below = cloth * (0.5 - 0.5 * up) * (1 - rng.uniform(0.4, 0.9) * np.maximum(-up, 0))
    light = direct + ambient * (0.5 + 0.5 * up) + window + below
    brightest: Floats = np.exp(rng.uniform(np.log(70), np.log(250))) * light / light.max()
    return brightest


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Light:
    """Brightness of the ball as a function of where its surface faces in the room, with its uncertainty.

    Attributes
    ----------
    mean : (25,) float64
        Factors of the polynomials, in levels of light.
    cov : (25, 25) float64
        Their covariance.
    """

    mean: Floats
    cov: Floats


@lru_cache(maxsize=1)
def _directions() -> tuple[Floats, Floats, Floats]:
    """(400, 3) directions, the polynomials' inverse there, and the covariance of a pattern of unit variance."""
    facing = _even_directions(400)
    values = polynomials(*facing.T).T
    pattern: Floats = np.linalg.inv(values.T @ values) * len(values) / values.shape[1]
    inverse = np.asarray(np.linalg.pinv(values), dtype=np.float64)
    return facing, inverse, pattern


@lru_cache(maxsize=1)
def rooms() -> Light:
    """Sample many rooms: mean of the light in them on a plain ball, and a covariance that holds rare ones too."""
    rng = np.random.default_rng(_SEED)
    facing, inverse, _ = _directions()
    found = np.array([inverse @ _room_light(rng, facing) for _ in range(_ROOMS)])
    return Light(mean=found.mean(axis=0), cov=_TAILS**2 * np.cov(found.T) + 1e-2 * np.eye(N_LIGHT))


@lru_cache(maxsize=1)
def change() -> Floats:
    """(25, 25) covariance of how the light in one frame differs from that of the whole clip, while it is learnt."""
    return DRIFT**2 * rooms().cov + PAINT**2 * _directions()[2]


@lru_cache(maxsize=1)
def learnt_change() -> Floats:
    """(25, 25) covariance of how the light in one frame differs from that of the whole clip, once it is learnt."""
    return LEARNT_DRIFT**2 * rooms().cov + LEARNT_PAINT**2 * _directions()[2]


@lru_cache(maxsize=1)
def any_light() -> Light:
    """Light in one frame before anything is seen."""
    return Light(mean=rooms().mean, cov=rooms().cov + PAINT**2 * _directions()[2])


@lru_cache(maxsize=1)
def _mirror() -> tuple[Floats, Floats]:
    """(25, 25) what lacquer takes of the ball's own light, (25, 3) what it mirrors: evenly, by right, by down.

    In the image's axes, fitted over the side that is seen, mostly near the rim.
    """
    rho, turn = np.meshgrid(np.sqrt(np.linspace(0.3, 1, 60)), np.linspace(0, 2 * np.pi, 48, endpoint=False))
    x, y, z = (rho * np.cos(turn)).ravel(), (rho * np.sin(turn)).ravel(), np.sqrt(1 - rho**2).ravel()
    values = polynomials(x, y, z).T
    mirror = MIRROR + (1 - MIRROR) * (1 - z) ** 5
    inverse = np.linalg.solve(values.T @ values + 1e-7 * len(x) * np.eye(N_LIGHT), values.T)
    takes: Floats = inverse @ (mirror[:, None] * values)
    gives: Floats = inverse @ (mirror[:, None] * np.stack([np.ones_like(x), x, y], axis=1))
    return takes, gives


def under_lacquer(light: Light, view: BallView, *, behind: float) -> Light:
    """Expect a ball's light through lacquer, which near the rim mirrors what lies behind the ball.

    Parameters
    ----------
    light : Light
        Of a matt ball.
    view : BallView
        From where it is seen.
    behind : float
        Level of light of what lies behind the ball.

    Returns
    -------
    Light
        With the share of lacquer uncertain, in the table's axes.

    Notes
    -----
    Schlick, Computer Graphics Forum 13, 233 (1994), from memory: the reflectance rises from `MIRROR` as
    ``(1 - cos)^5``, a polynomial of degree 5, so that the terms of degree 4 hold it to 0.2 %. Left out, the shiny
    balls of another renderer were seen 0.1 to 0.2 px farther down.
    """
    takes, gives = _mirror()
    turn = turn_light(view)
    back = np.linalg.inv(turn)
    mean, cov = turn @ light.mean, turn @ light.cov @ turn.T
    all_of_it = behind * gives[:, 0] - takes @ mean
    left = np.eye(N_LIGHT) - LACQUER * takes
    mirrored = (LACQUER * behind * MIRRORED_SD) ** 2 * (gives @ gives.T)
    seen = left @ cov @ left.T + LACQUER_SD**2 * np.outer(all_of_it, all_of_it) + mirrored
    return Light(mean=back @ (mean + LACQUER * all_of_it), cov=back @ seen @ back.T)


def turn_light(view: BallView) -> Floats:
    """(25, 25) matrix that turns factors from the table's axes to the image's: right, down, towards the camera."""
    return facing_turn(view.facing.tobytes())


@lru_cache(maxsize=256)  # a frame is fitted many times from the same side
def facing_turn(facing: bytes) -> Floats:
    """Return the same for the bytes of `BallView.facing`."""
    on_image, inverse, _ = _directions()
    matrix: Floats = inverse @ polynomials(*(on_image @ np.frombuffer(facing).reshape(3, 3)).T).T
    matrix.setflags(write=False)
    return matrix
