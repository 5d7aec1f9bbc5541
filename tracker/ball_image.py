"""What the ball must look like in the image: outline, sweep during the exposure, shading, shadow."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from calibrate.arrays import Floats, Reals
from calibrate.camera import Camera
from tracker.shadow import N_SHADOW, shadow_terms
from tracker.tone import Tone

# The ball's brightness is a polynomial up to this degree of where its surface faces: a matt ball's brightness has
# less than 1 % beyond it.
DEGREE = 4
_POWERS = tuple((i, j, 0) for i in range(DEGREE + 1) for j in range(DEGREE + 1 - i)) + tuple(
    (i, j, 1) for i in range(DEGREE) for j in range(DEGREE - i)
)
N_LIGHT = len(_POWERS)
N_PLAIN = sum(1 for _, _, k in _POWERS if not k)

# Phones sharpen: they take from each pixel a share of a picture blurred by about so much.
SHARPENING_PX = 1.0
# For differences in time; a few mm of way.
_SHORT_S = 1e-3

# Steps of the exposure in blurs. Each is blurred as far as the ball moves in it, so that steps of 2.5 blurs leave
# ripples of 0.1 % of the contrast.
STEP_BLURS = 2.5
# Nearer to the rim the height of a ball falls too steeply for a slope to hold over a blur.
LEAST_HEIGHT = 0.25

# What `tracker.optics` estimates from a clip, in this order.
OPTICS_PARAMETERS = ("blur_px", "exposure_s", "radius_scale", "sharpening")


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
    bend_px_s2 : (2,) float64
        Change of `velocity_px_s`: a ball that comes nearer at an even speed moves ever faster in the image.
    growth_per_s : float
        Change of the outline's size, relative.
    facing : (3, 3) float64
        Rows: the image's right, its down, and towards the camera, as unit vectors of the table frame.
    """

    centre_px: Floats
    offset_px: Floats
    axes_px: Floats
    velocity_px_s: Floats
    bend_px_s2: Floats
    growth_per_s: float
    facing: Floats

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
    late_s_px : tuple of float
        Rolling shutter: how much later a pixel is exposed than its neighbour on the left, and than the one above.
    radius_scale : float
        Outline as seen over outline as computed: halo, sharpening, and the tolerance of the ball.
    sharpening : float
        Share of the blurred picture that the phone takes away (and adds of the sharp one).
    tone : Tone
        What takes grey levels to amounts of light. Light mixes in a blurred rim, grey levels do not;
        ignored, the rim moves outwards by up to 0.3 px, more where the ball is brighter.
    """

    blur_px: float = 1.0
    exposure_s: float = 0.0
    late_s_px: tuple[float, float] = (0.0, 0.0)
    radius_scale: float = 1.0
    sharpening: float = 0.0
    tone: Tone = Tone()


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
    ahead_m = np.array([velocity_m_s[0], velocity_m_s[1], 0.0])
    velocity_px_s = camera.project_jacobian(centre_m) @ ahead_m
    near_px = camera.project(centre_m + np.outer([-_SHORT_S, _SHORT_S], ahead_m))
    towards = camera.position_m - centre_m
    distance_m = np.linalg.norm(towards)
    towards /= distance_m
    right = camera.R_cam_from_table[0] - (camera.R_cam_from_table[0] @ towards) * towards
    right /= np.linalg.norm(right)
    return BallView(
        centre_px=centre_px,
        offset_px=offset_px,
        axes_px=axes_px,
        velocity_px_s=velocity_px_s,
        bend_px_s2=(near_px.sum(axis=0) - 2 * centre_px) / _SHORT_S**2,
        growth_per_s=float(ahead_m @ towards / distance_m),
        facing=np.stack([right, np.cross(right, towards), towards]),
    )


def polynomials(x: Reals, y: Reals, z: Reals) -> Reals:
    """(25, ...) independent polynomials of unit vectors: on a sphere z^2 is 1 - x^2 - y^2."""
    terms = np.empty((N_LIGHT, *x.shape), dtype=x.dtype)
    # the powers of y are the terms without x
    terms[0] = 1
    for j in range(1, DEGREE + 1):
        np.multiply(terms[j - 1], y, out=terms[j, ...])  # an array even for a single vector
    # one block of terms for each power of x, in the order of `_POWERS`; calls cost more than their arithmetic
    x_power, plain, with_z = x, DEGREE + 1, N_PLAIN
    np.multiply(terms[:DEGREE], z, out=terms[with_z : with_z + DEGREE])
    for i in range(1, DEGREE + 1):
        many = DEGREE + 1 - i
        np.multiply(terms[:many], x_power, out=terms[plain : plain + many])
        with_z += many
        np.multiply(terms[plain : plain + many - 1], z, out=terms[with_z : with_z + many - 1])
        plain += many
        x_power = x_power * x
    return terms


@lru_cache(maxsize=1)
def _derivatives() -> tuple[Floats, Floats]:
    """(2, 25, 25) each: by x and by y a sum of terms is again a sum of terms, and one over z.

    On the sphere z falls with x by x / z, so that ``d(x^i y^j z)/dx = i x^(i-1) y^j z - x^(i+1) y^j / z``.
    """
    index = {power: n for n, power in enumerate(_POWERS)}
    plain, over_z = np.zeros((2, N_LIGHT, N_LIGHT)), np.zeros((2, N_LIGHT, N_LIGHT))
    for n, power in enumerate(_POWERS):
        for axis in (0, 1):
            lower, higher = list(power), list(power)
            lower[axis] -= 1
            higher[axis] += 1
            if power[axis]:
                plain[axis, index[lower[0], lower[1], power[2]], n] = power[axis]
            if power[2]:
                over_z[axis, index[higher[0], higher[1], 0], n] = -1.0
    return plain, over_z


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Rim:
    """How the cover of N pixels came about at each of K steps: what its change with the optics is made of.

    Attributes
    ----------
    depth_px : (F, K, N) array
        How far inside the rim the pixel lies.
    blur_px, across2_px2 : (F, N) array
        Blur there, and the square of how far the rim moves in a step.
    sharp, soft : (F, K, N) array
        Cover without and within the blurred picture that sharpening takes away.
    sharp_edge, soft_edge : (F, K, N) array
        Their change when the rim moves outwards by 1 px.
    grad_px : (F, K, N) array
        Change of the distance from the centre, in radii, with a px.
    steps : (K, 1) array
        Middle of each step, as a share of the exposure.
    """

    depth_px: Reals
    blur_px: Reals
    across2_px2: Reals
    sharp: Reals
    soft: Reals
    sharp_edge: Reals
    soft_edge: Reals
    grad_px: Reals
    steps: Reals

    def only(self, f: int, n: int) -> "_Rim":
        """Return frame `f` with its first `n` pixels."""
        kept = {
            field.name: getattr(self, field.name)[f : f + 1, ..., :n]
            for field in fields(self)
            if field.name != "steps"
        }
        return _Rim(steps=self.steps, **kept)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class BallImages:
    """The model's terms at N pixels of each of F frames, for the ball at one place in each, exposed in K steps.

    What has K in its shape is as exact as the pixels' places were given: single precision is ample.

    Attributes
    ----------
    views : tuple of BallView
        Outline and motion in each frame.
    optics : tuple of Optics
        What blurs it.
    cover : (F, N) float64
        Share of the exposure during which the ball covers the pixel.
    linear : (F, 41, N) float64
        Mean over the exposure of each term of the ball's own brightness (25), and of each term of the change of
        what lies behind, where the ball does not cover it (16).
    inside : (F, K, N) array
        Share of the pixel that the ball covers at each step.
    shade_steps : (25, F, K, N) array
        Terms of the ball's brightness at each step, as if the ball covered the pixel.
    shadow_steps : (16, F, K, N) array
        Likewise of what lies behind.
    outwards_px : (2, F, K, N) array
        Change of the cover when the ball moves by 1 px along u and along v.
    unit : (2, F, K, N) array
        Where the pixel lies on the ball at each step: the outline is the unit circle.
    height : (F, K, N) array
        How far the ball stands out there towards the camera, in radii.
    unit_from_px : (F, 2, 2) float64
        What takes px round the ball's centre to `unit`.
    """

    views: tuple[BallView, ...]
    optics: tuple[Optics, ...]
    cover: Floats
    linear: Floats
    inside: Reals
    shade_steps: Reals
    shadow_steps: Reals
    outwards_px: Reals
    unit: Reals
    height: Reals
    unit_from_px: Floats
    _rim: _Rim

    def only(self, f: int, n: int) -> "BallImages":
        """Return frame `f` alone, with its first `n` pixels."""
        one = slice(f, f + 1)
        return BallImages(
            views=self.views[one],
            optics=self.optics[one],
            cover=self.cover[one, :n],
            linear=self.linear[one, :, :n],
            inside=self.inside[one, :, :n],
            shade_steps=self.shade_steps[:, one, :, :n],
            shadow_steps=self.shadow_steps[:, one, :, :n],
            outwards_px=self.outwards_px[:, one, :, :n],
            unit=self.unit[:, one, :, :n],
            height=self.height[one, :, :n],
            unit_from_px=self.unit_from_px[one],
            _rim=self._rim.only(f, n),
        )

    def slopes(self, terms: Floats, behind: Floats) -> "LightSlopes":
        """Differentiate the light by the place, given the factors of what is linear in it.

        Parameters
        ----------
        terms : (F, 41) array
            Factors of the ball's brightness (25) and of the change of what lies behind (16).
        behind : (F, N) array
            Light of the scene without the ball.
        """
        plain, over_z = _derivatives()
        kind, (n_frames, n_steps, n_pixels) = self.inside.dtype, self.inside.shape
        shade, shadow = terms[:, :N_LIGHT], terms[:, N_LIGHT:].astype(kind)
        # a row for the light itself, two for its slopes, two for what is over the height
        by_axis = np.concatenate([plain, over_z]).reshape(-1, N_LIGHT)
        factors = np.concatenate([shade[:, None], (shade @ by_axis.T).reshape(n_frames, 4, N_LIGHT)], axis=1)
        surface_terms = self.shade_steps.reshape(N_LIGHT, n_frames, -1).swapaxes(0, 1)
        own, *by_unit = np.moveaxis(factors.astype(kind) @ surface_terms, 1, 0).reshape(
            5, n_frames, n_steps, n_pixels
        )
        cloth_terms = self.shadow_steps.reshape(N_SHADOW, n_frames, -1).swapaxes(0, 1)
        left = (shadow[:, None] @ cloth_terms).reshape(self.inside.shape)
        rise = own - behind.astype(kind)[:, None] * (1 + left)
        steep = np.where(self.height > 0, 1 / np.maximum(self.height, LEAST_HEIGHT), 0).astype(kind)
        surface = np.stack([by_unit[0] + steep * by_unit[2], by_unit[1] + steep * by_unit[3]])
        surface *= self.inside
        turn = -self.unit_from_px.astype(kind)[..., None, None]
        by_place = turn[:, :, 0].swapaxes(0, 1) * surface[0] + turn[:, :, 1].swapaxes(0, 1) * surface[1]
        place = rise * self.outwards_px + by_place
        return LightSlopes(
            image=self,
            rise_steps=rise,
            surface=surface,
            by_place=by_place,
            rise=_mean_step(rise).astype(np.float64),
            place=_mean_step(place).astype(np.float64),
        )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LightSlopes:
    """How the light of N pixels of F frames changes with the ball's place and with the optics.

    Attributes
    ----------
    image : BallImages
        The model.
    rise_steps : (F, K, N) array
        Light of the ball less that of what lies behind it, at each step.
    surface, by_place : (2, F, K, N) array
        Change of the ball's own light over its surface, and with the place.
    rise : (F, N) float64
        Mean of `rise_steps` over the exposure.
    place : (2, F, N) float64
        Change of the light when the ball moves by 1 px along u and along v, its own light with it.
    """

    image: BallImages
    rise_steps: Reals
    surface: Reals
    by_place: Reals
    rise: Floats
    place: Floats

    def only(self, f: int, n: int) -> "LightSlopes":
        """Return frame `f` alone, with its first `n` pixels."""
        one = slice(f, f + 1)
        return LightSlopes(
            image=self.image.only(f, n),
            rise_steps=self.rise_steps[one, :, :n],
            surface=self.surface[:, one, :, :n],
            by_place=self.by_place[:, one, :, :n],
            rise=self.rise[one, :n],
            place=self.place[:, one, :n],
        )

    def optics(self) -> Floats:
        """(4, F, N) change of the light with `OPTICS_PARAMETERS`."""
        image, rim, kind = self.image, self.image._rim, self.image.inside.dtype
        velocity_px_s = np.array([view.velocity_px_s for view in image.views], dtype=kind).T[..., None, None]
        blur_px, exposure_s, radius_scale = _of_each(
            [(one.blur_px, one.exposure_s, one.radius_scale) for one in image.optics], kind
        )
        along = (velocity_px_s[0] * image.outwards_px[0] + velocity_px_s[1] * image.outwards_px[1]) * rim.steps
        rim_blur_px = rim.blur_px[:, None]
        wide2_px2 = rim_blur_px**2 + SHARPENING_PX**2
        by_blur = -rim.depth_px * (rim.sharp_edge / rim_blur_px - rim.soft_edge * rim_blur_px / wide2_px2)
        longer = by_blur * rim.across2_px2[:, None] / (12 * rim_blur_px * np.where(exposure_s > 0, exposure_s, 1))
        along = along + np.where(exposure_s > 0, longer, 0)
        by_radius = (rim.sharp_edge - rim.soft_edge) / (rim.grad_px * radius_scale)
        cover = np.stack([by_blur * blur_px / rim_blur_px, along, by_radius, rim.sharp - rim.soft])
        light = self.rise_steps * cover
        for axis in (0, 1):
            light[1] += rim.steps * velocity_px_s[axis] * self.by_place[axis]
            light[2] -= image.unit[axis] * self.surface[axis]
        return _mean_step(light).astype(np.float64)


def _mean_step(values: Reals) -> Reals:
    """(..., N) mean of (..., K, N) values over K steps; numpy's own mean takes three times as long for so few."""
    mean: Reals = np.add.reduce(values, axis=-2) / values.shape[-2]
    return mean


