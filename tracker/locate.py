"""Where the ball is in one frame: the predicted image fitted to the pixels round its rim."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from calibrate.arrays import Floats
from tracker.ball_image import N_SHADE, SHADE_ORDER, BallImage, BallView, Optics, image_ball, optics_slope, waves

# Prior standard deviations of the nuisance terms, in levels of light (0 to 255) and as a share of the background.
# The ball's constant terms are all but free. The terms that fall like sqrt(1 - rho^2) look much like a displaced
# rim: what real lights do to a matt ball makes orders 0 and 1 large, higher ones small.
SHADE_SD = (200.0, 200.0, 100.0, 100.0)
FACING_SD = (60.0, 10.0, 3.0, 3.0)
SHADOW_SD = 0.5
# Shadows and flicker: waves round the ball up to this order, constant and growing away from the rim.
SHADOW_ORDER = 3

# Student's t with few degrees of freedom: dots, ticks, glare and ferrules are outliers, not noise.
STUDENT_DOF = 4.0
# Pooled frames share their misfit: each counts for less than its pixels say. A term is never known better than this
# share of its broad spread, as lamps are near and the ball rolls.
POOL_TRUST = 0.2
POOL_FLOOR = 0.05
MAX_STEPS = 12
SETTLED_PX = 0.015
# A step longer than this is more likely a false catch than a correction.
MAX_STEP_PX = 3.0
RECENTRE_PX = 0.5
MAX_RECENTRED = 3
# What the model itself leaves: the bias of painted scenes; also the ball's tolerance (WPA, 2.250 +- 0.005 in) at a
# diameter of 50 px.
MODEL_SD_PX = 0.05
# Fewer pixels than this do not tell 30 terms.
MIN_PIXELS = 80
# More than this cost time and tell little: the model's bias, not the noise, limits a large ball.
MAX_PIXELS = 1200


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Sighting:
    """The ball in one frame.

    Attributes
    ----------
    centre_px : (2,) float64
        Image of the ball's centre.
    cov_px2 : (2, 2) float64
        Covariance from the noise and misfit seen in the pixels.
    residual : float
        Robust standard deviation of the pixels round the model, in grey levels.
    contrast : float
        Root mean square difference between ball and background round the rim, in levels of light: on light cloth
        the ball's lower rim may well be the darker.
    visible : float
        Share of the rim that was not hidden or outside the picture.
    shade : (14,) float64
        The ball's brightness terms as solved, in levels of light.
    shade_information : (14, 14) float64
        What the pixels alone say of the brightness terms, all else solved for.
    shade_pull : (14,) float64
        The right-hand side that belongs to it.
    misfit : float
        Mean Student-t loss of the pixels for the given noise: lower is better, comparable between optics.
    """

    centre_px: Floats
    cov_px2: Floats
    residual: float
    contrast: float
    visible: float
    shade: Floats
    shade_information: Floats
    shade_pull: Floats
    misfit: float


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ShadePrior:
    """What is known of the ball's brightness terms before a frame is fitted.

    Attributes
    ----------
    mean : (14,) float64
        Expected terms, in levels of light.
    sd : (14,) float64
        Their standard deviations.
    """

    mean: Floats
    sd: Floats


def _broad_prior() -> ShadePrior:
    """Build the prior for a ball of which nothing has been seen yet."""
    orders = [0] + [k for k in range(1, SHADE_ORDER + 1) for _ in range(2)]
    sd = np.array([s for k in orders for s in (SHADE_SD[k], FACING_SD[k])])
    return ShadePrior(mean=np.zeros(N_SHADE), sd=sd)


BROAD_PRIOR = _broad_prior()


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Patch:
    """A window of a frame with what lies behind the ball.

    Attributes
    ----------
    luma : (h, w) float32
        The frame's pixels, in grey levels.
    background : (h, w) float32
        The same window without the ball.
    hidden : (h, w) bool
        Pixels in which something stands before the ball (the near cushion), or that are not to be used.
    origin_px : tuple of int
        (u, v) of the first pixel.
    """

    luma: npt.NDArray[np.float32]
    background: npt.NDArray[np.float32]
    hidden: npt.NDArray[np.bool_]
    origin_px: tuple[int, int]


def rim_band_px(view: BallView, optics: Optics) -> float:
    """How far inside and outside the rim pixels are used."""
    return max(3 * optics.blur_px + 1.0, 0.3 * view.radius_px)


def window_px(view: BallView, optics: Optics) -> tuple[int, int, int, int]:
    """(u0, v0, u1, v1) of the window that holds the ball, its sweep and the band round it; ends exclusive."""
    centre = view.centre_px + view.offset_px
    reach = view.radius_px * 1.1 + rim_band_px(view, optics) + 3
    reach_px = reach + np.abs(view.velocity_px_s) * (optics.exposure_s / 2 + view.radius_px * optics.row_s)
    low = np.floor(centre - reach_px).astype(int)
    high = np.ceil(centre + reach_px).astype(int) + 1
    return int(low[0]), int(low[1]), int(high[0]), int(high[1])


def _band(view: BallView, patch: Patch, optics: Optics) -> tuple[Floats, npt.NDArray[np.bool_], int]:
    """Pixels of the band round the swept rim: (N, 2) places, a mask of the patch, every how many were taken."""
    h, w = patch.luma.shape
    u, v = np.meshgrid(np.arange(w) + patch.origin_px[0], np.arange(h) + patch.origin_px[1])
    pixels = np.stack([u.ravel(), v.ravel()], axis=1).astype(np.float64)
    away = pixels - (view.centre_px + view.offset_px)
    sweep = view.velocity_px_s * optics.exposure_s
    to_unit = np.linalg.inv(view.axes_px)
    length2 = float(sweep @ sweep)
    along = np.clip(away @ sweep / length2, -0.5, 0.5) if length2 > 0 else np.zeros(len(away))
    nearest = np.linalg.norm((away - along[:, None] * sweep) @ to_unit, axis=1)
    # farthest from the sweep's ends: a pixel is needless only where the ball covers it throughout
    farthest = np.maximum(
        np.linalg.norm((away - 0.5 * sweep) @ to_unit, axis=1),
        np.linalg.norm((away + 0.5 * sweep) @ to_unit, axis=1),
    )
    band = rim_band_px(view, optics) / view.radius_px
    use = (nearest < 1 + band) & (farthest > 1 - band) & ~patch.hidden.ravel()
    thin = int(np.ceil(np.count_nonzero(use) / MAX_PIXELS))
    if thin > 1:
        use &= (u.ravel() + v.ravel()) % thin == 0
    return pixels[use], use.reshape(h, w), thin


def _shadow_terms(view: BallView, pixels: Floats, background: Floats) -> Floats:
    """(N, 14) smooth changes of the background's brightness: shadows, reflections, a lamp that flickers."""
    x, y = ((pixels - view.centre_px - view.offset_px) @ np.linalg.inv(view.axes_px)).T
    outwards = 3 * (np.hypot(x, y) - 1)
    return np.stack(
        [background * wave * term for wave in waves(x, y, SHADOW_ORDER) for term in (1.0, outwards)], axis=1
    )


