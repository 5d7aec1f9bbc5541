"""How large the largest dark patch on the ball is, seen at rest, where the picture is sharp and quiet.

Dots and rings are taken for outliers when the ball is located. A patch so large that it makes part of the rim as
dark as the cloth is not: smeared over a long exposure it looks like a shadow beside a smaller ball, and a place
some pixels aside explains the picture no worse than the true one. Brightness alone does not tell the two apart.
"""

import numpy as np
from scipy.ndimage import label

from tracker.ball_image import N_LIGHT, BallView, Optics, polynomials
from tracker.light import any_light
from tracker.patch import Patch
from tracker.rim_fit import RimFit, RimSearch, fit_rims

# In radii: what of the face is looked at; nearer to the rim blur mixes in the cloth.
_FACE = 0.8
# Light seen over light expected of a plain ball, below which a pixel is print. Cloth and shadow leave more.
_DARK = 0.6


def dark_share(view: BallView, patch: Patch, optics: Optics, *, noise: float) -> float | None:
    """Find the share of the ball's face taken by the largest piece that is much darker than a plain ball's.

    Parameters
    ----------
    view : BallView
        The ball at rest.
    patch : Patch
        The pixels round it, averaged over still frames.
    optics : Optics
        Blur and tone.
    noise : float
        Standard deviation of a pixel between still frames, in grey levels.

    Returns
    -------
    float or None
        0 to 1; None where the face is not seen.
    """
    return fit_rims([RimSearch(view=view, patch=patch, optics=optics, noise=noise, light=any_light())], _share)[0]


def _share(search: RimSearch, fit: RimFit) -> float:
    patch, view = search.patch, fit.view
    u, v = np.meshgrid(*(np.arange(n) for n in reversed(patch.luma.shape)))
    away_px = np.stack([u, v], axis=-1) + np.subtract(patch.origin_px, view.centre_px + view.offset_px)
    x, y = np.moveaxis(away_px @ np.linalg.inv(view.axes_px), -1, 0)
    face = (np.hypot(x, y) < _FACE) & ~patch.hidden
    plain = fit.terms[:N_LIGHT] @ polynomials(x[face], y[face], np.sqrt(1 - x[face] ** 2 - y[face] ** 2))
    dark = np.zeros(face.shape, dtype=bool)
    dark[face] = search.optics.tone.light(patch.luma[face].astype(np.float64)) < _DARK * plain
    pieces, _ = label(dark)
    largest = int(np.bincount(pieces[dark], minlength=2)[1:].max())
    return largest / max(1, int(np.count_nonzero(face)))
