"""What the ball must look like in the image: outline, sweep during the exposure, shading, shadow."""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from calibrate.arrays import Floats
from calibrate.camera import Camera

# Brightness of the ball in the band inside its rim: waves round the rim up to this order, each once constant and
# once times the normal's component towards the camera, sqrt(1 - rho^2), which at the rim has infinite slope.
SHADE_ORDER = 3
N_SHADE = 2 * (2 * SHADE_ORDER + 1)

# What `tracker.optics` estimates from a clip, in this order.
OPTICS_PARAMETERS = ("blur_px", "exposure_s", "radius_scale")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class BallView:
    """The ball's outline as the camera sees it at one place, and how it moves there.

    Attributes
    ----------
    centre_px : (2,) float64
        Image of the ball's centre.
    offset_px : (2,) float64
        Centre of the outline minus `centre_px`: perspective displaces it.
    axes_px : (2, 2) float64
        Symmetric matrix that takes the unit circle to the outline round its centre.
    velocity_px_s : (2,) float64
        Motion of the centre in the image.
    """

    centre_px: Floats
    offset_px: Floats
    axes_px: Floats
    velocity_px_s: Floats

    @property
    def radius_px(self) -> float:
        """Mean radius of the outline."""
        return float(np.trace(self.axes_px)) / 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Optics:
    """What blurs the ball, the same for all frames of a clip.

    Attributes
    ----------
    blur_px : float
        Standard deviation of the image blur (lens, pixel, compression).
    exposure_s : float
        Exposure time.
    row_s : float
        Rolling shutter: time from one row to the next.
    radius_scale : float
        Outline as seen over outline as computed: halo, sharpening, and the tolerance of the ball.
    tone : float
        Exponent that takes grey levels to amounts of light. Light mixes in a blurred rim, grey levels do not;
        ignored, the rim moves outwards by up to 0.3 px, more where the ball is brighter.
    """

    blur_px: float = 1.0
    exposure_s: float = 0.0
    row_s: float = 0.0
    radius_scale: float = 1.0
    tone: float = 1.0


def view_ball(camera: Camera, xy_m: Floats, velocity_m_s: Floats, *, radius_m: float) -> BallView:
    """Predict the outline and motion of a ball on the cloth.

    Parameters
    ----------
    camera : Camera
        The camera.
    xy_m : (2,) array
        Centre of the ball, table frame, in m.
    velocity_m_s : (2,) array
        Its velocity, in m/s.
    radius_m : float
        Radius of the ball; its centre is that far above the cloth.

    Returns
    -------
    BallView
        In px and px/s.
    """
    centre_m = np.array([xy_m[0], xy_m[1], radius_m])
    centre_px = camera.project(centre_m)
    rim_px = camera.sphere_outline(centre_m, radius_m=radius_m, count=48) - centre_px
    # A general ellipse by least squares; lens distortion over one ball bends it by less than 0.02 px.
    u, v = rim_px.T
    design = np.stack([u * u, 2 * u * v, v * v, 2 * u, 2 * v], axis=1)
    a, b, c, d, e = np.linalg.lstsq(design, np.ones(len(u)), rcond=None)[0]
    conic = np.array([[a, b], [b, c]])
    offset_px = -np.linalg.solve(conic, np.array([d, e]))
    conic /= 1 + offset_px @ conic @ offset_px
    values, vectors = np.linalg.eigh(conic)
    axes_px = (vectors / np.sqrt(values)) @ vectors.T
    velocity_px_s = camera.project_jacobian(centre_m)[:, :2] @ np.asarray(velocity_m_s)
    return BallView(centre_px=centre_px, offset_px=offset_px, axes_px=axes_px, velocity_px_s=velocity_px_s)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class BallImage:
    """The model's terms at some pixels, for the ball at one place.

    Attributes
    ----------
    cover : (N,) float64
        Share of the exposure during which the ball covers the pixel.
    cover_slope_px : (N, 2) float64
        Change of `cover` when the ball moves by 1 px along u and along v.
    shade : (N, 14) float64
        Covered share times each term of the ball's own brightness.
    """

    cover: Floats
    cover_slope_px: Floats
    shade: Floats


def waves(x: Floats, y: Floats, order: int) -> list[Floats]:
    """Waves round the centre: 1, cos, sin, cos 2, sin 2, ... of the direction of (x, y), each of shape (N,)."""
    radius = np.maximum(np.hypot(x, y), 1e-9)
    cos, sin = x / radius, y / radius
    found = [np.ones_like(cos)]
    c, s = cos, sin
    for _ in range(order):
        found += [c, s]
        c, s = c * cos - s * sin, s * cos + c * sin
    return found


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Sweep:
    """The exposure cut into steps: where each pixel lies from the outline's centre at each.

    Attributes
    ----------
    q_px : (K, N, 2) float64
        Place of the pixel from the outline's centre.
    g : (K, N, 2) float64
        `q_px` times the outline's conic: points outwards.
    rho : (K, N) float64
        1 on the rim.
    grad_px : (K, N) float64
        Change of `rho` a px outwards.
    steps : (K,) float64
        Part of the exposure, from -0.5 to 0.5.
    blur_px : (N,) float64
        Image blur and the length of a step, square to the rim.
    """

    q_px: Floats
    g: Floats
    rho: Floats
    grad_px: Floats
    steps: Floats
    blur_px: Floats

    @property
    def depth_px(self) -> Floats:
        """(K, N) distance inside the rim."""
        return (1 - self.rho) / self.grad_px

    @property
    def edge(self) -> Floats:
        """(K, N) change of cover when the rim moves outwards by 1 px."""
        height = 1 / (np.sqrt(2 * np.pi) * self.blur_px)
        edge: Floats = height * np.exp(-0.5 * (self.depth_px / self.blur_px) ** 2)
        return edge


