"""Where the ball is in one frame: the predicted image fitted to the pixels round its rim."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from calibrate.arrays import Floats
from tracker.autocorrelation import variance_factor
from tracker.ball_image import N_LIGHT, BallImage, BallView, Optics, image_ball
from tracker.light import Light, any_light, turn_light
from tracker.shadow import N_SHADOW, SHADOW_MEAN, SHADOW_SD

# Ticks, ferrules and print are outliers, not noise: a pixel's pull falls with the cube of its residual (Geman &
# McClure, Bull. ISI 52, 5 (1987); from memory), beyond about this many standard deviations.
OUTLIER_SDS = 1.4
# Print on a ball is darker than the ball. Were bright and dark judged alike, a ball half covered with dots would be
# taken for a dark ball with bright gaps.
BRIGHT_OUTLIER_SDS = 4.0
# What the ball takes from the cloth round it, and the cloth gives the ball, is modelled to this share of the light
# of the cloth: dim rims, where that is much, must not outvote bright ones. With noise alone balls that mirror their
# surroundings were seen 0.3 to 0.5 px too low on average; with this, 0.2 to 0.5 px.
CLOTH_LIGHT_SD = 0.1
# Until this step outliers are judged more leniently: strict from the start, the fit would take the first likeness
# for the ball and the ball for outliers.
LENIENT_STEPS = 4
MAX_STEPS = 15
# A step longer than this is more likely a false catch than a correction.
MAX_STEP_PX = 3.0
RECENTRE_PX = 0.5
MAX_RECENTRED = 3
# Grey levels this close below white may be more than white.
CEILING = 2.0
# Fewer pixels than this do not tell 41 terms and the place.
MIN_PIXELS = 80


@dataclass(frozen=True, slots=True, kw_only=True)
class Effort:
    """How much work is put into one fit.

    Attributes
    ----------
    settled_px : float
        It ends with a step shorter than this.
    most_pixels : int
        It uses about so many at most.
    """

    settled_px: float
    most_pixels: int


# More pixels cost time and tell little: the model's bias, not the noise, limits a large ball.
THOROUGH = Effort(settled_px=0.015, most_pixels=900)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Sighting:
    """The ball in one frame.

    Attributes
    ----------
    centre_px : (2,) float64
        Image of the ball's centre.
    cov_px2 : (2, 2) float64
        Covariance from the noise and misfit seen in the pixels; what the model lacks in all of them is not in it.
    residual : float
        Robust standard deviation of the pixels round the model, in grey levels.
    contrast : float
        Root mean square difference between ball and background round the rim, in levels of light: on light cloth
        the ball's lower rim may well be the darker.
    visible : float
        Share of the rim that was not hidden or outside the picture.
    misfit : float
        Mean loss of the pixels for the given noise, of Student's t with two degrees of freedom: lower is better,
        comparable between optics.
    """

    centre_px: Floats
    cov_px2: Floats
    residual: float
    contrast: float
    visible: float
    misfit: float


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
    late_s = view.radius_px * float(np.abs(optics.late_s_px).sum())
    reach_px = reach + np.abs(view.velocity_px_s) * (optics.exposure_s / 2 + late_s)
    low = np.floor(centre - reach_px).astype(int)
    high = np.ceil(centre + reach_px).astype(int) + 1
    return int(low[0]), int(low[1]), int(high[0]), int(high[1])


def _band(
    view: BallView, patch: Patch, optics: Optics, most_pixels: int
) -> tuple[Floats, npt.NDArray[np.bool_], int]:
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
    # the sensor's ceiling hides how bright the ball is there
    use &= patch.luma.ravel() < optics.tone.white - CEILING
    thin = int(np.ceil(np.count_nonzero(use) / most_pixels))
    if thin > 1:
        use &= (u.ravel() + v.ravel()) % thin == 0
    return pixels[use], use.reshape(h, w), thin


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Fit:
    """A settled fit with its working values; N pixels, P terms and the place.

    Attributes
    ----------
    view : BallView
        The ball at the place found.
    use : (h, w) bool
        Where they lie in the patch.
    thin : int
        One pixel of so many was taken, on lines that run up to the right.
    shift_px : (2,) float64
        Place found, from the predicted one.
    image : BallImage
        The model at that place.
    terms : (P,) float64
        Factors of the ball's brightness and of the change of what lies behind.
    rise : (K, N) float64
        Ball over what lies behind it, at each step of the exposure.
    design : (P + 2, N) float64
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
    view: BallView,
    patch: Patch,
    optics: Optics,
    *,
    noise: float,
    light: Light,
    effort: Effort = THOROUGH,
    band: Optics | None = None,
) -> _Fit | None:
    """Fit, and fit again round the place found: a band of pixels off the ball pulls it by a tenth of its error."""
    for _ in range(MAX_RECENTRED):
        fit = _fit_near(view, patch, optics, noise=noise, light=light, effort=effort, band=band or optics)
        if fit is None or float(np.hypot(*fit.shift_px)) < RECENTRE_PX:
            return fit
        view = fit.view
    return fit