def _of_each(values: npt.ArrayLike, kind: np.dtype[Any]) -> Reals:
    """(P, F, 1, 1) values of F frames, P of each, in the precision of the pixels."""
    return np.array(values, dtype=kind).T[..., None, None]


def exposure_steps(view: BallView, optics: Optics) -> int:
    """Return into how many steps the exposure is cut."""
    sweep_px = math.hypot(*view.velocity_px_s.tolist()) * optics.exposure_s
    return max(1, math.ceil(sweep_px / (STEP_BLURS * optics.blur_px)))


def image_balls(
    views: Sequence[BallView], shifts_px: Floats, pixels_px: Reals, optics: Sequence[Optics], *, n_steps: int
) -> BallImages:
    """Compute the model's terms at some pixels of some frames: many at once, as calls cost more than arithmetic.

    Parameters
    ----------
    views : sequence of BallView
        Outline and motion in each of F frames.
    shifts_px : (F, 2) array
        Where the ball is, relative to `view.centre_px`.
    pixels_px : (F, N, 2) array
        (u, v) of the pixels; the model is computed in their precision.
    optics : sequence of Optics
        Blur, exposure, rolling shutter of each frame.
    n_steps : int
        Into how many steps the exposure is cut; see `exposure_steps`.

    Returns
    -------
    BallImages
        Terms at each pixel.

    Notes
    -----
    A matt ball's brightness is a low-order polynomial of its surface normal (Basri & Jacobs, PAMI 25, 218 (2003);
    from memory), so near the rim it falls like sqrt(1 - rho^2). Leaving that out displaced the rim by 0.2 px in
    painted scenes with one lamp overhead; taking the light of mid-exposure for all of it, by 3 px in streaks as
    long as the ball.
    """
    kind, views, optics = pixels_px.dtype, tuple(views), tuple(optics)
    scales = np.array([one.radius_scale for one in optics])[:, None, None]
    unit_from_px = np.linalg.inv(np.array([view.axes_px for view in views]) * scales)
    velocity_px_s = np.array([view.velocity_px_s for view in views])
    offsets_px = np.array([view.offset_px for view in views])
    centres_px = np.array([view.centre_px for view in views]) + offsets_px + shifts_px
    away = pixels_px - centres_px[:, None]
    # Pixels read later than the centre show the ball where it has moved on to: undo that.
    late_s = (away + offsets_px[:, None]) @ np.array([one.late_s_px for one in optics])[..., None]
    u, v = np.moveaxis(away - late_s * velocity_px_s[:, None], 2, 0).astype(kind, order="C")[:, :, None]
    steps = (np.arange(n_steps, dtype=kind)[:, None] + 0.5) / n_steps - 0.5
    times_s = steps * _of_each([[one.exposure_s] for one in optics], kind)[0]
    t_uu, t_uv, t_vu, t_vv = _of_each(unit_from_px.reshape(-1, 4), kind)
    velocity_u, velocity_v = _of_each(velocity_px_s, kind)
    bend_u, bend_v = _of_each([view.bend_px_s2 for view in views], kind)
    grown = 1 + times_s * _of_each([[view.growth_per_s] for view in views], kind)[0]
    q_u = (u - times_s * (velocity_u + times_s * (bend_u / 2))) / grown
    q_v = (v - times_s * (velocity_v + times_s * (bend_v / 2))) / grown
    c_uu, c_uv, c_vv = t_uu * t_uu + t_uv * t_vu, t_uu * t_uv + t_uv * t_vv, t_vu * t_uv + t_vv * t_vv
    g_u, g_v = c_uu * q_u + c_uv * q_v, c_uv * q_u + c_vv * q_v
    rho = np.sqrt(np.maximum(q_u * g_u + q_v * g_v, 1e-12))
    grad_px = np.sqrt(np.maximum(g_u * g_u + g_v * g_v, 1e-18)) / rho
    # Each step stands for a piece of the sweep: along it, and only along it, that much more blur.
    sweep_u, sweep_v = (velocity_px_s * np.array([[one.exposure_s] for one in optics])).astype(kind).T[..., None]
    middle_u, middle_v = _mean_step(g_u), _mean_step(g_v)
    across = middle_u * sweep_u + middle_v * sweep_v
    across2_px2 = (across / (n_steps * np.maximum(np.hypot(middle_u, middle_v), 1e-12))) ** 2
    optics_blur_px, share = _of_each([(one.blur_px, one.sharpening) for one in optics], kind)
    blur_px = np.sqrt(optics_blur_px[:, 0] ** 2 + across2_px2 / 12)
    depth_px = (1 - rho) / grad_px
    # without and within the blurred picture that sharpening takes away
    widths_px = np.stack([blur_px, np.sqrt(blur_px**2 + SHARPENING_PX**2)])[:, :, None]
    depth_sds = depth_px / widths_px
    sharp, soft = ndtr(depth_sds)
    inside = (1 + share) * sharp - share * soft
    # change of cover when the rim moves outwards by 1 px
    density = np.exp(-0.5 * depth_sds * depth_sds) / (math.sqrt(2 * math.pi) * widths_px)
    sharp_edge, soft_edge = (1 + share) * density[0], share * density[1]
    steep = (sharp_edge - soft_edge) / (grad_px * rho)
    outwards, unit = np.empty((2, *rho.shape), rho.dtype), np.empty((2, *rho.shape), rho.dtype)
    np.multiply(steep, g_u, out=outwards[0])
    np.multiply(steep, g_v, out=outwards[1])
    np.add(t_uu * q_u, t_uv * q_v, out=unit[0])
    np.add(t_vu * q_u, t_vv * q_v, out=unit[1])
    on_ball = unit / np.maximum(rho, 1)
    height = np.sqrt(np.maximum(0, 1 - rho * rho))
    shade_steps = polynomials(on_ball[0], on_ball[1], height)
    facing = np.array([view.facing for view in views])[:, None, None]
    shadow_steps = shadow_terms(np.moveaxis(unit, 0, -1), facing)
    linear = np.empty((len(views), N_LIGHT + N_SHADOW, rho.shape[-1]))
    for weights, terms, part in (
        (inside, shade_steps, linear[:, :N_LIGHT]),
        (1 - inside, shadow_steps, linear[:, N_LIGHT:]),
    ):
        part[...] = np.einsum("fkn,ifkn->fin", weights, terms)
    linear /= n_steps
    return BallImages(
        views=views,
        optics=optics,
        cover=_mean_step(inside).astype(np.float64),
        linear=linear,
        inside=inside,
        shade_steps=shade_steps,
        shadow_steps=shadow_steps,
        outwards_px=outwards,
        unit=on_ball,
        height=height,
        unit_from_px=unit_from_px,
        _rim=_Rim(
            depth_px=depth_px,
            blur_px=blur_px,
            across2_px2=across2_px2,
            sharp=sharp,
            soft=soft,
            sharp_edge=sharp_edge,
            soft_edge=soft_edge,
            grad_px=grad_px,
            steps=steps,
        ),
    )