def _sweep(view: BallView, shift_px: Floats, pixels_px: Floats, optics: Optics) -> _Sweep:
    """Cut the exposure into steps short against the blur."""
    to_unit = np.linalg.inv(view.axes_px * optics.radius_scale)
    conic = to_unit @ to_unit
    away = pixels_px - (view.centre_px + view.offset_px + shift_px)
    # Row v is exposed row_s * v later, by when the ball has moved on: undo that relative to the centre's row.
    rows_late_s = (away[:, 1] + view.offset_px[1]) * optics.row_s
    away = away - rows_late_s[:, None] * view.velocity_px_s
    sweep_px = view.velocity_px_s * optics.exposure_s
    length_px = float(np.hypot(*sweep_px))
    # steps of 1.7 blurs leave ripples of 2 exp(-2 pi^2 / 1.7^2) = 0.2 % of the contrast
    n_steps = max(1, int(np.ceil(length_px / (1.7 * optics.blur_px))))
    steps = (np.arange(n_steps) + 0.5) / n_steps - 0.5
    q = away[None] - steps[:, None, None] * sweep_px
    g = q @ conic
    rho = np.sqrt(np.maximum(q[..., 0] * g[..., 0] + q[..., 1] * g[..., 1], 1e-12))
    grad = np.sqrt(np.maximum(g[..., 0] ** 2 + g[..., 1] ** 2, 1e-18)) / rho
    # Each step stands for a piece of the sweep: along it, and only along it, that much more blur.
    middle = g.mean(axis=0)
    across = (middle @ sweep_px) / (n_steps * np.maximum(np.hypot(middle[:, 0], middle[:, 1]), 1e-12))
    blur_px = np.sqrt(optics.blur_px**2 + across**2 / 12)
    return _Sweep(q_px=q, g=g, rho=rho, grad_px=grad, steps=steps, blur_px=blur_px)


def image_ball(view: BallView, shift_px: Floats, pixels_px: Floats, optics: Optics) -> BallImage:
    """Compute the model's terms at some pixels.

    Parameters
    ----------
    view : BallView
        Outline and motion.
    shift_px : (2,) array
        Where the ball is, relative to `view.centre_px`.
    pixels_px : (N, 2) array
        (u, v) of the pixels.
    optics : Optics
        Blur, exposure, rolling shutter.

    Returns
    -------
    BallImage
        Terms at each pixel.

    Notes
    -----
    A matt ball's brightness is a low-order polynomial of its surface normal (Basri & Jacobs, PAMI 25, 218 (2003);
    from memory), so near the rim it falls like sqrt(1 - rho^2). Leaving that term out displaced the rim by
    0.2 px in painted scenes with one lamp overhead.
    """
    sweep = _sweep(view, shift_px, pixels_px, optics)
    inside = ndtr(sweep.depth_px / sweep.blur_px)
    cover = inside.mean(axis=0)
    outwards = sweep.edge / (sweep.grad_px * sweep.rho)
    slope = np.einsum("kn,kni->ni", outwards, sweep.g) / len(sweep.steps)
    facing = (inside * np.sqrt(np.maximum(0.0, 1 - sweep.rho**2))).mean(axis=0)
    # the waves are those of mid-exposure: they only have to be smooth round the rim
    middle = np.linalg.solve(view.axes_px, sweep.q_px.mean(axis=0).T)
    shade = np.stack(
        [term * wave for wave in waves(middle[0], middle[1], SHADE_ORDER) for term in (cover, facing)], axis=1
    )
    return BallImage(cover=cover, cover_slope_px=slope, shade=shade)


def optics_slope(view: BallView, shift_px: Floats, pixels_px: Floats, optics: Optics) -> Floats:
    """Change of `BallImage.cover` with each of `OPTICS_PARAMETERS`.

    Parameters
    ----------
    view, shift_px, pixels_px, optics
        As for `image_ball`.

    Returns
    -------
    (N, 3) array
        Per px, per s, and per unit of `radius_scale`.
    """
    sweep = _sweep(view, shift_px, pixels_px, optics)
    edge = sweep.edge
    along = edge / (sweep.grad_px * sweep.rho) * (sweep.g @ view.velocity_px_s)
    return np.stack(
        [
            -(edge * sweep.depth_px).mean(axis=0) * optics.blur_px / sweep.blur_px**2,
            (along * sweep.steps[:, None]).mean(axis=0),
            (edge / (sweep.grad_px * optics.radius_scale)).mean(axis=0),
        ],
        axis=1,
    )