def light_from_grey(grey: Floats, tone: float) -> Floats:
    """Levels of light (0 to 255) of grey levels."""
    light: Floats = 255 * (np.maximum(grey, 0.0) / 255) ** tone
    return light


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Fit:
    """A settled fit with its working values; N pixels, P terms and the place.

    Attributes
    ----------
    view : BallView
        The ball at the place found.
    pixels_px : (N, 2) float64
        The pixels used.
    use : (h, w) bool
        Where they lie in the patch.
    thin : int
        One pixel of so many was taken, on lines that run up to the right.
    shift_px : (2,) float64
        Place found, from the predicted one.
    image : BallImage
        The model at that place.
    terms : (P,) float64
        Brightness terms.
    rise : (N,) float64
        Ball over background.
    design : (N, P + 2) float64
        Weighted derivatives by the terms and the place.
    normal : (P + 2, P + 2) float64
        Its normal matrix with the priors.
    pull : (N,) float64
        Weighted residuals, in units of noise.
    root : (N,) float64
        What the weighting multiplied.
    grey_residual : (N,) float64
        Residuals in grey levels.
    sd : float
        Their robust spread.
    """

    view: BallView
    pixels_px: Floats
    use: npt.NDArray[np.bool_]
    thin: int
    shift_px: Floats
    image: BallImage
    terms: Floats
    rise: Floats
    design: Floats
    normal: Floats
    pull: Floats
    root: Floats
    grey_residual: Floats
    sd: float


def _fit_ball(
    view: BallView, patch: Patch, optics: Optics, *, noise: float, prior: ShadePrior, settled_px: float
) -> _Fit | None:
    """Fit, and fit again round the place found: a band of pixels off the ball pulls it by a tenth of its error."""
    for _ in range(MAX_RECENTRED):
        fit = _fit_near(view, patch, optics, noise=noise, prior=prior, settled_px=settled_px)
        if fit is None or float(np.hypot(*fit.shift_px)) < RECENTRE_PX:
            return fit
        view = fit.view
    return fit