def _fit_near(
    view: BallView,
    patch: Patch,
    optics: Optics,
    *,
    noise: float,
    light: Light,
    effort: Effort,
    band: Optics,
) -> _Fit | None:
    """Gauss-Newton on the place, everything else solved for at each step; robust weights.

    Variable projection: Golub & Pereyra, Inverse Problems 19, R1 (2003); from memory.
    """
    pixels, use, thin = _band(view, patch, band, effort.most_pixels)
    if len(pixels) < MIN_PIXELS:
        return None
    seen = optics.tone.light(patch.luma[use].astype(np.float64))
    background = optics.tone.light(patch.background[use].astype(np.float64))
    turn = turn_light(view)
    n_terms = N_LIGHT + N_SHADOW
    means = np.concatenate([turn @ light.mean, SHADOW_MEAN])
    precision = np.diag(np.full(n_terms, 1 / SHADOW_SD**2))
    precision[:N_LIGHT, :N_LIGHT] = np.linalg.inv(turn @ light.cov @ turn.T)
    shift = np.zeros(2)
    weights, sd = np.ones(len(pixels)), noise
    slope = optics.tone.slope(background)
    for n in range(MAX_STEPS):
        image = image_ball(view, shift, pixels, optics)
        # seen = s @ shade + background (1 - cover + w @ shadow): all but the place is linear
        linear = np.concatenate([image.shade, image.shadow * background])
        target = seen - background * (1 - image.cover)
        spread = np.hypot(sd * slope, CLOTH_LIGHT_SD * background)
        root = np.sqrt(weights) / spread
        weighted = linear * root
        terms = np.linalg.solve(
            weighted @ weighted.T + precision,
            weighted @ (target * root) + precision @ means,
        )
        residual = target - terms @ linear
        # Noise is even in grey levels; a level of grey is `slope` levels of light where it is bright.
        slope = optics.tone.slope(seen - residual)
        grey_residual = residual / slope
        sd = max(noise, 1.4826 * float(np.median(np.abs(grey_residual))))
        brighter = image.cover * (grey_residual > 0)
        outlier_sds = OUTLIER_SDS + (BRIGHT_OUTLIER_SDS - OUTLIER_SDS) * brighter
        outlier_sds *= max(1.0, LENIENT_STEPS / (n + 1))
        spread = np.hypot(sd * slope, CLOTH_LIGHT_SD * background)
        weights = 1 / (1 + (residual / (outlier_sds * spread)) ** 2) ** 2
        root = np.sqrt(weights) / spread
        rise = image.rise(terms[:N_LIGHT], terms[N_LIGHT:], background)
        design = np.concatenate([linear, image.place_slope(rise)]) * root
        normal = design @ design.T
        normal[:n_terms, :n_terms] += precision
        pull = residual * root
        gradient = design @ pull
        gradient[:-2] += precision @ (means - terms)
        step = np.linalg.solve(normal, gradient)[-2:]
        step_px = float(np.hypot(*step))
        shift = shift + step * min(1.0, MAX_STEP_PX / max(step_px, 1e-9))
        if step_px < effort.settled_px and n + 1 >= LENIENT_STEPS:
            break
    if step_px > 10 * effort.settled_px:
        return None
    return _Fit(
        view=replace(view, centre_px=view.centre_px + shift),
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
    light: Light | None = None,
    effort: Effort = THOROUGH,
    band: Optics | None = None,
) -> Sighting | None:
    """Fit the ball's predicted image to the pixels round its rim.

    The rim tells the place. The brightness inside and outside it (a polynomial of where the surface faces; the
    background times the ball's shadow) is solved for at every step, so that neither can pull the place.

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
    light : Light, optional
        What is known of the light on the ball in this frame; `any_light` where it is left out.
    effort : Effort
        How long the fit goes on.
    band : Optics, optional
        Optics whose band of pixels is used, `optics` where it is left out: `misfit` of several optics can be
        compared only over the same pixels.

    Returns
    -------
    Sighting or None
        None where too little of the rim is seen or the fit does not settle.
    """
    fit = _fit_ball(
        view,
        patch,
        optics,
        noise=noise,
        light=light or any_light(),
        effort=effort,
        band=band,
    )
    if fit is None:
        return None
    on_rim = (fit.image.cover > 0.2) & (fit.image.cover < 0.8)
    seen_px = fit.thin * float(np.sum(np.linalg.norm(fit.image.outwards_px.mean(axis=1), axis=0)))
    cov_px2 = np.asarray(np.linalg.inv(fit.normal)[-2:, -2:], dtype=np.float64)
    return Sighting(
        centre_px=fit.view.centre_px,
        cov_px2=cov_px2 * _correlation_inflation(fit),
        residual=fit.sd,
        contrast=float(np.sqrt(np.mean(fit.rise.mean(axis=0)[on_rim] ** 2))) if on_rim.any() else 0.0,
        visible=min(1.0, seen_px / (2 * np.pi * fit.view.radius_px)),
        misfit=1.5 * float(np.mean(np.log1p((fit.grey_residual / noise) ** 2 / 2))),
    )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class FrameEquations:
    """What the pixels of one frame say, as normal equations round the fitted place and the given optics.

    The unknowns: 25 factors of the light (in the image's axes) and 16 of the shadow as such, then 2 of the place
    and 4 of the optics (`OPTICS_PARAMETERS`) as changes.

    Attributes
    ----------
    view : BallView
        The ball at the place found.
    normal : (47, 47) float64
        Matrix, from the pixels alone.
    right : (47,) float64
        Right-hand side.
    turn : (25, 25) float64
        What turns light from the table's axes to those of the image.
    """

    view: BallView
    normal: Floats
    right: Floats
    turn: Floats


def frame_equations(
    view: BallView, patch: Patch, optics: Optics, *, noise: float, light: Light
) -> FrameEquations | None:
    """Find what one frame says of light and optics.

    Parameters
    ----------
    view, patch, optics, noise, light
        As for `locate_ball`.

    Returns
    -------
    FrameEquations or None
        None where the ball could not be located.
    """
    fit = _fit_ball(view, patch, optics, noise=noise, light=light)
    if fit is None:
        return None
    own = fit.image.optics_slope(fit.rise) * fit.root
    design = np.concatenate([fit.design, own])
    n_terms = len(fit.terms)
    return FrameEquations(
        view=fit.view,
        normal=design @ design.T,
        right=design @ (fit.pull + fit.terms @ design[:n_terms]),
        turn=turn_light(fit.view),
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
        factor *= variance_factor(rho)
    return factor
