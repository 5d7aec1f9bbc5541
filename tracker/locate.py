"""Where the ball is in one frame: what the fit to the pixels round its rim says, and how sure it is."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibrate.arrays import Floats
from tracker.autocorrelation import variance_factor
from tracker.ball_image import BallView, Optics
from tracker.light import Light, any_light, turn_light
from tracker.patch import Patch
from tracker.rim_fit import THOROUGH, Effort, RimFit, RimPixels, RimSearch, fit_rims


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
        None where too little of the rim is seen.
    """
    search = RimSearch(
        view=view, patch=patch, optics=optics, noise=noise, light=light or any_light(), effort=effort, band=band
    )
    return located([search])[0]


def located(searches: Sequence[RimSearch]) -> list[Sighting | None]:
    """Locate the ball in many frames; see `locate_ball`."""
    return fit_rims(searches, _sighting)


def _sighting(search: RimSearch, fit: RimFit) -> Sighting:
    image = fit.slopes.image
    on_rim = (image.cover[0] > 0.2) & (image.cover[0] < 0.8)
    outwards_px = image.outwards_px[:, 0].mean(axis=1)
    seen_px = fit.thin * float(np.sum(np.linalg.norm(outwards_px, axis=0)))
    cov_px2 = np.asarray(np.linalg.inv(fit.normal)[-2:, -2:], dtype=np.float64)
    return Sighting(
        centre_px=fit.view.centre_px,
        cov_px2=cov_px2 * _correlation_inflation(fit) + np.eye(2) * fit.unsettled_px**2,
        residual=fit.sd,
        contrast=float(np.sqrt(np.mean(fit.slopes.rise[0, on_rim] ** 2))) if on_rim.any() else 0.0,
        visible=min(1.0, seen_px / (2 * np.pi * fit.view.radius_px)),
        misfit=1.5 * float(np.mean(np.log1p((fit.grey_residual / search.noise) ** 2 / 2))),
    )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class FrameEquations:
    """What the pixels of one frame say, as normal equations round the fitted place and the given optics.

    The unknowns: 25 factors of the light (in the image's axes) and 16 of the shadow as such, then 2 of the place
    and 4 of the optics (`OPTICS_PARAMETERS`) as changes.

    Attributes
    ----------
    at : RimPixels
        Where the fit that they come from found the ball, and what the next can begin with.
    normal : (47, 47) float64
        Matrix, from the pixels alone.
    right : (47,) float64
        Right-hand side.
    turn : (25, 25) float64
        What turns light from the table's axes to those of the image.
    """

    at: RimPixels
    normal: Floats
    right: Floats
    turn: Floats


def frame_equations(searches: Sequence[RimSearch]) -> list[FrameEquations | None]:
    """Find what each of some frames says of light and optics; None where the ball could not be located."""
    return fit_rims(searches, _equations)


def _equations(_: RimSearch, fit: RimFit) -> FrameEquations:
    own = fit.slopes.optics()[:, 0] * fit.root
    design = np.concatenate([fit.design, own])
    n_terms = len(fit.terms)
    return FrameEquations(
        at=fit.rim_pixels(),
        normal=design @ design.T,
        right=design @ (fit.pull + fit.terms @ design[:n_terms]),
        turn=turn_light(fit.view),
    )


def _correlation_inflation(fit: RimFit) -> float:
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