def _fit_near(
    view: BallView, patch: Patch, optics: Optics, *, noise: float, prior: ShadePrior, settled_px: float
) -> _Fit | None:
    """Gauss-Newton on the place, everything else solved for at each step; Student-t weights.

    Variable projection: Golub & Pereyra, Inverse Problems 19, R1 (2003); from memory.
    """
    pixels, use, thin = _band(view, patch, optics)
    if len(pixels) < MIN_PIXELS:
        return None
    light = light_from_grey(patch.luma[use].astype(np.float64), optics.tone)
    background = light_from_grey(patch.background[use].astype(np.float64), optics.tone)
    shadow = _shadow_terms(view, pixels, background)
    n_terms = N_SHADE + shadow.shape[1]
    means = np.concatenate([prior.mean, np.zeros(n_terms - N_SHADE)])
    precision = np.concatenate([1 / prior.sd**2, np.full(n_terms - N_SHADE, 1 / SHADOW_SD**2)])
    shift = np.zeros(2)
    weights, sd = np.ones(len(pixels)), noise
    slope = optics.tone * np.maximum(background / 255, 1e-3) ** (1 - 1 / optics.tone)
    for _ in range(MAX_STEPS):
        image = image_ball(view, shift, pixels, optics)
        # light = shade @ s + background (1 - cover) (1 + shadow): all but the place is linear
        linear = np.concatenate([image.shade, shadow * (1 - image.cover)[:, None]], axis=1)
        target = light - background * (1 - image.cover)
        root = np.sqrt(weights) / (sd * slope)
        weighted = linear * root[:, None]
        terms = np.linalg.solve(
            weighted.T @ weighted + np.diag(precision),
            weighted.T @ (target * root) + precision * means,
        )
        residual = target - linear @ terms
        # Noise is even in grey levels; a level of grey is `slope` levels of light where it is bright.
        slope = optics.tone * np.clip((light - residual) / 255, 1e-3, 1.0) ** (1 - 1 / optics.tone)
        grey_residual = residual / slope
        sd = max(noise, 1.4826 * float(np.median(np.abs(grey_residual))))
        weights = (STUDENT_DOF + 1) / (STUDENT_DOF + (grey_residual / sd) ** 2)
        root = np.sqrt(weights) / (sd * slope)
        ball = image.shade @ terms[:N_SHADE] / np.maximum(image.cover, 0.05)
        rise = ball - background - shadow @ terms[N_SHADE:]
        design = np.concatenate([linear, image.cover_slope_px * rise[:, None]], axis=1) * root[:, None]
        normal = design.T @ design
        normal[np.diag_indices(n_terms)] += precision
        pull = residual * root
        gradient = design.T @ pull
        gradient[:-2] += precision * (means - terms)
        step = np.linalg.solve(normal, gradient)[-2:]
        step_px = float(np.hypot(*step))
        shift = shift + step * min(1.0, MAX_STEP_PX / max(step_px, 1e-9))
        if step_px < settled_px:
            break
    if step_px > 10 * settled_px:
        return None
    return _Fit(
        view=replace(view, centre_px=view.centre_px + shift),
        pixels_px=pixels,
        use=use,
        thin=thin,
        shift_px=shift,
        image=image,
        terms=terms,
        rise=rise,
        design=design,
        normal=normal,
        pull=pull,
        root=root,
        grey_residual=grey_residual,
        sd=sd,
    )


def locate_ball(
    view: BallView,
    patch: Patch,
    optics: Optics,
    *,
    noise: float,
    prior: ShadePrior = BROAD_PRIOR,
    settled_px: float = SETTLED_PX,
) -> Sighting | None:
    """Fit the ball's predicted image to the pixels round its rim.

    The rim tells the place. The brightness inside and outside it (waves round the rim; the background times a
    smooth shadow) is solved for at every step, so that neither can pull the place.

    Parameters
    ----------
    view : BallView
        Predicted place and outline; the place may be a few px off.
    patch : Patch
        The pixels; see `window_px`.
    optics : Optics
        Blur, exposure, rolling shutter, tone.
    noise : float
        Standard deviation of a pixel between still frames, in grey levels: the floor of the residual.
    prior : ShadePrior
        What is known of the ball's brightness.
    settled_px : float
        The fit ends with a step shorter than this.

    Returns
    -------
    Sighting or None
        None where too little of the rim is seen or the fit does not settle.
    """
    fit = _fit_ball(view, patch, optics, noise=noise, prior=prior, settled_px=settled_px)
    if fit is None:
        return None
    on_rim = (fit.image.cover > 0.2) & (fit.image.cover < 0.8)
    seen_px = fit.thin * float(np.sum(np.linalg.norm(fit.image.cover_slope_px, axis=1)))
    loss = np.log1p((fit.grey_residual / noise) ** 2 / STUDENT_DOF) * (STUDENT_DOF + 1) / 2
    cov_px2 = np.asarray(np.linalg.inv(fit.normal)[-2:, -2:], dtype=np.float64)
    information, pull = _shade_from_pixels(fit, prior)
    return Sighting(
        shade_information=information,
        shade_pull=pull,
        centre_px=fit.view.centre_px,
        cov_px2=cov_px2 * _correlation_inflation(fit) + np.eye(2) * MODEL_SD_PX**2,
        residual=fit.sd,
        contrast=float(np.sqrt(np.mean(fit.rise[on_rim] ** 2))) if on_rim.any() else 0.0,
        visible=min(1.0, seen_px / (2 * np.pi * view.radius_px)),
        shade=fit.terms[:N_SHADE],
        misfit=float(np.mean(loss)),
    )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class OpticsPull:
    """What one frame says of the optics, place and brightness solved for.

    Attributes
    ----------
    gradient : (3,) float64
        By `OPTICS_PARAMETERS`.
    information : (3, 3) float64
        The matrix that belongs to it.
    misfit : float
        Mean Student-t loss of the pixels: lower is better, comparable between optics.
    """

    gradient: Floats
    information: Floats
    misfit: float


def pull_optics(view: BallView, patch: Patch, optics: Optics, *, noise: float) -> OpticsPull | None:
    """Find which way blur, exposure and radius should move for one frame.

    Parameters
    ----------
    view, patch, optics, noise
        As for `locate_ball`.

    Returns
    -------
    OpticsPull or None
        None where the ball could not be located.
    """
    fit = _fit_ball(view, patch, optics, noise=noise, prior=BROAD_PRIOR, settled_px=SETTLED_PX)
    if fit is None:
        return None
    own = optics_slope(fit.view, np.zeros(2), fit.pixels_px, optics) * (fit.rise * fit.root)[:, None]
    cross = fit.design.T @ own
    loss = np.log1p((fit.grey_residual / noise) ** 2 / STUDENT_DOF) * (STUDENT_DOF + 1) / 2
    return OpticsPull(
        gradient=own.T @ fit.pull - cross.T @ np.linalg.solve(fit.normal, fit.design.T @ fit.pull),
        information=own.T @ own - cross.T @ np.linalg.solve(fit.normal, cross),
        misfit=float(np.mean(loss)),
    )


def _correlation_inflation(fit: _Fit) -> float:
    """How much larger the variance is because compression makes neighbouring pixels err alike."""
    use, thin = fit.use, fit.thin
    grid = np.zeros(use.shape)
    grid[use] = np.clip(fit.grey_residual / fit.sd, -3, 3)
    power = float(np.mean(grid[use] ** 2))
    # the two shortest ways from a pixel to another that was taken
    side = (np.s_[:, thin:], np.s_[:, :-thin])
    up = (np.s_[1:], np.s_[:-1]) if thin == 1 else (np.s_[1:, :-1], np.s_[:-1, 1:])
    factor = 1.0
    for there, here in (side, up):
        both = use[there] & use[here]
        rho = float(np.mean((grid[there] * grid[here])[both])) / power if both.any() and power > 0 else 0.0
        rho = min(max(rho, 0.0), 0.8)
        factor *= (1 + rho) / (1 - rho)
    return factor


def _shade_from_pixels(fit: _Fit, prior: ShadePrior) -> tuple[Floats, Floats]:
    """Information on the brightness terms without the prior's share, shadow and place solved for."""
    own, rest = np.s_[:N_SHADE], np.s_[N_SHADE:]
    cross = fit.normal[rest, own]
    both = fit.normal[own, own] - cross.T @ np.linalg.solve(fit.normal[rest, rest], cross)
    precision = 1 / prior.sd**2
    return both - np.diag(precision), both @ fit.terms[own] - precision * prior.mean


def shade_prior(sightings: list[Sighting]) -> ShadePrior:
    """Learn from several frames the ball's brightness terms, which change slowly as the lamps stand still.

    The pixels of all frames are pooled against the broad prior once. Medians of single fits would be drawn towards
    it, and with them the rim: by 0.1 px in rendered clips.

    Parameters
    ----------
    sightings : list of Sighting
        First fits of one clip.

    Returns
    -------
    ShadePrior
        Pooled mean and robust spread of each term, the spread at most that of `BROAD_PRIOR`.
    """
    if len(sightings) < 5:
        return BROAD_PRIOR
    information = np.diag(1 / BROAD_PRIOR.sd**2) + POOL_TRUST * sum(s.shade_information for s in sightings)
    pull = POOL_TRUST * sum(s.shade_pull for s in sightings)
    mean = np.asarray(np.linalg.solve(information, pull), dtype=np.float64)
    terms = np.array([s.shade for s in sightings])
    spread = 1.4826 * np.median(np.abs(terms - np.median(terms, axis=0)), axis=0)
    return replace(BROAD_PRIOR, mean=mean, sd=np.clip(spread, POOL_FLOOR * BROAD_PRIOR.sd, BROAD_PRIOR.sd))
